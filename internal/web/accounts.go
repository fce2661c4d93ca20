package web

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"net/http"
	"slices"
	"strconv"

	"gradus/internal/access"
	"gradus/internal/record"
)

type accountsBody struct {
	Accounts []accountLine
	Sites    []record.Site
	Form     form
	SiteForm form
	First    bool // there is no account yet
	Changes  []string
}

type accountLine struct {
	ID                       int64
	Login, Name, Roles, Site string
	Disabled, NoWay          bool
	Second                   bool
}

// NewHandle is a new number under which passkeys know an account.
func NewHandle() string {
	b := make([]byte, 32)
	rand.Read(b) //nolint:errcheck // it never fails
	return hex.EncodeToString(b)
}

func (s *Server) siteChoice(r *http.Request, value string) (field, error) {
	sites, err := s.raw.Sites(r.Context())
	f := field{Name: "account_site", Kind: "choice", Value: value, Need: true}
	for _, site := range sites {
		f.Options = append(f.Options, option{strconv.FormatInt(site.ID, 10), or(site.Name, say("site.nameless", site.ID))})
	}
	return f, err
}

func (s *Server) accountForm(r *http.Request, a record.Account) (form, error) {
	roles := manyField("roles")
	for _, role := range access.Roles {
		roles.Options = append(roles.Options, option{string(role), say("role." + string(role))})
	}
	roles.Values = a.Roles
	site, err := s.siteChoice(r, strconv.FormatInt(a.Site, 10))
	login := textField("login", a.Login, 64)
	login.Need, login.Hidden = true, a.ID != 0
	return form{Fields: []field{login, {Name: "full_name", Kind: "text", Value: a.Name, Most: 200, Need: true}, roles, site}}, err
}

func siteRuleForm(site record.Site) form {
	return form{Fields: []field{{Name: "site_name", Kind: "text", Value: site.Name, Most: 200, Need: true}, {Name: "keep_years", Kind: "number", Value: strconv.Itoa(site.KeepYears), Most: 3}}}
}

// accounts lists who may sign in.
func (s *Server) accounts(w http.ResponseWriter, r *http.Request) error {
	f, err := s.accountForm(r, record.Account{Site: record.FirstSite})
	if err != nil {
		return err
	}
	return s.showAccounts(w, r, http.StatusOK, f, siteRuleForm(record.Site{}))
}

func (s *Server) showAccounts(w http.ResponseWriter, r *http.Request, status int, f, sf form) error {
	list, err := s.store.ListAccounts(r.Context())
	if err != nil {
		return err
	}
	b := accountsBody{Form: f, SiteForm: sf, First: len(list) == 0}
	if b.Sites, err = s.store.Sites(r.Context()); err != nil {
		return err
	}
	if b.First {
		b.Changes = []string{say("accounts.changes.in"), say("accounts.changes.passphrase"), say("accounts.changes.roles"), say("accounts.changes.trail"), say("accounts.changes.back")}
		if s.owner == nil {
			b.Changes = slices.Delete(b.Changes, 1, 2)
		}
	}
	for _, a := range list {
		keys, err := s.store.Passkeys(r.Context(), a.ID)
		if err != nil {
			return err
		}
		site, err := s.siteName(r, a.Site)
		if err != nil {
			return err
		}
		b.Accounts = append(b.Accounts, accountLine{ID: a.ID, Login: a.Login, Name: a.Name, Roles: roleText(a.Roles), Site: site, Disabled: !a.Disabled.IsZero(),
			NoWay: a.Password == "" && len(keys) == 0, Second: a.TOTP != "" || len(keys) > 0})
	}
	return s.show(w, status, frame{Page: "accounts", Title: say("accounts.title"), Purpose: say("accounts.purpose"), Section: "accounts", Token: s.token(w, r), Body: b})
}

