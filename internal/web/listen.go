package web

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"strconv"
	"syscall"
	"time"
)

// DefaultListen is where the pages are when nobody names another place.
const DefaultListen = "127.0.0.1:7475"

// Listen opens an address of this machine alone. Port 0 is any free one.
func Listen(address string) (net.Listener, error) {
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		return nil, fmt.Errorf("--listen %s: not an address; write it as %s", address, DefaultListen)
	}
	if n, err := strconv.Atoi(port); err != nil || n < 0 || n > 65535 {
		return nil, fmt.Errorf("--listen %s: %q is no port from 0 to 65535", address, port)
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, fmt.Errorf("--listen %s: the pages are for this machine alone; write 127.0.0.1:%s", address, port)
	}
	ln, err := net.Listen("tcp", address)
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		return nil, fmt.Errorf("%s is in use; Gradus may already run there (open http://%s), else choose another port, such as --listen 127.0.0.1:0 for any free one", address, address)
	case err != nil:
		return nil, fmt.Errorf("--listen %s: %w", address, err)
	}
	return ln, nil
}

const closing = 5 * time.Second

// Serve answers on a listener until the context ends, then lets running answers finish.
func (s *Server) Serve(ctx context.Context, ln net.Listener) error {
	h := &http.Server{
		Handler: s, ReadHeaderTimeout: 10 * time.Second, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 32 << 10,
		ErrorLog: slog.NewLogLogger(s.log.Handler(), slog.LevelWarn),
	}
	ended := make(chan error, 1)
	go func() { ended <- h.Serve(ln) }()
	select {
	case err := <-ended:
		return err
	case <-ctx.Done():
	}
	s.Stop()
	wait, cancel := context.WithTimeout(context.WithoutCancel(ctx), closing)
	defer cancel()
	if err := h.Shutdown(wait); err != nil {
		return errors.Join(err, h.Close())
	}
	return nil
}
