package access_test

import (
	"encoding/base32"
	"errors"
	"strings"
	"testing"
	"time"

	"gradus/internal/access"
)

// RFC 6238, appendix B, the rows of SHA-1: the key is the text below, the codes have eight digits.
func TestTOTPOfTheStandard(t *testing.T) {
	key := []byte("12345678901234567890")
	for _, c := range []struct {
		unix int64
		code string
	}{
		{59, "94287082"}, {1111111109, "07081804"}, {1111111111, "14050471"}, {1234567890, "89005924"}, {2000000000, "69279037"}, {20000000000, "65353130"},
	} {
		if got := access.Hotp(key, uint64(c.unix/30), 8); got != c.code {
			t.Errorf("at %d: %s, the standard says %s", c.unix, got, c.code)
		}
	}
}

func TestTOTPOnce(t *testing.T) {
	secret := base32.StdEncoding.EncodeToString([]byte("12345678901234567890"))
	now := time.Unix(1234567890, 0)
	code := access.TOTPNow(secret, now)
	step := access.TOTPMatches(secret, code[:3]+" "+code[3:], now, 0)
	if step == 0 {
		t.Fatal("the code of the moment is refused")
	}
	for what, got := range map[string]int64{
		"the same once more": access.TOTPMatches(secret, code, now, step),
		"two steps late":     access.TOTPMatches(secret, code, now.Add(time.Minute), 0),
		"a part":             access.TOTPMatches(secret, code[:5], now, 0),
		"nothing":            access.TOTPMatches(secret, "", now, 0),
		"no secret":          access.TOTPMatches("", code, now, 0),
	} {
		if got != 0 {
			t.Errorf("%s is taken", what)
		}
	}
	if access.TOTPMatches(secret, code, now.Add(30*time.Second), 0) != step {
		t.Error("a code that is one step late is refused")
	}
	if a := access.TOTPAddress("Gradus", "kim", secret); !strings.HasPrefix(a, "otpauth://totp/Gradus:kim?") || !strings.Contains(a, "secret="+secret) {
		t.Error(a)
	}
}

var cheap = access.Cost{MiB: 1, Passes: 1, Lanes: 1}

// The check value was computed beforehand, apart from this code, with golang.org/x/crypto/argon2.
func TestPasswordHash(t *testing.T) {
	const known = "$argon2id$v=19$m=19456,t=2,p=1$MDEyMzQ1Njc4OWFiY2RlZg$gy5SuVm5Z7Vw7keB9se9p87QGcomaseB/S2U1OhTsM0"
	if ok, _, err := cheap.Matches(bare, known, "correct horse battery staple"); err != nil || !ok {
		t.Errorf("the check value: %v, %v", ok, err)
	}
	hash, err := cheap.Hash(bare, "a fine long sentence")
	if err != nil || !strings.HasPrefix(hash, "$argon2id$v=19$m=1024,t=1,p=1$") {
		t.Fatal(hash, err)
	}
	ok, weak, err := cheap.Matches(bare, hash, "a fine long sentence")
	if !ok || weak || err != nil {
		t.Error(ok, weak, err)
	}
	if ok, _, _ := cheap.Matches(bare, hash, "a fine long sentencE"); ok {
		t.Error("a wrong password is taken")
	}
	if ok, _, _ := cheap.Matches(bare, "", ""); ok {
		t.Error("an account without a password is open")
	}
	if _, weak, _ := (access.Cost{MiB: 2, Passes: 1, Lanes: 1}).Matches(bare, hash, "a fine long sentence"); !weak {
		t.Error("a cheap hash is not made anew")
	}
	for _, bad := range []string{"x", "$argon2i$v=19$m=1024,t=1,p=1$AAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAA", "$argon2id$v=19$m=999999999,t=1,p=1$AAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAA", "$argon2id$v=19$m=1024,t=1,p=1$AA$AA"} {
		if ok, _, err := cheap.Matches(bare, bad, "x"); ok || err == nil {
			t.Errorf("%s: %v, %v", bad, ok, err)
		}
	}
	again, err := cheap.Hash(bare, "a fine long sentence")
	if err != nil || again == hash {
		t.Error("two hashes are alike: there is no salt")
	}
}

func TestCheckPassword(t *testing.T) {
	for password, ok := range map[string]bool{
		"short": false, "password1234": false, "Passwort2026!": false, "qwertzuiop123": false, "aaaaaaaaaaaaaa": false, "abababababababab": false, "123456789012345": false,
		"kim.lee loves tea": false, "gradus-gradus-1": false, "Summer2026!!!!": false, strings.Repeat("x1y2z3", 40): false, "\xff\xfe\xfd\xfc\xfb\xfa\xf9\xf8\xf7\xf6\xf5\xf4": false,
		"the pedals turn at dawn": true, "Vier Äpfel im Korb": true, "k4!Lz9-qR2#vT7": true, "correct horse battery staple": true,
		"自転車に乗ることは楽しいことです": true,
	} {
		err := access.CheckPassword(password, "kim.lee")
		if (err == nil) != ok {
			t.Errorf("%q: %v", password, err)
		}
		if weak := new(access.WeakError); err != nil && !errors.As(err, &weak) {
			t.Errorf("%q: %T", password, err)
		}
	}
}

func TestCodesAndWaits(t *testing.T) {
	if a, b := access.Token(), access.Token(); len(a) != 64 || a == b || access.HashOf(a) == access.HashOf(b) {
		t.Error(a, b)
	}
	code := access.Code(4)
	if len(code) != 23 || strings.Count(code, "-") != 3 || access.Typed(" "+strings.ToLower(code)) != strings.ReplaceAll(code, "-", "") {
		t.Error(code)
	}
	for failures, want := range map[int]time.Duration{0: 0, 2: 0, 3: time.Second, 6: 8 * time.Second, 60: time.Minute, 1 << 40: time.Minute} {
		if got := access.Wait(failures, time.Minute); got != want {
			t.Errorf("after %d failures: %v", failures, got)
		}
	}
}

// FuzzPasswordHash: no text in the place of a kept password brings a sign-in down, or costs it more than is allowed.
func FuzzPasswordHash(f *testing.F) {
	f.Add("$argon2id$v=19$m=65536,t=3,p=4$MDEyMzQ1Njc4OWFiY2RlZg$gy5SuVm5Z7V6pO5GgeVx8g")
	f.Add("$argon2id$v=19$m=4294967295,t=0,p=0$$")
	f.Fuzz(func(t *testing.T, text string) {
		c, salt, sum, err := access.ParsePHC(text)
		if err == nil && (c.MiB < 1 || c.MiB > 4<<10 || c.Passes < 1 || c.Passes > 100 || c.Lanes < 1 || len(salt) == 0 || len(sum) == 0) {
			t.Errorf("%q is taken as %+v, salt %d, sum %d bytes", text, c, len(salt), len(sum))
		}
	})
}
