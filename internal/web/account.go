package web

import (
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"rsc.io/qr"

	"gradus/internal/access"
	"gradus/internal/record"
)

const recoveryCodes = 10

type accountBody struct {
	Owner    bool
	Account  record.Account
	Roles    string
	Site     string
	Sessions []sessionLine
	Passkeys []record.Passkey
	Codes    int // recovery codes that are left
	Fresh    bool
	Fault    string
	Done     string
	Least    int
	Started  bool
}

type sessionLine struct {
	Hash, Source, Agent, Since, Seen string
	Here, Locked                     bool
}

// account is a person's own page: password, second factor, passkeys, sessions.
func (s *Server) account(w http.ResponseWriter, r *http.Request) error {
	return s.showAccount(w, r, http.StatusOK, "")
}

func (s *Server) showAccount(w http.ResponseWriter, r *http.Request, status int, faultText string) error {
	v := visitorOf(r)
	if v.entry == freely {
		return record.ErrNotFound
	}
	b := accountBody{Owner: v.who.Account == 0, Fresh: s.proved(v), Fault: faultText, Least: access.ShortestPassword, Started: r.URL.Query().Has("started")}
	if done := r.URL.Query().Get("done"); slices.Contains([]string{"password", "codes", "off", "passkey", "removed", "ended"}, done) {
		b.Done = say("account.done." + done)
	}
	sessions, err := s.raw.Sessions(r.Context(), v.who.Account)
	if err != nil {
		return err
	}
	for _, n := range sessions {
		b.Sessions = append(b.Sessions, sessionLine{Hash: n.Hash[:16], Source: n.Source, Agent: n.Agent, Since: moment(n.Created), Seen: moment(n.Seen), Here: n.Hash == v.session.Hash, Locked: !n.Locked.IsZero()})
	}
	if !b.Owner {
		if b.Account, err = s.store.Account(r.Context(), v.who.Account); err != nil {
			return err
		}
		if b.Passkeys, err = s.store.Passkeys(r.Context(), b.Account.ID); err != nil {
			return err
		}
		if b.Codes, err = s.store.RecoveryCodesLeft(r.Context(), b.Account.ID); err != nil {
			return err
		}
		b.Roles = roleText(b.Account.Roles)
		if b.Site, err = s.siteName(r, b.Account.Site); err != nil {
			return err
		}
	}
	return s.show(w, status, frame{Page: "account", Title: say("account.title"), Purpose: say("account.purpose"), Section: "account", Token: s.token(w, r), Script: "passkey.js", Body: b})
}

func moment(t time.Time) string { return day(t.Local()) + ", " + t.Local().Format("15:04") }

func roleText(roles []string) string {
	words := make([]string, len(roles))
	for i, r := range roles {
		words[i] = say("role." + r)
	}
	return strings.Join(words, ", ")
}

func (s *Server) siteName(r *http.Request, id int64) (string, error) {
	sites, err := s.raw.Sites(r.Context())
	for _, site := range sites {
		if site.ID == id {
			return or(site.Name, say("site.nameless", id)), err
		}
	}
	return fmt.Sprint(id), err
}

// ownAccount is the account of whoever acts.
func (s *Server) ownAccount(r *http.Request) (record.Account, error) {
	id := visitorOf(r).who.Account
	if id == 0 {
		return record.Account{}, record.ErrNotFound
	}
	return s.store.Account(r.Context(), id)
}

// changed goes back to the own page; other sessions end when the way in has changed.
func (s *Server) accountDone(w http.ResponseWriter, r *http.Request, done string) error {
	v := visitorOf(r)
	if err := s.raw.EndSessions(r.Context(), v.who.Account, "", v.session.Hash); err != nil {
		return err
	}
	if _, err := s.renew(w, r, v.session); err != nil {
		return err
	}
	http.Redirect(w, r, "/account?done="+done, http.StatusSeeOther)
	return nil
}

// newPassword takes another password; the present one is asked for once more.
func (s *Server) newPassword(w http.ResponseWriter, r *http.Request) error {
	a, err := s.ownAccount(r)
	if err != nil {
		return err
	}
	if !s.signed(r) {
		return s.showAccount(w, r, http.StatusUnprocessableEntity, say("form.unsigned"))
	}
	if _, err := s.passwordOf(r, byAccounts, a.Login, r.PostForm.Get("present")); err != nil {
		status, text, other := s.wrongText(w, err)
		if other != nil {
			return other
		}
		return s.showAccount(w, r, status, text)
	}
	password := r.PostForm.Get("password")
	var weak *access.WeakError
	switch err := access.CheckPassword(password, a.Login); {
	case errors.As(err, &weak):
		return s.showAccount(w, r, http.StatusUnprocessableEntity, weak.Why)
	case password != r.PostForm.Get("password2"):
		return s.showAccount(w, r, http.StatusUnprocessableEntity, say("start.differ"))
	}
	if err := s.setPassword(r.Context(), s.store, a.ID, password); err != nil {
		return err
	}
	if err := s.succeeded(r, a.Login); err != nil {
		return err
	}
	return s.accountDone(w, r, "password")
}

