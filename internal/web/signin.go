package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"gradus/internal/access"
	"gradus/internal/record"
)

// How long the next try may be delayed. The account as a whole waits least, so that nobody far away keeps a person out.
const (
	waitPair    = 10 * time.Minute // this account from this source
	waitSource  = 2 * time.Minute  // any account from this source
	waitAccount = 20 * time.Second // this account from anywhere
	codeValid   = 5 * time.Minute  // between password and one-time code
)

// signBody is the body of the pages before one is signed in.
type signBody struct {
	To      string
	Owner   bool // the passphrase of the record is asked for
	Login   string
	Fault   string
	Pending string // signed: the password was right, the code is still to come
	Shut    bool   // the session is locked
	Prove   bool   // signed in, but what comes needs a fresh proof
	Least   int
	Name    string
}

func (s *Server) showSign(w http.ResponseWriter, r *http.Request, status int, page string, b signBody) error {
	f := frame{Page: page, Title: say(page + ".title"), Purpose: say(page + ".purpose"), Token: s.token(w, r), Body: b, Script: "passkey.js"}
	return s.show(w, status, f)
}

// signIn is the page on which one signs in.
func (s *Server) signIn(w http.ResponseWriter, r *http.Request) error {
	v, to := visitorOf(r), ourPath(r.URL.Query().Get("to"))
	if v.in && !v.locked {
		http.Redirect(w, r, to, http.StatusSeeOther)
		return nil
	}
	return s.showSign(w, r, http.StatusOK, "sign-in", signBody{To: to, Owner: v.entry == byOwner})
}

// waitError says that a try came too soon.
type waitError struct{ left time.Duration }

func (e *waitError) Error() string { return "wait" }

// tries are what failures are counted under. They are hashes: the record keeps no list of names that were tried.
func tries(r *http.Request, login string) map[string]time.Duration {
	login = strings.ToLower(strings.TrimSpace(login))
	return map[string]time.Duration{
		access.HashOf("pair " + login + " " + sourceOf(r)): waitPair,
		access.HashOf("source " + sourceOf(r)):             waitSource,
		access.HashOf("account " + login):                  waitAccount,
	}
}

// soon refuses a try that comes before its time.
func (s *Server) soon(r *http.Request, login string) error {
	for what, most := range tries(r, login) {
		a, err := s.raw.AttemptsAt(r.Context(), what)
		if err != nil {
			return err
		}
		if left := access.Wait(a.Failures, most) - s.now().Sub(a.Last); a.Failures > 0 && left > 0 {
			return &waitError{min(left, most)}
		}
	}
	return nil
}

// failed counts a failure; succeeded forgets those of the account from this source and of the account.
func (s *Server) failed(r *http.Request, login string) error {
	s.SignedIn("refused")
	s.log.Warn("sign-in failed", "source", sourceOf(r))
	for what := range tries(r, login) {
		if _, err := s.raw.Failed(r.Context(), what); err != nil {
			return err
		}
	}
	return nil
}

func (s *Server) succeeded(r *http.Request, login string) error {
	for what, most := range tries(r, login) {
		if most == waitSource {
			continue // one right password does not excuse tries at other accounts
		}
		if err := s.raw.Succeeded(r.Context(), what); err != nil {
			return err
		}
	}
	return nil
}

// ownerLogin is what the owner's failures are counted under.
const ownerLogin = "\x00owner"

var errWrong = errors.New("wrong")

// passwordOf checks the password of a login, or the owner's passphrase. Unknown, disabled and without a password take as
// long and say the same.
func (s *Server) passwordOf(r *http.Request, how entry, login, password string) (record.Account, error) {
	if len(password) > 4*access.LongestPassword {
		password = ""
	}
	if how == byOwner {
		login = ownerLogin
	}
	if err := s.soon(r, login); err != nil {
		return record.Account{}, err
	}
	a, err := record.Account{}, error(nil)
	ok := false
	if how == byOwner {
		ok = s.owner.Verify(password) == nil
	} else {
		if a, err = s.raw.AccountByLogin(r.Context(), login); ignoreMissing(err) != nil {
			return a, err
		}
		hash := a.Password
		if !a.Disabled.IsZero() {
			hash = ""
		}
		weak := false
		if ok, weak, err = s.cost.Matches(r.Context(), hash, password); err != nil {
			return a, err
		}
		if ok && weak {
			if err := s.setPassword(r.Context(), s.raw, a.ID, password); err != nil {
				return a, err
			}
		}
	}
	if !ok {
		if err := s.failed(r, login); err != nil {
			return a, err
		}
		return record.Account{}, errWrong
	}
	return a, nil
}

