// Package localca makes the certificates of a clinic's own network: an authority of the site, which signs for the
// named addresses of this server and for nothing else, and the certificate that the server shows.
//
// The authority's key is needed only to renew or to add an address within its bounds. It may be deleted or put
// away after the certificate was made; the browsers go on trusting what it has signed. All files lie in one folder
// of the data directory, the keys readable by their owner alone.
package localca

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"gradus/internal/whole"
)

// Names of the files in the folder.
const (
	Folder        = "tls" // of the data directory
	AuthorityFile = "authority.pem"
	AuthorityKey  = "authority-key.pem"
	ServerFile    = "server.pem"
	ServerKey     = "server-key.pem"
)

const (
	// serverDays is how long a server's certificate holds: browsers of one maker refuse those of own authorities above
	// 825 days (from memory); a year and a month leaves a yearly task some room.
	serverDays    = 397
	authorityDays = 10 * 365 // our choice: as long as a tablet is likely to stay in use
	// RenewBefore is how long before its end a certificate is renewed, and spoken of.
	RenewBefore = 30 * 24 * time.Hour
	// early lets a device whose clock is slow trust a certificate that was just made.
	early = 24 * time.Hour
)

// Ask is what somebody wants certificates for.
type Ask struct {
	Names []string // names and addresses by which browsers reach the server
	Now   time.Time
	Anew  bool // make another authority, even if there is one; every device must trust it anew
}

// Made is what was made or found.
type Made struct {
	Authority    *x509.Certificate
	Server       *x509.Certificate
	NewAuthority bool
	NewServer    bool
}

// BoundsError says that the authority of the folder must not sign for a name.
type BoundsError struct{ Name string }

func (e *BoundsError) Error() string {
	return fmt.Sprintf("the authority in use may not sign for %s: make a new one with --new-authority, and let every device trust it once more", e.Name)
}

// ErrNoKey says that the authority's key is not there to sign with.
var ErrNoKey = errors.New("the key of the authority is not there: put " + AuthorityKey + " back for a moment, or make a new authority with --new-authority and let every device trust it once more")

// Make makes the certificates in a folder, or renews the server's. Without names it renews for those of the
// certificate there is. A certificate that holds long enough and has all names stays as it is.
func Make(dir string, a Ask) (Made, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return Made{}, fmt.Errorf("%s: %w; make the data directory writable or choose another with --data", dir, err)
	}
	old, err := Read(filepath.Join(dir, ServerFile))
	if err != nil && !errors.Is(err, fs.ErrNotExist) && !a.Anew {
		return Made{}, err
	}
	names := slices.Clone(a.Names)
	if len(names) == 0 && old != nil {
		names = Names(old)
	}
	w, err := sorted(names)
	if err != nil {
		return Made{}, err
	}
	root, err := Read(filepath.Join(dir, AuthorityFile))
	if err != nil && !errors.Is(err, fs.ErrNotExist) && !a.Anew {
		return Made{}, err
	}
	made := Made{Authority: root, Server: old}
	if root != nil && !a.Anew && old != nil && old.NotAfter.Sub(a.Now) > RenewBefore && w.coveredBy(old) && signedBy(old, root) {
		return made, nil
	}
	var key crypto.Signer
	if root == nil || a.Anew {
		if made.Authority, key, err = newAuthority(dir, w, a.Now); err != nil {
			return Made{}, err
		}
		made.NewAuthority = true
	} else if key, err = authorityKey(dir, root, w, a.Now); err != nil {
		return Made{}, err
	}
	if made.Server, err = newServer(dir, w, made.Authority, key, a.Now); err != nil {
		return Made{}, err
	}
	made.NewServer = true
	return made, nil
}

// Renew renews the server's certificate when it is near its end and the authority's key is there. It reports
// whether it did.
func Renew(dir string, now time.Time) (bool, error) {
	old, err := Read(filepath.Join(dir, ServerFile))
	if err != nil || old.NotAfter.Sub(now) > RenewBefore {
		return false, err
	}
	made, err := Make(dir, Ask{Now: now})
	return made.NewServer, err
}

// authorityKey gives the key of an authority that may and can still sign.
func authorityKey(dir string, root *x509.Certificate, w wanted, now time.Time) (crypto.Signer, error) {
	for _, n := range w.dns {
		if !slices.ContainsFunc(root.PermittedDNSDomains, func(d string) bool { return n == d || strings.HasSuffix(n, "."+d) }) {
			return nil, &BoundsError{n}
		}
	}
	for _, ip := range w.ips {
		if !slices.ContainsFunc(root.PermittedIPRanges, func(r *net.IPNet) bool { return r.Contains(ip) }) {
			return nil, &BoundsError{ip.String()}
		}
	}
	if root.NotAfter.Sub(now) < RenewBefore {
		return nil, fmt.Errorf("the authority ends on %s: make a new one with --new-authority, and let every device trust it", day(root.NotAfter))
	}
	key, err := readKey(filepath.Join(dir, AuthorityKey))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, ErrNoKey
	}
	if err == nil && !samePublic(key.Public(), root.PublicKey) {
		err = fmt.Errorf("%s does not belong to %s; put the right key there, or make a new authority with --new-authority", AuthorityKey, AuthorityFile)
	}
	return key, err
}