type codesBody struct {
	Secret, Spaced string
	Size           int
	Path           string // of the picture
	Proof          string // signed: the secret is of this server and this account
	Fault          string
	Codes          []string // recovery codes, shown once
	Name, Login    string
}

// codes shows a new secret for one-time codes.
func (s *Server) codes(w http.ResponseWriter, r *http.Request) error {
	a, err := s.ownAccount(r)
	if err != nil {
		return err
	}
	return s.showCodes(w, r, http.StatusOK, a, access.NewTOTP(), "")
}

func (s *Server) codesProof(a record.Account, secret string) string {
	return s.sign(fmt.Sprintf("totp %d %s", a.ID, secret))
}

func (s *Server) showCodes(w http.ResponseWriter, r *http.Request, status int, a record.Account, secret, fault string) error {
	b := codesBody{Secret: secret, Proof: s.codesProof(a, secret), Fault: fault}
	for i := 0; i < len(secret); i += 4 {
		b.Spaced += secret[i:min(i+4, len(secret))] + " "
	}
	code, err := qr.Encode(access.TOTPAddress("Gradus", a.Login, secret), qr.M)
	if err != nil {
		return err
	}
	var path strings.Builder
	for y := range code.Size {
		for x := range code.Size {
			if code.Black(x, y) {
				fmt.Fprintf(&path, "M%d %dh1v1h-1z", x+4, y+4)
			}
		}
	}
	b.Size, b.Path = code.Size+8, path.String()
	return s.show(w, status, frame{Page: "codes", Title: say("codes.title"), Purpose: say("codes.purpose"), Section: "account", Token: s.token(w, r), Body: b})
}

// tookCodes keeps the secret once a code of it has come back, and shows recovery codes.
func (s *Server) tookCodes(w http.ResponseWriter, r *http.Request) error {
	a, err := s.ownAccount(r)
	if err != nil {
		return err
	}
	secret := r.PostForm.Get("secret")
	if !s.signed(r) || !sameText(s.codesProof(a, secret), r.PostForm.Get("proof")) {
		return s.showCodes(w, r, http.StatusUnprocessableEntity, a, access.NewTOTP(), say("form.unsigned"))
	}
	step := access.TOTPMatches(secret, r.PostForm.Get("code"), s.now(), 0)
	if step == 0 {
		return s.showCodes(w, r, http.StatusUnprocessableEntity, a, secret, say("codes.wrong"))
	}
	if _, err := s.store.ChangeAccount(r.Context(), a.ID, func(a *record.Account) error { a.TOTP, a.TOTPStep = secret, step; return nil }); err != nil {
		return err
	}
	return s.recovery(w, r)
}

// recovery makes recovery codes and shows them this once.
func (s *Server) recovery(w http.ResponseWriter, r *http.Request) error {
	a, err := s.ownAccount(r)
	if err != nil {
		return err
	}
	if !s.signed(r) {
		return s.showAccount(w, r, http.StatusUnprocessableEntity, say("form.unsigned"))
	}
	b := codesBody{Name: a.Name, Login: a.Login}
	var hashes []string
	for range recoveryCodes {
		code := access.Code(3)
		b.Codes, hashes = append(b.Codes, code), append(hashes, access.HashOf(access.Typed(code)))
	}
	if err := s.store.SetRecoveryCodes(r.Context(), a.ID, hashes); err != nil {
		return err
	}
	return s.show(w, http.StatusOK, frame{Page: "recovery-codes", Title: say("recovery.title"), Purpose: say("recovery.purpose"), Section: "account", Token: s.token(w, r), Script: "papers.js", Body: b})
}

// codesOff does without one-time codes.
func (s *Server) codesOff(w http.ResponseWriter, r *http.Request) error {
	a, err := s.ownAccount(r)
	if err != nil {
		return err
	}
	if !s.signed(r) {
		return s.showAccount(w, r, http.StatusUnprocessableEntity, say("form.unsigned"))
	}
	if _, err := s.store.ChangeAccount(r.Context(), a.ID, func(a *record.Account) error { a.TOTP, a.TOTPStep = "", 0; return nil }); err != nil {
		return err
	}
	if err := s.store.SetRecoveryCodes(r.Context(), a.ID, nil); err != nil {
		return err
	}
	return s.accountDone(w, r, "off")
}

// endSession ends one of the own sessions, or all others.
func (s *Server) endSession(w http.ResponseWriter, r *http.Request) error {
	v := visitorOf(r)
	if !s.signed(r) || v.entry == freely {
		return s.showAccount(w, r, http.StatusUnprocessableEntity, say("form.unsigned"))
	}
	which := r.PostForm.Get("session")
	if which == "" {
		if err := s.raw.EndSessions(r.Context(), v.who.Account, "", v.session.Hash); err != nil {
			return err
		}
	}
	sessions, err := s.raw.Sessions(r.Context(), v.who.Account)
	if err != nil {
		return err
	}
	for _, n := range sessions {
		if which != "" && n.Hash[:16] == which {
			if err := s.raw.EndSessions(r.Context(), v.who.Account, n.Hash, ""); err != nil {
				return err
			}
		}
	}
	http.Redirect(w, r, "/account?done=ended", http.StatusSeeOther)
	return nil
}
