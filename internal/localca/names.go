package localca

import (
	"crypto/x509"
	"fmt"
	"net"
	"os"
	"slices"
	"strings"
)

// wanted are the names and addresses of a certificate, sorted apart.
type wanted struct {
	dns []string
	ips []net.IP
}

// sorted reads names and addresses as a person writes them, and adds those of this machine itself.
func sorted(names []string) (wanted, error) {
	var w wanted
	for _, n := range append(slices.Clone(names), "localhost", "127.0.0.1", "::1") {
		if ip := net.ParseIP(strings.Trim(n, "[]")); ip != nil {
			if ip.IsUnspecified() || ip.IsMulticast() {
				return wanted{}, fmt.Errorf("%s: this is no address that a browser opens; name the address of this machine", n)
			}
			if !slices.ContainsFunc(w.ips, ip.Equal) {
				w.ips = append(w.ips, ip)
			}
			continue
		}
		n = strings.ToLower(strings.TrimSuffix(n, "."))
		if err := checkName(n); err != nil {
			return wanted{}, err
		}
		if !slices.Contains(w.dns, n) {
			w.dns = append(w.dns, n)
		}
	}
	return w, nil
}

const nameMost = 253

// checkName refuses what is no name of one machine.
func checkName(n string) error {
	bad := func(why string) error {
		return fmt.Errorf("%q: %s; write a name such as gradus.ward.example or an address such as 192.168.1.20, without https:// and port", n, why)
	}
	if n == "" || len(n) > nameMost {
		return bad("this is no name")
	}
	for label := range strings.SplitSeq(n, ".") {
		if label == "" || len(label) > 63 || strings.HasPrefix(label, "-") || strings.HasSuffix(label, "-") {
			return bad("a part of the name is empty, too long, or begins or ends with a hyphen")
		}
		for _, c := range label {
			if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
				return bad(fmt.Sprintf("%q stands in no name of a machine", c))
			}
		}
	}
	return nil
}

// first is the name to call the certificate by.
func (w wanted) first() string {
	if len(w.dns) > 0 && w.dns[0] != "localhost" {
		return w.dns[0]
	}
	return w.ips[0].String()
}

// ranges are the addresses alone, as the bounds of an authority.
func (w wanted) ranges() (out []*net.IPNet) {
	for _, ip := range w.ips {
		bits := 128
		if four := ip.To4(); four != nil {
			ip, bits = four, 32
		}
		out = append(out, &net.IPNet{IP: ip, Mask: net.CIDRMask(bits, bits)})
	}
	return out
}

func (w wanted) coveredBy(c *x509.Certificate) bool {
	for _, n := range w.dns {
		if !slices.Contains(c.DNSNames, n) {
			return false
		}
	}
	for _, ip := range w.ips {
		if !slices.ContainsFunc(c.IPAddresses, ip.Equal) {
			return false
		}
	}
	return true
}

// Covers reports whether a certificate is for a host, a name or an address without a port.
func Covers(c *x509.Certificate, host string) bool {
	host = strings.Trim(host, "[]")
	if ip := net.ParseIP(host); ip != nil {
		return slices.ContainsFunc(c.IPAddresses, ip.Equal)
	}
	return c.VerifyHostname(host) == nil
}

// Ours guesses by which names and addresses browsers on the local network reach this machine.
func Ours() []string {
	var names []string
	if h, err := os.Hostname(); err == nil {
		h = strings.ToLower(h)
		if checkName(h) == nil && h != "localhost" {
			names = append(names, h)
			if !strings.Contains(h, ".") {
				names = append(names, h+".local")
			}
		}
	}
	return append(names, Addresses()...)
}

// Addresses are those of this machine on networks, without the ones of itself and of one link alone.
func Addresses() (out []string) {
	all, err := net.InterfaceAddrs()
	if err != nil {
		return nil
	}
	for _, a := range all {
		n, ok := a.(*net.IPNet)
		if ok && n.IP.IsGlobalUnicast() {
			out = append(out, n.IP.String())
		}
	}
	return out
}
