package web

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"

	"gradus/internal/vault"
	"gradus/internal/whole"
)

// policy lets a page load only what this server sends. WebAssembly is compiled in the page.
const policy = "default-src 'self'; script-src 'self' 'wasm-unsafe-eval'; style-src 'self'; img-src 'self'; font-src 'self'; " +
	"connect-src 'self'; worker-src 'self'; manifest-src 'self'; object-src 'none'; frame-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'self'"

var headers = [][2]string{
	{"Content-Security-Policy", policy},
	{"X-Content-Type-Options", "nosniff"},
	{"X-Frame-Options", "DENY"},
	{"Referrer-Policy", "same-origin"},
	{"Cross-Origin-Opener-Policy", "same-origin"},
	{"Cross-Origin-Resource-Policy", "same-origin"},
	// Bluetooth is not named: a page has it for itself by default, and Chromium warns of the name.
	{"Permissions-Policy", "screen-wake-lock=(self), camera=(), microphone=(), geolocation=(), payment=(), usb=()"},
	{"Cache-Control", "no-store"},
}

// maxBody is the most that any request may carry; the routes allow less, each as much as it needs.
const maxBody = 32 << 20

// onlyTLS makes a browser that came once by TLS come by nothing else for a year. It is never said for a name of this
// machine alone, which other programs share.
const onlyTLS = "max-age=31536000"

// guard stands before everything: it refuses strangers and sets the headers of every answer.
func (s *Server) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		for _, h := range headers {
			w.Header().Set(h[0], h[1])
		}
		defer s.survive(w, r)
		if s.behind {
			r = passedOn(r)
		}
		r.Body = http.MaxBytesReader(w, r.Body, maxBody)
		if s.secure && !here(hostOf(r.Host)) {
			w.Header().Set("Strict-Transport-Security", onlyTLS)
		}
		if why := s.stranger(r); why != "" {
			s.meters.errors.WithLabelValues("refused").Inc()
			s.logOf(r.Context()).Warn("refused", "why", why)
			refuse(w, r, http.StatusForbidden, say("guard."+why), say("guard.hint"))
			return
		}
		next.ServeHTTP(w, r)
	})
}

// survive keeps one broken answer from ending the program.
func (s *Server) survive(w http.ResponseWriter, r *http.Request) {
	p := recover()
	if p == nil {
		return
	}
	if err, ok := p.(error); ok && errors.Is(err, http.ErrAbortHandler) {
		panic(p)
	}
	s.meters.errors.WithLabelValues("panic").Inc()
	s.logOf(r.Context()).Error("panic", "what", fmt.Sprint(p), "stack", string(debug.Stack()))
	refuse(w, r, http.StatusInternalServerError, say("error.inside"), say("error.inside.hint"))
}

func refuse(w http.ResponseWriter, r *http.Request, status int, text, hint string) {
	if strings.HasPrefix(r.URL.Path, "/api/") {
		writeJSON(w, status, fault{Error: text, Hint: hint})
		return
	}
	http.Error(w, text+" "+hint, status)
}

// stranger says why a request does not come from a page of this server; "" when it does. A name that is not of
// this machine would be another site's that points here; the browser says where a request was written.
func (s *Server) stranger(r *http.Request) string {
	if host := hostOf(r.Host); !here(strings.ToLower(host)) && (s.named == nil || !s.named(host)) {
		return "host"
	}
	writes := r.Method != http.MethodGet && r.Method != http.MethodHead
	from := r.Header.Get("Sec-Fetch-Site")
	if from != "" && from != "same-origin" && from != "none" && (writes || strings.HasPrefix(r.URL.Path, "/api/")) {
		return "site"
	}
	if origin := r.Header.Get("Origin"); origin != "" && !s.sameOrigin(origin, r.Host) {
		return "origin"
	}
	return ""
}

// passedOn is a request with the address for which a proxy on this machine passed it on: the last that it names, for
// what stands before that anybody may have written. The rest that a proxy may say (host, scheme, port) is not believed.
func passedOn(r *http.Request) *http.Request {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	lines := r.Header.Values("X-Forwarded-For")
	if err != nil || !here(host) || len(lines) == 0 {
		return r
	}
	all := strings.Split(lines[len(lines)-1], ",")
	from, err := netip.ParseAddr(strings.TrimSpace(all[len(all)-1]))
	if err != nil {
		return r
	}
	told := r.WithContext(r.Context())
	told.RemoteAddr = netip.AddrPortFrom(from.Unmap().WithZone(""), 0).String()
	return told
}

// hostOf is a host without its port.
func hostOf(host string) string {
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	return strings.Trim(host, "[]")
}

func (s *Server) sameOrigin(origin, host string) bool {
	u, err := url.Parse(origin)
	return err == nil && u.Host == host && (u.Scheme == "https" || u.Scheme == "http" && !s.secure)
}

const keyFile = "forms.key"

// cookieName is that of a browser's own number. Under TLS its prefix keeps other hosts from setting it.
func (s *Server) cookieName() string {
	if s.secure {
		return "__Host-gradus"
	}
	return "gradus"
}

// formKey is the key that signs the forms. It outlives the program, so that a form that was open while the program
// started again is still taken: it comes out of the key of the record, or is read, and made when there is none.
func formKey(dir string, v *vault.Key) ([]byte, error) {
	path := filepath.Join(dir, keyFile)
	if v != nil {
		if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) { // of before the record was encrypted
			return nil, err
		}
		return v.Forms(), nil
	}
	if key, err := os.ReadFile(path); err == nil && len(key) == sha256.Size {
		return key, nil
	}
	key := make([]byte, sha256.Size)
	if _, err := rand.Read(key); err != nil {
		return nil, err
	}
	if err := whole.Write(path, key); err != nil {
		return nil, fmt.Errorf("%s: %w; make the data directory writable or choose another with --data", path, err)
	}
	return key, nil
}

// token is what a form of this browser carries. It gives the browser its cookie when it has none.
func (s *Server) token(w http.ResponseWriter, r *http.Request) string {
	c, err := r.Cookie(s.cookieName())
	if err != nil || len(c.Value) != 32 {
		c = &http.Cookie{Name: s.cookieName(), Secure: s.secure, Value: randomHex(16), Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode}
		http.SetCookie(w, c)
	}
	return s.formSign(c.Value, r)
}

// formSign binds a form to the browser and to the session in which it was written.
func (s *Server) formSign(browser string, r *http.Request) string {
	return s.sign("form " + browser + " " + visitorOf(r).session.Hash)
}

// browserOf is the number that this browser has, "" before its first form.
func (s *Server) browserOf(r *http.Request) string {
	c, err := r.Cookie(s.cookieName())
	if err != nil {
		return ""
	}
	return c.Value
}

func (s *Server) sign(value string) string {
	mac := hmac.New(sha256.New, s.key)
	mac.Write([]byte(value))
	return hex.EncodeToString(mac.Sum(nil))
}

// signed reports whether a form was written by this server for this browser, in this session.
func (s *Server) signed(r *http.Request) bool { return s.signedWith(r, r.PostFormValue("token")) }

func (s *Server) signedWith(r *http.Request, token string) bool {
	browser := s.browserOf(r)
	return browser != "" && sameText(s.formSign(browser, r), token)
}

func sameText(a, b string) bool { return hmac.Equal([]byte(a), []byte(b)) }

func randomHex(n int) string {
	b := make([]byte, n)
	rand.Read(b) //nolint:errcheck // it never fails
	return hex.EncodeToString(b)
}
