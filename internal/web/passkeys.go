package web

import (
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"net"
	"net/http"
	"time"

	"github.com/go-webauthn/webauthn/protocol"
	"github.com/go-webauthn/webauthn/webauthn"

	"gradus/internal/access"
	"gradus/internal/record"
)

const (
	maxPasskeyBody = 64 << 10
	passkeyValid   = 5 * time.Minute
)

// holder is an account as the library sees it.
type holder struct {
	record.Account
	keys []record.Passkey
}

func (h holder) WebAuthnID() []byte {
	id, _ := hex.DecodeString(h.Handle)
	return id
}
func (h holder) WebAuthnName() string        { return h.Login }
func (h holder) WebAuthnDisplayName() string { return h.Name }

func (h holder) WebAuthnCredentials() (list []webauthn.Credential) {
	for _, k := range h.keys {
		var c webauthn.Credential
		if json.Unmarshal([]byte(k.JSON), &c) == nil {
			list = append(list, c)
		}
	}
	return list
}

// relying is this server under the name by which the browser came. A passkey belongs to a name: with a bare address there
// are none.
func (s *Server) relying(r *http.Request) (*webauthn.WebAuthn, error) {
	host := hostOf(r.Host)
	if net.ParseIP(host) != nil {
		return nil, &askError{http.StatusBadRequest, "passkey", say("passkey.address"), say("passkey.address.hint")}
	}
	scheme := "http://"
	if s.secureCookies() {
		scheme = "https://"
	}
	return webauthn.New(&webauthn.Config{RPID: host, RPDisplayName: "Gradus", RPOrigins: []string{scheme + r.Host},
		AuthenticatorSelection: protocol.AuthenticatorSelection{ResidentKey: protocol.ResidentKeyRequirementRequired, UserVerification: protocol.VerificationRequired}})
}

// kept is what the server has to know when the answer comes back. The browser carries it, signed, so that any server on the
// same record can take the answer.
type kept struct {
	Session webauthn.SessionData `json:"session"`
	For     string               `json:"for"` // sign-in, or the account that adds a passkey
	Until   time.Time            `json:"until"`
}

func (s *Server) seal(r *http.Request, session *webauthn.SessionData, what string) (string, error) {
	text, err := json.Marshal(kept{Session: *session, For: what, Until: s.now().Add(passkeyValid)})
	if err != nil {
		return "", err
	}
	word := base64.RawURLEncoding.EncodeToString(text)
	return word + "." + s.sign("passkey "+word+" "+s.browserOf(r)), nil
}

// unseal takes each question once: an answer that was sent before is refused, by whichever server.
func (s *Server) unseal(r *http.Request, sealed, what string) (webauthn.SessionData, error) {
	bad := &askError{http.StatusUnprocessableEntity, "passkey", say("passkey.again"), say("form.again")}
	word, mac, _ := cutLast(sealed, ".")
	if !sameText(s.sign("passkey "+word+" "+s.browserOf(r)), mac) {
		return webauthn.SessionData{}, bad
	}
	text, err := base64.RawURLEncoding.DecodeString(word)
	var k kept
	if err != nil || json.Unmarshal(text, &k) != nil || k.For != what || s.now().After(k.Until) {
		return webauthn.SessionData{}, bad
	}
	used, err := s.raw.Failed(r.Context(), access.HashOf("passkey "+k.Session.Challenge))
	if err != nil {
		return webauthn.SessionData{}, err
	}
	if used.Failures > 1 {
		return webauthn.SessionData{}, bad
	}
	return k.Session, nil
}

func cutLast(text, sep string) (before, after string, found bool) {
	for i := len(text) - 1; i >= 0; i-- {
		if text[i:i+1] == sep {
			return text[:i], text[i+1:], true
		}
	}
	return text, "", false
}

// passkeyAsk is a question to the browser, with what it has to bring back.
type passkeyAsk struct {
	Options any    `json:"options"`
	Kept    string `json:"kept"`
}

type passkeyAnswer struct {
	Token  string          `json:"token"`
	Kept   string          `json:"kept"`
	Name   string          `json:"name,omitempty"`
	To     string          `json:"to,omitempty"`
	Answer json.RawMessage `json:"answer"`
}

func (s *Server) readAnswer(r *http.Request) (passkeyAnswer, error) {
	var a passkeyAnswer
	if err := readJSON(r, maxPasskeyBody, &a); err != nil {
		return a, err
	}
	if !s.signedWith(r, a.Token) {
		return a, &askError{http.StatusForbidden, "form", say("form.unsigned"), say("form.again")}
	}
	return a, nil
}

// passkeyIn asks any passkey of this name. Nobody is named, so nobody can be found out.
func (s *Server) passkeyIn(r *http.Request) (any, error) {
	if err := readJSON(r, maxNothing, &struct{}{}); err != nil {
		return nil, err
	}
	rp, err := s.relying(r)
	if err != nil {
		return nil, err
	}
	options, session, err := rp.BeginDiscoverableLogin(webauthn.WithUserVerification(protocol.VerificationRequired))
	if err != nil {
		return nil, err
	}
	sealed, err := s.seal(r, session, "sign-in")
	return passkeyAsk{options, sealed}, err
}

// tookPasskey signs in with a passkey, or opens a locked session of the same account.
func (s *Server) tookPasskey(w http.ResponseWriter, r *http.Request) {
	to, err := s.byPasskey(w, r)
	if err != nil {
		s.note(r, err)
		writeFault(w, err)
		return
	}
	writeJSON(w, http.StatusOK, map[string]string{"to": to})
}

