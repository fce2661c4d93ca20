package access

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha1" //nolint:gosec // RFC 6238 as every authenticator speaks it
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base32"
	"encoding/base64"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"net/url"
	"strings"
	"time"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"

	"gradus/internal/tried"
)

// Cost is what a guess at a password costs: argon2id (RFC 9106).
type Cost struct {
	MiB, Passes uint32
	Lanes       uint8
}

// Strong is the second choice of RFC 9106: 64 MiB, 3 passes, 4 lanes.
var Strong = Cost{MiB: 64, Passes: 3, Lanes: 4}

const saltBytes, sumBytes = 16, 32

// hashing keeps the memory that passwords take within bounds: so many are hashed at once.
var hashing = make(chan struct{}, 2)

func (c Cost) sum(ctx context.Context, password string, salt []byte, n uint32) ([]byte, error) {
	select {
	case hashing <- struct{}{}:
		defer func() { <-hashing }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	return argon2.IDKey([]byte(password), salt, c.Passes, c.MiB<<10, c.Lanes, n), nil
}

// Hash makes what is kept of a password, as a PHC string.
func (c Cost) Hash(ctx context.Context, password string) (string, error) {
	salt := random(saltBytes)
	sum, err := c.sum(ctx, password, salt, sumBytes)
	if err != nil {
		return "", err
	}
	b64 := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, c.MiB<<10, c.Passes, c.Lanes, b64.EncodeToString(salt), b64.EncodeToString(sum)), nil
}

// Matches reports whether a password is the one that was hashed, and whether it should be hashed anew at this cost. An
// empty hash takes as long as a wrong password and never matches.
func (c Cost) Matches(ctx context.Context, hash, password string) (ok, weak bool, err error) {
	if hash == "" {
		_, err := c.sum(ctx, password, make([]byte, saltBytes), sumBytes)
		return false, false, err
	}
	used, salt, want, err := parsePHC(hash)
	if err != nil {
		return false, false, err
	}
	got, err := used.sum(ctx, password, salt, uint32(len(want)))
	if err != nil {
		return false, false, err
	}
	weak = used.MiB < c.MiB || used.Passes < c.Passes
	return subtle.ConstantTimeCompare(got, want) == 1, weak, nil
}

var errPHC = errors.New("a stored password hash cannot be read; give the account a new password by a one-time code")

func parsePHC(hash string) (c Cost, salt, sum []byte, err error) {
	parts := strings.Split(hash, "$")
	if len(parts) != 6 || parts[1] != "argon2id" || parts[2] != fmt.Sprintf("v=%d", argon2.Version) {
		return c, nil, nil, errPHC
	}
	var kib uint32
	if _, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &kib, &c.Passes, &c.Lanes); err != nil || kib < 1024 || kib > 4<<20 || c.Passes < 1 || c.Passes > 100 || c.Lanes < 1 {
		return c, nil, nil, errPHC
	}
	c.MiB = kib >> 10
	salt, e1 := base64.RawStdEncoding.DecodeString(parts[4])
	sum, e2 := base64.RawStdEncoding.DecodeString(parts[5])
	if e1 != nil || e2 != nil || len(salt) < 8 || len(sum) < 16 {
		return c, nil, nil, errPHC
	}
	return c, salt, sum, nil
}

// How long a password may be, in characters.
const ShortestPassword, LongestPassword = 12, 200

// WeakError says why a password is not taken.
type WeakError struct{ Why string }

func (e *WeakError) Error() string { return e.Why }

// CheckPassword refuses a password that is short, that is one of those that are tried first, or that is the login in
// other words. It asks for no kinds of characters.
func CheckPassword(password, login string) error {
	n := utf8.RuneCountInString(password)
	low := strings.ToLower(password)
	switch {
	case n < ShortestPassword:
		return &WeakError{fmt.Sprintf("The password has %d characters; use at least %d. A sentence is easy to remember.", n, ShortestPassword)}
	case n > LongestPassword || !utf8.ValidString(password):
		return &WeakError{fmt.Sprintf("The password is longer than %d characters, or is not text.", LongestPassword)}
	case login != "" && len(login) > 2 && strings.Contains(low, strings.ToLower(login)), strings.Contains(low, "gradus"):
		return &WeakError{"The password contains the sign-in name or the name of this program; choose another."}
	case guessed(low), tried.First(low):
		return &WeakError{"The password is among those that are tried first (a row of keys, a repeated word, a common word with numbers, one that often leaked); choose another."}
	}
	return nil
}

// Words and rows of keys that are tried first. Common practice, no source: what is left of a password when they, digits
// and signs are taken out has to be something.
var triedFirst = []string{"password", "passwort", "passw0rd", "p@ssword", "qwertyuiop", "qwertzuiop", "qwerty", "qwertz", "asdfghjkl", "azerty", "zxcvbnm", "yxcvbnm", "1q2w3e4r5t6z", "1q2w3e4r5t6y", "1q2w3e4r", "1qaz2wsx3edc",
	"abcdefghijklmnopqrstuvwxyz", "abcdef", "abc", "letmein", "welcome", "willkommen", "admin", "administrator", "iloveyou", "monkey", "dragon", "football", "baseball", "sunshine", "princess", "trustno", "master", "hello",
	"login", "secret", "geheim", "changeme", "default", "clinic", "hospital", "klinik", "doctor", "patient", "spring", "summer", "autumn", "winter", "fruehling", "sommer", "herbst"}