func (s *Server) setPassword(ctx context.Context, store record.Store, account int64, password string) error {
	hash, err := s.cost.Hash(ctx, password)
	if err != nil {
		return err
	}
	_, err = store.ChangeAccount(ctx, account, func(a *record.Account) error { a.Password = hash; return nil })
	return err
}

// wrongText says why a try was not taken; the status is that of the answer.
func (s *Server) wrongText(w http.ResponseWriter, err error) (status int, text string, other error) {
	var wait *waitError
	switch {
	case errors.As(err, &wait):
		seconds := int(wait.left/time.Second) + 1
		w.Header().Set("Retry-After", strconv.Itoa(seconds))
		return http.StatusTooManyRequests, say("signin.wait", seconds), nil
	case errors.Is(err, errWrong):
		return http.StatusUnprocessableEntity, say("signin.wrong"), nil
	}
	return 0, "", err
}

// tookSignIn takes login and password.
func (s *Server) tookSignIn(w http.ResponseWriter, r *http.Request) error {
	v := visitorOf(r)
	b := signBody{To: ourPath(r.PostForm.Get("to")), Owner: v.entry == byOwner, Login: shorten(r.PostForm.Get("login"), 64)}
	if !s.signed(r) {
		b.Fault = say("form.unsigned")
		return s.showSign(w, r, http.StatusUnprocessableEntity, "sign-in", b)
	}
	if v.entry == freely {
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return nil
	}
	a, err := s.passwordOf(r, v.entry, b.Login, r.PostForm.Get("password"))
	if err != nil {
		status, text, other := s.wrongText(w, err)
		if other != nil {
			return other
		}
		b.Fault = text
		return s.showSign(w, r, status, "sign-in", b)
	}
	if a.TOTP != "" {
		b.Pending = s.pending(r, a.ID)
		return s.showSign(w, r, http.StatusOK, "code", b)
	}
	return s.welcome(w, r, a, b.To)
}

// welcome signs in and goes on.
func (s *Server) welcome(w http.ResponseWriter, r *http.Request, a record.Account, to string) error {
	login := a.Login
	if a.ID == 0 {
		login = ownerLogin
	}
	if err := s.succeeded(r, login); err != nil {
		return err
	}
	if err := s.admit(w, r, a.ID); err != nil {
		return err
	}
	s.SignedIn("good")
	s.log.Info("signed in", "account", a.ID, "source", sourceOf(r))
	http.Redirect(w, r, to, http.StatusSeeOther)
	return nil
}

// pending says, signed, that the password of an account was right a moment ago in this browser.
func (s *Server) pending(r *http.Request, account int64) string {
	what := fmt.Sprintf("%d.%d", account, s.now().Add(codeValid).Unix())
	return what + "." + s.sign("code "+what+" "+s.browserOf(r))
}

// pendingOf is the account of such a word, 0 when it is none or too late.
func (s *Server) pendingOf(r *http.Request, word string) int64 {
	var account, until int64
	parts := strings.Split(word, ".")
	if len(parts) != 3 {
		return 0
	}
	account, e1 := strconv.ParseInt(parts[0], 10, 64)
	until, e2 := strconv.ParseInt(parts[1], 10, 64)
	what := parts[0] + "." + parts[1]
	if e1 != nil || e2 != nil || !sameText(s.sign("code "+what+" "+s.browserOf(r)), parts[2]) || s.now().Unix() > until {
		return 0
	}
	return account
}

