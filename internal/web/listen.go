package web

import (
	"errors"
	"fmt"
	"net"
	"strconv"
	"syscall"
)

// DefaultListen is where the pages are when nobody names another place.
const DefaultListen = "127.0.0.1:7475"

// Reach says what makes it right to be heard beyond this machine.
type Reach struct {
	TLS    bool // everything travels under TLS
	SignIn bool // nobody sees anything before signing in
}

// Listen opens an address: one of this machine alone, or another when the reach allows it. Port 0 is any free one.
func Listen(address string, may Reach) (net.Listener, error) {
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		return nil, fmt.Errorf("--listen %s: not an address; write it as %s", address, DefaultListen)
	}
	if n, err := strconv.Atoi(port); err != nil || n < 0 || n > 65535 {
		return nil, fmt.Errorf("--listen %s: %q is no port from 0 to 65535", address, port)
	}
	if !here(host) {
		if err := may.beyond(address, port); err != nil {
			return nil, err
		}
	}
	ln, err := net.Listen("tcp", address)
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		return nil, fmt.Errorf("%s is in use; Gradus may already run there (open it in a browser), else choose another port, such as --listen 127.0.0.1:0 for any free one", address)
	case err != nil:
		return nil, fmt.Errorf("--listen %s: %w", address, err)
	}
	return ln, nil
}

// Beyond reports whether an address is heard beyond this machine.
func Beyond(address string) bool {
	host, _, err := net.SplitHostPort(address)
	return err == nil && !here(host)
}

// beyond says why an address of other machines must not be opened.
func (r Reach) beyond(address, port string) error {
	if !r.TLS {
		return fmt.Errorf("--listen %s: without TLS everything would cross the network in the open, so beyond this machine plain HTTP is refused; "+
			"make a certificate with gradus certificate (or name one with --tls-cert and --tls-key), or write 127.0.0.1:%s", address, port)
	}
	if !r.SignIn {
		return fmt.Errorf("--listen %s: nobody has to sign in yet, so everyone on the network would see the record; set up a passphrase or accounts first, or write 127.0.0.1:%s", address, port)
	}
	return nil
}

// here reports whether a host, without a port, is this machine and nothing else.
func here(host string) bool {
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}