// readAccount reads the form of an account.
func (s *Server) readAccount(r *http.Request, f *form, a *record.Account) {
	f.take(r)
	f.signed(s.signed(r))
	if !f.at("login").Hidden {
		a.Login = f.text("login")
	}
	a.Name, a.Roles = f.text("full_name"), f.at("roles").Values
	if a.Name == "" {
		f.fault("full_name", say("form.empty"))
	}
	if len(a.Roles) == 0 {
		f.fault("roles", say("accounts.norole"))
	}
	if slices.Contains(a.Roles, string(access.Student)) && (slices.Contains(a.Roles, string(access.Clinician)) || slices.Contains(a.Roles, string(access.SiteLead))) {
		f.fault("roles", say("accounts.both"))
	}
	a.Site, _ = strconv.ParseInt(f.text("account_site"), 10, 64)
}

type resetBody struct {
	Account     record.Account
	Code, Until string
	Address     string
}

// addAccount makes an account and shows the one-time code with which its person chooses a password.
func (s *Server) addAccount(w http.ResponseWriter, r *http.Request) error {
	f, err := s.accountForm(r, record.Account{Site: record.FirstSite})
	if err != nil {
		return err
	}
	a := record.Account{Handle: NewHandle()}
	s.readAccount(r, &f, &a)
	list, err := s.store.ListAccounts(r.Context())
	if err != nil {
		return err
	}
	if len(list) == 0 && !slices.Contains(a.Roles, string(access.Administrator)) && !f.bad() {
		f.fault("roles", say("accounts.firstadmin"))
	}
	if !f.bad() {
		var taken *record.LoginTakenError
		var invalid *record.InvalidError
		a, err = s.store.AddAccount(r.Context(), a)
		switch {
		case errors.As(err, &taken):
			f.fault("login", say("accounts.taken", taken.Login))
		case errors.As(err, &invalid):
			f.fault("login", invalid.Why)
		case err != nil:
			return err
		default:
			return s.showReset(w, r, a)
		}
	}
	return s.showAccounts(w, r, http.StatusUnprocessableEntity, f, siteRuleForm(record.Site{}))
}

// showReset makes a one-time code and shows it this once. Nobody but its person ever knows the password.
func (s *Server) showReset(w http.ResponseWriter, r *http.Request, a record.Account) error {
	code, until, err := NewReset(r.Context(), s.store, a.ID, visitorOf(r).who.Name, s.now())
	if err != nil {
		return err
	}
	scheme := "http"
	if s.secureCookies() {
		scheme = "https"
	}
	b := resetBody{Account: a, Code: code, Until: moment(until), Address: scheme + "://" + r.Host + "/start"}
	return s.show(w, http.StatusOK, frame{Page: "reset", Title: say("reset.title", a.Login), Purpose: say("reset.purpose"), Section: "accounts", Token: s.token(w, r), Body: b})
}

func (s *Server) accountAt(r *http.Request) (record.Account, error) {
	id, err := pathNumber(r, "account")
	if err != nil {
		return record.Account{}, err
	}
	return s.store.Account(r.Context(), id)
}

// accountAsked is the account that a request names, with its form.
func (s *Server) accountAsked(r *http.Request) (record.Account, form, error) {
	a, err := s.accountAt(r)
	if err != nil {
		return a, form{}, err
	}
	f, err := s.accountForm(r, a)
	return a, f, err
}

type oneAccountBody struct {
	Account  record.Account
	Form     form
	Disabled bool
	Own      bool
	Sessions int
}

func (s *Server) oneAccount(w http.ResponseWriter, r *http.Request) error {
	a, f, err := s.accountAsked(r)
	if err != nil {
		return err
	}
	return s.showOneAccount(w, r, http.StatusOK, a, f)
}

func (s *Server) showOneAccount(w http.ResponseWriter, r *http.Request, status int, a record.Account, f form) error {
	sessions, err := s.store.Sessions(r.Context(), a.ID)
	if err != nil {
		return err
	}
	b := oneAccountBody{Account: a, Form: f, Disabled: !a.Disabled.IsZero(), Own: a.ID == visitorOf(r).who.Account, Sessions: len(sessions)}
	return s.show(w, status, frame{Page: "one-account", Title: a.Name, Purpose: say("oneaccount.purpose"), Section: "accounts", Token: s.token(w, r), Body: b})
}