// tookCode takes a one-time code, or a recovery code in its place.
func (s *Server) tookCode(w http.ResponseWriter, r *http.Request) error {
	b := signBody{To: ourPath(r.PostForm.Get("to")), Pending: r.PostForm.Get("pending")}
	id := s.pendingOf(r, b.Pending)
	if !s.signed(r) || id == 0 {
		b.Fault, b.Pending = say("signin.again"), ""
		return s.showSign(w, r, http.StatusUnprocessableEntity, "sign-in", b)
	}
	a, err := s.codeOf(r, id, r.PostForm.Get("code"))
	if err != nil {
		status, text, other := s.wrongText(w, err)
		if other != nil {
			return other
		}
		if b.Fault = text; errors.Is(err, errWrong) {
			b.Fault = say("signin.wrongcode")
		}
		return s.showSign(w, r, status, "code", b)
	}
	return s.welcome(w, r, a, b.To)
}

// codeOf checks the code of an account, each only once.
func (s *Server) codeOf(r *http.Request, id int64, code string) (record.Account, error) {
	a, err := s.raw.Account(r.Context(), id)
	if err != nil || !a.Disabled.IsZero() {
		return a, errWrong
	}
	if err := s.soon(r, a.Login); err != nil {
		return a, err
	}
	code = access.Typed(code)
	switch {
	case len(code) == 6:
		_, err = s.raw.ChangeAccount(r.Context(), id, func(a *record.Account) error {
			step := access.TOTPMatches(a.TOTP, code, s.now(), a.TOTPStep)
			if step == 0 {
				return errWrong
			}
			a.TOTPStep = step
			return nil
		})
	default:
		if err = s.raw.UseRecoveryCode(r.Context(), id, access.HashOf(code)); errors.Is(err, record.ErrNotFound) {
			err = errWrong
		}
	}
	if errors.Is(err, errWrong) {
		if err := s.failed(r, a.Login); err != nil {
			return a, err
		}
	}
	return a, err
}

// start is the page for a one-time code that an administrator handed out.
func (s *Server) start(w http.ResponseWriter, r *http.Request) error {
	return s.showSign(w, r, http.StatusOK, "start", signBody{Least: access.ShortestPassword})
}

func (s *Server) tookStart(w http.ResponseWriter, r *http.Request) error {
	b := signBody{Login: shorten(r.PostForm.Get("login"), 64), Least: access.ShortestPassword}
	again := func(status int, text string) error {
		b.Fault = text
		return s.showSign(w, r, status, "start", b)
	}
	password := r.PostForm.Get("password")
	var weak *access.WeakError
	if !s.signed(r) {
		return again(http.StatusUnprocessableEntity, say("form.unsigned"))
	}
	switch err := access.CheckPassword(password, b.Login); {
	case errors.As(err, &weak):
		return again(http.StatusUnprocessableEntity, weak.Why)
	case password != r.PostForm.Get("password2"):
		return again(http.StatusUnprocessableEntity, say("start.differ"))
	}
	if err := s.soon(r, b.Login); err != nil {
		status, text, other := s.wrongText(w, err)
		if other != nil {
			return other
		}
		return again(status, text)
	}
	a, err := s.raw.AccountByLogin(r.Context(), b.Login)
	if ignoreMissing(err) != nil {
		return err
	}
	known := err == nil && a.Disabled.IsZero()
	if known {
		// The code is bound to its account: with another name it is not used up.
		_, err = s.raw.UseReset(r.Context(), resetHash(a.ID, r.PostForm.Get("code")))
		if ignoreMissing(err) != nil {
			return err
		}
	}
	if !known || err != nil {
		if err := s.failed(r, b.Login); err != nil {
			return err
		}
		return again(http.StatusUnprocessableEntity, say("start.wrong"))
	}
	if err := s.setPassword(r.Context(), s.raw, a.ID, password); err != nil {
		return err
	}
	if err := s.raw.EndSessions(r.Context(), a.ID, "", ""); err != nil {
		return err
	}
	if a.TOTP != "" {
		http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
		return nil
	}
	return s.welcome(w, r, a, "/account?started")
}