func newAuthority(dir string, w wanted, now time.Time) (*x509.Certificate, crypto.Signer, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, nil, err
	}
	t := &x509.Certificate{
		SerialNumber: serial(), Subject: pkix.Name{CommonName: "Gradus authority of " + w.first() + ", made " + day(now)},
		NotBefore: now.Add(-early), NotAfter: now.AddDate(0, 0, authorityDays),
		IsCA: true, BasicConstraintsValid: true, MaxPathLenZero: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign,
		// Whoever steals the key can then pretend to be this server and nobody else.
		PermittedDNSDomainsCritical: true, PermittedDNSDomains: w.dns, PermittedIPRanges: w.ranges(),
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}
	c, err := signAndKeep(dir, AuthorityFile, AuthorityKey, t, t, key, key, nil)
	return c, key, err
}

func newServer(dir string, w wanted, root *x509.Certificate, by crypto.Signer, now time.Time) (*x509.Certificate, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, err
	}
	end := now.AddDate(0, 0, serverDays)
	if end.After(root.NotAfter) {
		end = root.NotAfter
	}
	t := &x509.Certificate{
		SerialNumber: serial(), Subject: pkix.Name{CommonName: w.first()}, NotBefore: now.Add(-early), NotAfter: end,
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}, BasicConstraintsValid: true,
		DNSNames: w.dns, IPAddresses: w.ips,
	}
	return signAndKeep(dir, ServerFile, ServerKey, t, root, key, by, root)
}

// signAndKeep signs a certificate and puts it on disk behind its key. chain is put behind it in its file.
func signAndKeep(dir, certFile, keyFile string, t, parent *x509.Certificate, key *ecdsa.PrivateKey, by crypto.Signer, chain *x509.Certificate) (*x509.Certificate, error) {
	der, err := x509.CreateCertificate(rand.Reader, t, parent, key.Public(), by)
	if err != nil {
		return nil, err
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, err
	}
	text := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	if chain != nil {
		text = append(text, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: chain.Raw})...)
	}
	if err := whole.WriteMode(filepath.Join(dir, keyFile), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private}), 0o600); err != nil {
		return nil, err
	}
	if err := whole.WriteMode(filepath.Join(dir, certFile), text, 0o644); err != nil {
		return nil, err
	}
	return x509.ParseCertificate(der)
}

func serial() *big.Int {
	b := make([]byte, 16)
	rand.Read(b) //nolint:errcheck // it never fails
	b[0] &= 0x7f // a serial number is positive
	return new(big.Int).SetBytes(b)
}

func samePublic(a, b crypto.PublicKey) bool {
	k, ok := a.(interface{ Equal(crypto.PublicKey) bool })
	return ok && k.Equal(b)
}

func signedBy(c, root *x509.Certificate) bool { return c.CheckSignatureFrom(root) == nil }

// Read returns the first certificate of a file.
func Read(path string) (*x509.Certificate, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	block, _ := pem.Decode(text)
	if block == nil || block.Type != "CERTIFICATE" {
		return nil, fmt.Errorf("%s holds no certificate in PEM form", path)
	}
	c, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return c, nil
}

func readKey(path string) (crypto.Signer, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	block, _ := pem.Decode(text)
	if block == nil {
		return nil, fmt.Errorf("%s holds no key in PEM form", path)
	}
	key, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	signer, ok := key.(crypto.Signer)
	if !ok {
		return nil, fmt.Errorf("%s holds no key that can sign", path)
	}
	return signer, nil
}

// Fingerprint is the SHA-256 of a certificate as a person compares it: pairs parted by colons.
func Fingerprint(c *x509.Certificate) string {
	sum := sha256.Sum256(c.Raw)
	parts := make([]string, len(sum))
	for i, b := range sum {
		parts[i] = fmt.Sprintf("%02X", b)
	}
	return strings.Join(parts, ":")
}

// Names lists what a certificate is for, names before addresses.
func Names(c *x509.Certificate) []string {
	names := slices.Clone(c.DNSNames)
	for _, ip := range c.IPAddresses {
		names = append(names, ip.String())
	}
	return names
}

func day(t time.Time) string { return t.UTC().Format(time.DateOnly) }
