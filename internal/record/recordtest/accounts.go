package recordtest

import (
	"errors"
	"testing"
	"time"

	"gradus/internal/record"
)

func account(login string) record.Account {
	return record.Account{Login: login, Name: "Kim " + login, Roles: []string{"clinician"}, Site: record.FirstSite, Handle: "h-" + login, CreatedBy: "test"}
}

// A code is unique in its site alone, and lists can be held to one site.
func sites(t *testing.T, b *bench) {
	first := must(b.Sites(ctx))(t)
	if len(first) != 1 || first[0].ID != record.FirstSite {
		t.Fatalf("a new record has the sites %+v", first)
	}
	north := must(b.AddSite(ctx, record.Site{Name: " North ", KeepYears: 10}))(t)
	equal(t, "name", north.Name, "North")
	north.KeepYears = 0
	if err := b.ChangeSite(ctx, north); err != nil {
		t.Fatal(err)
	}
	equal(t, "sites", must(b.Sites(ctx))(t)[1], north)
	missing(t, "change of an unknown site", b.ChangeSite(ctx, record.Site{ID: 77, Name: "x"}))
	for what, s := range map[string]record.Site{"no name": {}, "years": {Name: "x", KeepYears: -1}} {
		_, err := b.AddSite(ctx, s)
		refused[*record.InvalidError](t, what, err)
	}

	here := b.person(t, "A-1")
	there := must(b.AddParticipant(ctx, record.Participant{Code: "a-1", Site: north.ID, BirthDate: "1950-01-02"}))(t)
	equal(t, "sites of the two", []int64{here.Site, there.Site}, []int64{record.FirstSite, north.ID})
	equal(t, "by code there", must(b.ParticipantAt(ctx, north.ID, "A-1"))(t), there)
	equal(t, "by code here", must(b.ParticipantAt(ctx, record.FirstSite, "A-1"))(t), here)
	_, err := b.ParticipantAt(ctx, 77, "A-1")
	missing(t, "a person of an unknown site", err)
	_, err = b.AddParticipant(ctx, record.Participant{Code: "A-1", Site: north.ID})
	equal(t, "the same code there", *refused[*record.CodeTakenError](t, "code", err), record.CodeTakenError{Code: "A-1", By: there.ID})
	_, err = b.AddParticipant(ctx, record.Participant{Code: "B", Site: 77})
	missing(t, "a person at an unknown site", err)
	moved := there
	moved.Site, moved.Note = record.FirstSite, "the site of a person does not change"
	if err := b.UpdateParticipant(ctx, moved); err != nil {
		t.Fatal(err)
	}
	equal(t, "site after a change", must(b.Participant(ctx, there.ID))(t).Site, north.ID)
	_, err = b.Merge(ctx, here.ID, there.ID, "KL", "x")
	refused[*record.InvalidError](t, "merge across sites", err)

	for _, id := range []int64{here.ID, there.ID} {
		must(b.VisitOn(ctx, id, "2026-03-02"))(t)
	}
	b.closed(t, "here", here.ID, 0)
	b.closed(t, "there", there.ID, 0)
	b.test(t, "nobody")
	equal(t, "people", must(b.Participants(ctx, record.ParticipantFilter{Site: north.ID}))(t).Total, 1)
	equal(t, "visits", len(must(b.Visits(ctx, record.VisitFilter{Site: north.ID}))(t)), 1)
	equal(t, "tests there", testIDs(t, b, record.TestFilter{Site: north.ID}), []string{"there"})
	equal(t, "tests here", len(testIDs(t, b, record.TestFilter{Site: record.FirstSite})), 2)
	equal(t, "site of a test", must(b.Test(ctx, "there"))(t).Site, north.ID)
}