// resetHash is what is kept of a one-time code of an account.
func resetHash(account int64, code string) string {
	return access.HashOf(fmt.Sprintf("start %d %s", account, access.Typed(code)))
}

// NewReset makes a one-time code for a new password and returns it; the store keeps its hash.
func NewReset(ctx context.Context, store record.Store, account int64, by string, now time.Time) (code string, until time.Time, err error) {
	code, until = access.Code(4), now.Add(resetValid)
	return code, until, store.AddReset(ctx, record.Reset{Hash: resetHash(account, code), Account: account, By: by, Until: until})
}

// resetValid is how long a one-time code works: over a weekend.
const resetValid = 72 * time.Hour

// unlock asks whoever is signed in for another proof.
func (s *Server) unlock(w http.ResponseWriter, r *http.Request) error {
	v, to := visitorOf(r), ourPath(r.URL.Query().Get("to"))
	switch {
	case v.entry == freely:
		http.Redirect(w, r, to, http.StatusSeeOther)
		return nil
	case !v.in:
		return s.signIn(w, r)
	}
	return s.showSign(w, r, http.StatusOK, "lock", signBody{To: to, Owner: v.entry == byOwner, Shut: v.locked, Prove: !v.locked, Name: v.who.Name})
}

// tookUnlock opens a locked session, and renews the proof of an open one, with a new token.
func (s *Server) tookUnlock(w http.ResponseWriter, r *http.Request) error {
	v := visitorOf(r)
	b := signBody{To: ourPath(r.PostForm.Get("to")), Owner: v.entry == byOwner, Shut: v.locked, Prove: !v.locked, Name: v.who.Name}
	if !v.in || v.entry == freely {
		return s.showSign(w, r, http.StatusUnprocessableEntity, "sign-in", b)
	}
	if !s.signed(r) {
		b.Fault = say("form.unsigned")
		return s.showSign(w, r, http.StatusUnprocessableEntity, "lock", b)
	}
	login := ownerLogin
	if v.who.Account != 0 {
		a, err := s.raw.Account(r.Context(), v.who.Account)
		if err != nil {
			return err
		}
		login = a.Login
	}
	if _, err := s.passwordOf(r, v.entry, login, r.PostForm.Get("password")); err != nil {
		status, text, other := s.wrongText(w, err)
		if other != nil {
			return other
		}
		b.Fault = text
		return s.showSign(w, r, status, "lock", b)
	}
	if err := s.succeeded(r, login); err != nil {
		return err
	}
	if _, err := s.renew(w, r, v.session); err != nil {
		return err
	}
	http.Redirect(w, r, b.To, http.StatusSeeOther)
	return nil
}

// tookLock locks the session at once.
func (s *Server) tookLock(w http.ResponseWriter, r *http.Request) error {
	v := visitorOf(r)
	if v.in && v.entry != freely && s.signed(r) {
		if err := s.raw.ChangeSession(r.Context(), v.session.Hash, func(n *record.Session) error { n.Locked = s.now(); return nil }); ignoreMissing(err) != nil {
			return err
		}
	}
	http.Redirect(w, r, "/unlock", http.StatusSeeOther)
	return nil
}

// tookSignOut ends the session on the server.
func (s *Server) tookSignOut(w http.ResponseWriter, r *http.Request) error {
	v := visitorOf(r)
	if v.in && v.entry != freely && s.signed(r) {
		if err := s.raw.EndSessions(r.Context(), v.session.Account, v.session.Hash, ""); err != nil {
			return err
		}
		s.setSession(w, "")
	}
	http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
	return nil
}

// maxNothing is the size of a body in which nothing stands.
const maxNothing = 64

// awake is told by a page that somebody uses it; how long it may stay open is the answer.
func (s *Server) awake(r *http.Request) (any, error) {
	if err := readJSON(r, maxNothing, &struct{}{}); err != nil {
		return nil, err
	}
	return map[string]int64{"idle_ms": s.idle.Milliseconds()}, nil
}

func shorten(text string, most int) string {
	text = strings.ToValidUTF8(strings.TrimSpace(text), "")
	if r := []rune(text); len(r) > most {
		return string(r[:most])
	}
	return text
}