// changeAccount changes name, roles, site or standing. An administrator does not take the own right away.
func (s *Server) changeAccount(w http.ResponseWriter, r *http.Request) error {
	a, f, err := s.accountAsked(r)
	if err != nil {
		return err
	}
	own := a.ID == visitorOf(r).who.Account
	do := r.PostForm.Get("do")
	changed := a
	switch do {
	case "disable", "enable":
		f.signed(s.signed(r))
		if own {
			f.General = say("accounts.own")
		}
		if changed.Disabled = s.now(); do == "enable" {
			changed.Disabled = record.Account{}.Disabled
		}
	default:
		s.readAccount(r, &f, &changed)
		if own && !slices.Contains(changed.Roles, string(access.Administrator)) {
			f.fault("roles", say("accounts.own"))
		}
	}
	if f.bad() {
		return s.showOneAccount(w, r, http.StatusUnprocessableEntity, a, f)
	}
	if _, err := s.store.ChangeAccount(r.Context(), a.ID, func(now *record.Account) error {
		now.Name, now.Roles, now.Site, now.Disabled = changed.Name, changed.Roles, changed.Site, changed.Disabled
		return nil
	}); err != nil {
		return err
	}
	http.Redirect(w, r, "/accounts", http.StatusSeeOther)
	return nil
}

// resetAccount takes every way in from an account and gives it a one-time code.
func (s *Server) resetAccount(w http.ResponseWriter, r *http.Request) error {
	a, f, err := s.accountAsked(r)
	if err != nil {
		return err
	}
	if f.signed(s.signed(r)); f.bad() {
		return s.showOneAccount(w, r, http.StatusUnprocessableEntity, a, f)
	}
	if _, err := s.store.ChangeAccount(r.Context(), a.ID, func(a *record.Account) error { a.Password, a.TOTP, a.TOTPStep = "", "", 0; return nil }); err != nil {
		return err
	}
	if err := s.store.SetRecoveryCodes(r.Context(), a.ID, nil); err != nil {
		return err
	}
	keys, err := s.store.Passkeys(r.Context(), a.ID)
	if err != nil {
		return err
	}
	for _, k := range keys {
		if err := s.store.RemovePasskey(r.Context(), a.ID, k.ID); err != nil {
			return err
		}
	}
	if err := s.store.EndSessions(r.Context(), a.ID, "", visitorOf(r).session.Hash); err != nil {
		return err
	}
	return s.showReset(w, r, a)
}

func (s *Server) readSite(r *http.Request, site *record.Site) form {
	f := siteRuleForm(record.Site{})
	f.take(r)
	f.signed(s.signed(r))
	years, err := strconv.Atoi(or(f.text("keep_years"), "0"))
	if err != nil || years < 0 || years > 100 {
		f.fault("keep_years", say("sites.years"))
	}
	if site.Name, site.KeepYears = f.text("site_name"), years; site.Name == "" {
		f.fault("site_name", say("form.empty"))
	}
	return f
}

// addSite adds a place whose people are its own.
func (s *Server) addSite(w http.ResponseWriter, r *http.Request) error {
	var site record.Site
	sf := s.readSite(r, &site)
	if sf.bad() {
		f, err := s.accountForm(r, record.Account{Site: record.FirstSite})
		if err != nil {
			return err
		}
		return s.showAccounts(w, r, http.StatusUnprocessableEntity, f, sf)
	}
	if _, err := s.store.AddSite(r.Context(), site); err != nil {
		return err
	}
	http.Redirect(w, r, "/accounts#sites", http.StatusSeeOther)
	return nil
}

// changeSite changes name and rule of a site.
func (s *Server) changeSite(w http.ResponseWriter, r *http.Request) error {
	id, err := pathNumber(r, "site")
	if err != nil {
		return err
	}
	site := record.Site{ID: id}
	if sf := s.readSite(r, &site); sf.bad() {
		text := sf.General
		if text == "" {
			text = sf.Faults[0].Text
		}
		return &askError{http.StatusUnprocessableEntity, "site", text, say("form.again")}
	}
	if err := s.store.ChangeSite(r.Context(), site); err != nil {
		return err
	}
	to := "/settings?saved"
	if visitorOf(r).who.May(access.Accounts) {
		to = "/accounts#sites"
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
	return nil
}