func accounts(t *testing.T, b *bench) {
	equal(t, "any", must(b.AnyAccount(ctx))(t), false)
	a := account(" Kim.1 ")
	a.Handle = "h-1"
	a = must(b.AddAccount(ctx, a))(t)
	equal(t, "login", a.Login, "kim.1")
	equal(t, "any", must(b.AnyAccount(ctx))(t), true)
	equal(t, "read back", must(b.Account(ctx, a.ID))(t), a)
	equal(t, "by login", must(b.AccountByLogin(ctx, "KIM.1"))(t), a)
	equal(t, "by handle", must(b.AccountByHandle(ctx, "h-1"))(t), a)
	_, err := b.AddAccount(ctx, account("kim.1"))
	refused[*record.LoginTakenError](t, "the same login", err)
	other := must(b.AddAccount(ctx, account("a")))(t)
	equal(t, "list", must(b.ListAccounts(ctx))(t), []record.Account{other, a})

	now := time.Now().UTC().Truncate(time.Millisecond)
	changed := must(b.ChangeAccount(ctx, a.ID, func(a *record.Account) error {
		a.Name, a.Roles, a.Password, a.TOTP, a.TOTPStep, a.Disabled, a.Login, a.Handle = "Kim", []string{"student", "researcher"}, "$x", "ABC", 7, now, "other", "other"
		return nil
	}))(t)
	equal(t, "what does not change", changed.Login+changed.Handle, "kim.1h-1")
	equal(t, "after the change", must(b.Account(ctx, a.ID))(t), changed)
	wrong := errors.New("wrong")
	if _, err := b.ChangeAccount(ctx, a.ID, func(a *record.Account) error { a.Name = "x"; return wrong }); !errors.Is(err, wrong) {
		t.Errorf("the error of a change: %v", err)
	}
	equal(t, "after a refused change", must(b.Account(ctx, a.ID))(t), changed)
	if _, err := b.ChangeAccount(ctx, other.ID, func(a *record.Account) error { a.Disabled = now; return nil }); err != nil {
		t.Fatal(err)
	}
	equal(t, "any, with all disabled", must(b.AnyAccount(ctx))(t), true)
	_, err = b.Account(ctx, 77)
	missing(t, "an unknown account", err)
	_, err = b.AccountByLogin(ctx, "nobody")
	missing(t, "an unknown login", err)
	_, err = b.ChangeAccount(ctx, 77, func(*record.Account) error { return nil })
	missing(t, "change of an unknown account", err)
	for what, change := range map[string]func(*record.Account){
		"no login":  func(a *record.Account) { a.Login = "" },
		"a space":   func(a *record.Account) { a.Login = "a b" },
		"no name":   func(a *record.Account) { a.Name = "" },
		"no role":   func(a *record.Account) { a.Roles = nil },
		"no handle": func(a *record.Account) { a.Handle = "" },
	} {
		bad := account("new")
		change(&bad)
		_, err := b.AddAccount(ctx, bad)
		refused[*record.InvalidError](t, what, err)
	}
	bad := account("new")
	bad.Site = 77
	_, err = b.AddAccount(ctx, bad)
	missing(t, "an unknown site", err)
}

func credentials(t *testing.T, b *bench) {
	a := must(b.AddAccount(ctx, account("kim")))(t)
	other := must(b.AddAccount(ctx, account("lee")))(t)
	ok := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	ok(b.AddPasskey(ctx, record.Passkey{ID: "k1", Account: a.ID, Name: "Key", JSON: "{}"}))
	list := must(b.Passkeys(ctx, a.ID))(t)
	if len(list) != 1 || list[0].Created.IsZero() || !list[0].Used.IsZero() {
		t.Fatalf("passkeys %+v", list)
	}
	list[0].JSON = `{"n":1}`
	ok(b.UsedPasskey(ctx, list[0]))
	if p := must(b.Passkeys(ctx, a.ID))(t)[0]; p.Used.IsZero() || p.JSON != `{"n":1}` {
		t.Errorf("a used passkey: %+v", p)
	}
	missing(t, "removing somebody else's passkey", b.RemovePasskey(ctx, other.ID, "k1"))
	ok(b.RemovePasskey(ctx, a.ID, "k1"))
	equal(t, "passkeys left", len(must(b.Passkeys(ctx, a.ID))(t)), 0)

	ok(b.SetRecoveryCodes(ctx, a.ID, []string{"c1", "c2"}))
	missing(t, "somebody else's code", b.UseRecoveryCode(ctx, other.ID, "c1"))
	ok(b.UseRecoveryCode(ctx, a.ID, "c1"))
	missing(t, "a code twice", b.UseRecoveryCode(ctx, a.ID, "c1"))
	equal(t, "codes left", must(b.RecoveryCodesLeft(ctx, a.ID))(t), 1)
	ok(b.SetRecoveryCodes(ctx, a.ID, []string{"c3"}))
	missing(t, "a replaced code", b.UseRecoveryCode(ctx, a.ID, "c2"))

	soon, past := time.Now().Add(time.Hour), time.Now().Add(-time.Hour)
	ok(b.AddReset(ctx, record.Reset{Hash: "r1", Account: a.ID, By: "admin", Until: soon}))
	ok(b.AddReset(ctx, record.Reset{Hash: "r2", Account: a.ID, By: "admin", Until: soon}))
	_, err := b.UseReset(ctx, "r1")
	missing(t, "an earlier one-time code", err)
	equal(t, "whose", must(b.UseReset(ctx, "r2"))(t).Account, a.ID)
	_, err = b.UseReset(ctx, "r2")
	missing(t, "a one-time code twice", err)
	ok(b.AddReset(ctx, record.Reset{Hash: "r3", Account: a.ID, By: "admin", Until: past}))
	_, err = b.UseReset(ctx, "r3")
	missing(t, "a late one-time code", err)
}