func (s *Server) byPasskey(w http.ResponseWriter, r *http.Request) (to string, err error) {
	wrong := &askError{http.StatusUnprocessableEntity, "passkey", say("passkey.wrong"), say("passkey.wrong.hint")}
	ask, err := s.readAnswer(r)
	if err != nil {
		return "", err
	}
	v := visitorOf(r)
	if v.entry != byAccounts {
		return "", wrong
	}
	if err := s.soon(r, ""); err != nil {
		return "", &askError{http.StatusTooManyRequests, "passkey", say("passkey.wait"), say("form.again")}
	}
	session, err := s.unseal(r, ask.Kept, "sign-in")
	if err != nil {
		return "", err
	}
	rp, err := s.relying(r)
	if err != nil {
		return "", err
	}
	parsed, err := protocol.ParseCredentialRequestResponseBytes(ask.Answer)
	if err != nil {
		return "", wrong
	}
	user, credential, err := rp.ValidatePasskeyLogin(func(_, handle []byte) (webauthn.User, error) {
		a, err := s.raw.AccountByHandle(r.Context(), hex.EncodeToString(handle))
		if err != nil {
			return nil, err
		}
		keys, err := s.raw.Passkeys(r.Context(), a.ID)
		return holder{a, keys}, err
	}, session, parsed)
	if err != nil || credential.Authenticator.CloneWarning {
		if err := s.failed(r, ""); err != nil {
			return "", err
		}
		return "", wrong
	}
	who := user.(holder)
	if !who.Disabled.IsZero() || v.in && v.who.Account != who.ID {
		return "", wrong
	}
	text, err := json.Marshal(credential)
	if err != nil {
		return "", err
	}
	if err := s.raw.UsedPasskey(r.Context(), record.Passkey{ID: base64.RawURLEncoding.EncodeToString(credential.ID), Account: who.ID, JSON: string(text)}); err != nil {
		return "", err
	}
	if err := s.succeeded(r, who.Login); err != nil {
		return "", err
	}
	if v.in {
		_, err = s.renew(w, r, v.session)
	} else {
		err = s.admit(w, r, who.ID)
	}
	return ourPath(ask.To), err
}

// passkeyNew asks for a new passkey of the own account.
func (s *Server) passkeyNew(r *http.Request) (any, error) {
	if err := readJSON(r, maxNothing, &struct{}{}); err != nil {
		return nil, err
	}
	who, rp, err := s.holderOf(r)
	if err != nil {
		return nil, err
	}
	var have []protocol.CredentialDescriptor
	for _, c := range who.WebAuthnCredentials() {
		have = append(have, c.Descriptor())
	}
	options, session, err := rp.BeginRegistration(who, webauthn.WithExclusions(have))
	if err != nil {
		return nil, err
	}
	sealed, err := s.seal(r, session, who.Handle)
	return passkeyAsk{options, sealed}, err
}

func (s *Server) holderOf(r *http.Request) (holder, *webauthn.WebAuthn, error) {
	a, err := s.ownAccount(r)
	if err != nil {
		return holder{}, nil, err
	}
	keys, err := s.store.Passkeys(r.Context(), a.ID)
	if err != nil {
		return holder{}, nil, err
	}
	rp, err := s.relying(r)
	return holder{a, keys}, rp, err
}

// keepPasskey keeps a new passkey of the own account.
func (s *Server) keepPasskey(r *http.Request) (any, error) {
	ask, err := s.readAnswer(r)
	if err != nil {
		return nil, err
	}
	who, rp, err := s.holderOf(r)
	if err != nil {
		return nil, err
	}
	session, err := s.unseal(r, ask.Kept, who.Handle)
	if err != nil {
		return nil, err
	}
	parsed, err := protocol.ParseCredentialCreationResponseBytes(ask.Answer)
	var credential *webauthn.Credential
	if err == nil {
		credential, err = rp.CreateCredential(who, session, parsed)
	}
	if err != nil {
		return nil, &askError{http.StatusUnprocessableEntity, "passkey", say("passkey.refused"), say("form.again")}
	}
	text, err := json.Marshal(credential)
	if err != nil {
		return nil, err
	}
	name := or(shorten(ask.Name, 80), say("passkey.nameless", len(who.keys)+1))
	err = s.store.AddPasskey(r.Context(), record.Passkey{ID: base64.RawURLEncoding.EncodeToString(credential.ID), Account: who.ID, Name: name, JSON: string(text)})
	return map[string]string{"to": "/account?done=passkey"}, err
}

// removePasskey forgets one of the own passkeys, unless it is the last way in.
func (s *Server) removePasskey(w http.ResponseWriter, r *http.Request) error {
	a, err := s.ownAccount(r)
	if err != nil {
		return err
	}
	if !s.signed(r) {
		return s.showAccount(w, r, http.StatusUnprocessableEntity, say("form.unsigned"))
	}
	keys, err := s.store.Passkeys(r.Context(), a.ID)
	if err != nil {
		return err
	}
	if a.Password == "" && len(keys) < 2 {
		return s.showAccount(w, r, http.StatusUnprocessableEntity, say("passkey.last"))
	}
	if err := s.store.RemovePasskey(r.Context(), a.ID, r.PostForm.Get("passkey")); err != nil && !errors.Is(err, record.ErrNotFound) {
		return err
	}
	return s.accountDone(w, r, "removed")
}