func guessed(low string) bool {
	rest := low
	for _, w := range triedFirst {
		rest = strings.ReplaceAll(rest, w, "")
	}
	letters := map[rune]bool{}
	for _, r := range rest {
		if r < '0' || r > '9' && r < 'a' || r > 'z' && r < 128 {
			continue // digits and signs
		}
		if r > '9' {
			letters[r] = true
		}
	}
	all := map[rune]bool{}
	for _, r := range low {
		all[r] = true
	}
	return len(all) < 5 || repeats(low) || len(letters) < 3
}

// repeats reports whether a text is one piece several times over.
func repeats(text string) bool {
	for n := 1; n <= len(text)/2; n++ {
		if len(text)%n == 0 && strings.Repeat(text[:n], len(text)/n) == text {
			return true
		}
	}
	return false
}

func random(n int) []byte {
	b := make([]byte, n)
	rand.Read(b) //nolint:errcheck // it never fails
	return b
}

// Token is a new secret of 256 bits, as a browser keeps it.
func Token() string { return hex.EncodeToString(random(32)) }

// HashOf is what is kept of a token or a code that has enough chance in it.
func HashOf(token string) string {
	sum := sha256.Sum256([]byte(token))
	return hex.EncodeToString(sum[:])
}

// codeLetters leave out what is easily mistaken.
const codeLetters = "23456789ABCDEFGHJKMNPQRSTVWXYZ"

// Code is a new secret that a person can type: 5 letters, groups times, with dashes; 24.5 bits a group.
func Code(groups int) string {
	var b strings.Builder
	for i := range groups * 5 {
		if i > 0 && i%5 == 0 {
			b.WriteByte('-')
		}
		for {
			if r := random(1)[0]; int(r) < 256-256%len(codeLetters) {
				b.WriteByte(codeLetters[int(r)%len(codeLetters)])
				break
			}
		}
	}
	return b.String()
}

// Typed is a code as it is compared: without spaces and dashes, in large letters.
func Typed(code string) string {
	return strings.ToUpper(strings.NewReplacer("-", "", " ", "", "\u2013", "").Replace(code))
}

// NewTOTP is a new secret for one-time codes: 160 bits in base 32.
func NewTOTP() string { return base32.StdEncoding.EncodeToString(random(20)) }

// totpStep and totpDigits are what every authenticator assumes (RFC 6238).
const totpStep, totpDigits = 30, 6

// TOTPAddress is what an authenticator reads from a picture.
func TOTPAddress(issuer, login, secret string) string {
	q := url.Values{"secret": {secret}, "issuer": {issuer}, "algorithm": {"SHA1"}, "digits": {"6"}, "period": {"30"}}
	return (&url.URL{Scheme: "otpauth", Host: "totp", Path: "/" + issuer + ":" + login, RawQuery: q.Encode()}).String()
}

// hotp is the code of a counter (RFC 4226).
func hotp(key []byte, counter uint64, digits int) string {
	mac := hmac.New(sha1.New, key)
	var c [8]byte
	binary.BigEndian.PutUint64(c[:], counter)
	mac.Write(c[:])
	sum := mac.Sum(nil)
	at := sum[len(sum)-1] & 15
	v := uint64(binary.BigEndian.Uint32(sum[at:]) & 0x7fffffff)
	mod := uint64(1)
	for range digits {
		mod *= 10
	}
	return fmt.Sprintf("%0*d", digits, v%mod)
}

// TOTPMatches finds the step of a code, one before and one after the present counted too, later than the last one that was
// used. 0 is none.
func TOTPMatches(secret, code string, now time.Time, last int64) int64 {
	key, err := base32.StdEncoding.DecodeString(secret)
	code = Typed(code)
	if err != nil || len(key) == 0 || len(code) != totpDigits {
		return 0
	}
	present, found := now.Unix()/totpStep, int64(0)
	for step := present - 1; step <= present+1; step++ {
		if subtle.ConstantTimeCompare([]byte(hotp(key, uint64(step), totpDigits)), []byte(code)) == 1 && step > last {
			found = step
		}
	}
	return found
}

// TOTPNow is the code of a moment.
func TOTPNow(secret string, now time.Time) string {
	key, err := base32.StdEncoding.DecodeString(secret)
	if err != nil {
		return ""
	}
	return hotp(key, uint64(now.Unix()/totpStep), totpDigits)
}

// Wait is how long after a failure the next try is looked at: three are free, then it doubles up to a limit, so that
// guessing takes for ever and nobody is locked out.
func Wait(failures int, most time.Duration) time.Duration {
	if failures < 3 {
		return 0
	}
	return min(time.Second<<min(failures-3, 20), most)
}