func sessions(t *testing.T, b *bench) {
	a := must(b.AddAccount(ctx, account("kim")))(t)
	now := time.Now().UTC().Truncate(time.Millisecond)
	at := func(hash string, account int64, until time.Duration) record.Session {
		s := record.Session{Hash: hash, Account: account, Created: now, Seen: now, Proved: now, Until: now.Add(until), Source: "::1", Agent: "browser"}
		if err := b.AddSession(ctx, s); err != nil {
			t.Fatal(err)
		}
		return s
	}
	one, two, owner := at("1", a.ID, time.Hour), at("2", a.ID, time.Hour), at("3", 0, time.Hour)
	at("4", a.ID, -time.Second)
	equal(t, "read back", must(b.Session(ctx, "1"))(t), one)
	equal(t, "the owner's", must(b.Sessions(ctx, 0))(t), []record.Session{owner})
	equal(t, "the account's", must(b.Sessions(ctx, a.ID))(t), []record.Session{one, two})
	_, err := b.Session(ctx, "4")
	missing(t, "a session past its end", err)
	n, of, err := b.Signed(ctx, "1")
	if err != nil {
		t.Fatal(err)
	}
	equal(t, "signed in", n, one)
	equal(t, "signed in, the account", of, must(b.Account(ctx, a.ID))(t))
	for _, hash := range []string{"3", "4", "5"} {
		_, _, err := b.Signed(ctx, hash)
		missing(t, "an account for session "+hash, err)
	}
	if err := b.Awake(ctx, map[string]time.Time{"1": now.Add(-time.Minute), "2": now.Add(time.Minute), "5": now}); err != nil {
		t.Fatal(err)
	}
	equal(t, "seen earlier", must(b.Session(ctx, "1"))(t).Seen, one.Seen)
	equal(t, "seen later", must(b.Session(ctx, "2"))(t).Seen, now.Add(time.Minute))
	if err := b.ChangeSession(ctx, "1", func(s *record.Session) error {
		s.Hash, s.Locked, s.Seen, s.Proved = "1b", now, now.Add(time.Second), now.Add(2*time.Second)
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	_, err = b.Session(ctx, "1")
	missing(t, "a token that was replaced", err)
	if s := must(b.Session(ctx, "1b"))(t); s.Locked.IsZero() || s.Seen.Equal(now) || s.Proved.Equal(s.Seen) {
		t.Errorf("changed session %+v", s)
	}
	if err := b.Awake(ctx, map[string]time.Time{"1b": now.Add(time.Hour)}); err != nil {
		t.Fatal(err)
	}
	equal(t, "a locked session seen", must(b.Session(ctx, "1b"))(t).Seen, now.Add(time.Second))
	if err := b.EndSessions(ctx, a.ID, "", "2"); err != nil {
		t.Fatal(err)
	}
	_, err = b.Session(ctx, "1b")
	missing(t, "an ended session", err)
	missing(t, "change of an ended session", b.ChangeSession(ctx, "1b", func(*record.Session) error { return nil }))
	must(b.ChangeAccount(ctx, a.ID, func(a *record.Account) error { a.Disabled = now; return nil }))(t)
	_, err = b.Session(ctx, "2")
	missing(t, "a session of a disabled account", err)
	if err := b.EndSessions(ctx, 0, "3", ""); err != nil {
		t.Fatal(err)
	}
	_, err = b.Session(ctx, "3")
	missing(t, "the owner's ended session", err)
}

func attempts(t *testing.T, b *bench) {
	equal(t, "none", must(b.AttemptsAt(ctx, "x"))(t), record.Attempts{})
	must(b.Failed(ctx, "x"))(t)
	equal(t, "second", must(b.Failed(ctx, "x"))(t).Failures, 2)
	must(b.Failed(ctx, "y"))(t)
	if a := must(b.AttemptsAt(ctx, "x"))(t); a.Failures != 2 || time.Since(a.Last) > time.Minute {
		t.Errorf("attempts %+v", a)
	}
	if err := b.Succeeded(ctx, "x"); err != nil {
		t.Fatal(err)
	}
	equal(t, "after success", must(b.AttemptsAt(ctx, "x"))(t), record.Attempts{})
	equal(t, "another", must(b.AttemptsAt(ctx, "y"))(t).Failures, 1)
}
