package record

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"database/sql/driver"
	"errors"
	"io"
	"net"
	"strings"

	"github.com/jackc/pgx/v5/pgconn"
)

// pgBlame is what an error says about the server, its disk or the way to it.
func pgBlame(err error) (kind, behind error) {
	var told *pgconn.PgError
	if errors.As(err, &told) {
		if told.Code == "22021" {
			return nil, &InvalidError{"a text", "it holds a character that no database takes (U+0000); remove it"}
		}
		return pgKind(told.Code), err
	}
	switch {
	case noTrust(err):
		return ErrTrust, err
	case away(err):
		return ErrAway, err
	}
	return nil, err
}

// pgKind judges a code by the list of error codes in PostgreSQL's manual.
func pgKind(code string) error {
	switch code {
	case "53100":
		return ErrDiskFull
	case "25006", "42501": // a standby server; no right to it
		return ErrReadOnly
	case "XX001", "XX002":
		return ErrDamaged
	case "58030":
		return ErrDisk
	case "53200", "53300", "53400", "55P03", "40001", "40P01", "57014": // no memory, no connections, a lock, a deadlock, timeout
		return ErrBusy
	case "3D000":
		return ErrMissing
	case "57P01", "57P02", "57P03", "57P04", "57P05", "25P03", "25P02":
		return ErrAway
	}
	switch code[:min(2, len(code))] {
	case "28":
		return ErrSignIn
	case "08":
		return ErrAway
	}
	return nil
}

// noTrust reports whether a connection was refused for want of TLS or of a certificate that is trusted.
func noTrust(err error) bool {
	var (
		verify *tls.CertificateVerificationError
		header tls.RecordHeaderError
		alert  tls.AlertError
		host   x509.HostnameError
		who    x509.UnknownAuthorityError
	)
	return errors.As(err, &verify) || errors.As(err, &header) || errors.As(err, &alert) || errors.As(err, &host) || errors.As(err, &who) ||
		strings.Contains(err.Error(), "server refused TLS connection")
}

// away reports whether nobody answered, or not to the end.
func away(err error) bool {
	var network net.Error
	var connect *pgconn.ConnectError
	return errors.As(err, &network) || errors.As(err, &connect) || errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) ||
		errors.Is(err, net.ErrClosed) || errors.Is(err, driver.ErrBadConn) || errors.Is(err, context.DeadlineExceeded) || errors.Is(err, context.Canceled) || pgconn.SafeToRetry(err)
}
