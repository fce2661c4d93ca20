package access

import (
	"context"
	"time"

	"gradus/internal/record"
)

func (g *guarded) Countersign(ctx context.Context, c record.Countersign) (record.Countersign, error) {
	p, err := g.test(ctx, Sign, c.Test)
	if err != nil {
		return record.Countersign{}, err
	}
	c.Account, c.By = p.Account, p.Name
	return g.store.Countersign(ctx, c)
}

func (g *guarded) Countersigns(ctx context.Context, test string) ([]record.Countersign, error) {
	if _, err := g.test(ctx, See, test); err != nil {
		return nil, err
	}
	return g.store.Countersigns(ctx, test)
}

func (g *guarded) AddConsent(ctx context.Context, c record.Consent) (record.Consent, error) {
	if _, _, err := g.person(ctx, Enter, c.Participant); err != nil {
		return record.Consent{}, err
	}
	return g.store.AddConsent(ctx, c)
}

func (g *guarded) Consents(ctx context.Context, participant int64) ([]record.Consent, error) {
	if _, _, err := g.person(ctx, See, participant); err != nil {
		return nil, err
	}
	return g.store.Consents(ctx, participant)
}

func (g *guarded) KeepUntil(ctx context.Context, participant int64) (string, error) {
	if _, _, err := g.person(ctx, Erase, participant); err != nil {
		return "", err
	}
	return g.store.KeepUntil(ctx, participant)
}

// Erase overrules the rule of the site only for whom that right is given.
func (g *guarded) Erase(ctx context.Context, e record.Erasure) (record.Erasure, error) {
	p, _, err := g.person(ctx, Erase, e.Participant)
	if err != nil {
		return record.Erasure{}, err
	}
	if e.Overrule && !p.May(Overrule) {
		return record.Erasure{}, &RefusedError{Overrule, p.Name}
	}
	e.By = p.Name
	return g.store.Erase(ctx, e)
}

func (g *guarded) Erasures(ctx context.Context) ([]record.Erasure, error) {
	p, err := Need(ctx, Erase)
	if err != nil {
		return nil, err
	}
	all, err := g.store.Erasures(ctx)
	var own []record.Erasure
	for _, e := range all {
		if !p.elsewhere(e.Site) {
			own = append(own, e)
		}
	}
	return own, err
}

// Whoever administers accounts sees all of them. What signing in itself needs, and the own account, goes through
// [Own], never through here.

func (g *guarded) AddSite(ctx context.Context, s record.Site) (record.Site, error) {
	if _, err := Need(ctx, Accounts); err != nil {
		return record.Site{}, err
	}
	return g.store.AddSite(ctx, s)
}

func (g *guarded) Sites(ctx context.Context) ([]record.Site, error) {
	p, err := Need(ctx, Read)
	if err != nil {
		return nil, err
	}
	all, err := g.store.Sites(ctx)
	var own []record.Site
	for _, s := range all {
		if p.May(Accounts) || !p.elsewhere(s.ID) {
			own = append(own, s)
		}
	}
	return own, err
}

// ChangeSite is for those who lead the site, and for administrators.
func (g *guarded) ChangeSite(ctx context.Context, s record.Site) error {
	p, err := Need(ctx, OwnSite)
	if err != nil {
		return err
	}
	if !p.May(Accounts) && p.elsewhere(s.ID) {
		return unknown("site", s.ID)
	}
	return g.store.ChangeSite(ctx, s)
}

func (g *guarded) AddAccount(ctx context.Context, a record.Account) (record.Account, error) {
	p, err := Need(ctx, Accounts)
	if err != nil {
		return record.Account{}, err
	}
	a.CreatedBy = p.Name
	return g.store.AddAccount(ctx, a)
}

func (g *guarded) AnyAccount(ctx context.Context) (bool, error) { return g.store.AnyAccount(ctx) }

// own asks for the right over accounts, or that it is the principal's own.
func own(ctx context.Context, account int64) error {
	p, ok := From(ctx)
	switch {
	case !ok:
		return &NobodyError{}
	case p.May(Accounts), p.Account == account && account != 0:
		return nil
	}
	return &RefusedError{Accounts, p.Name}
}

func (g *guarded) Account(ctx context.Context, id int64) (record.Account, error) {
	if err := own(ctx, id); err != nil {
		return record.Account{}, err
	}
	return g.store.Account(ctx, id)
}

func (g *guarded) AccountByLogin(ctx context.Context, login string) (record.Account, error) {
	if _, err := Need(ctx, Accounts); err != nil {
		return record.Account{}, err
	}
	return g.store.AccountByLogin(ctx, login)
}

func (g *guarded) AccountByHandle(ctx context.Context, handle string) (record.Account, error) {
	if _, err := Need(ctx, Accounts); err != nil {
		return record.Account{}, err
	}
	return g.store.AccountByHandle(ctx, handle)
}

func (g *guarded) ListAccounts(ctx context.Context) ([]record.Account, error) {
	if _, err := Need(ctx, Accounts); err != nil {
		return nil, err
	}
	return g.store.ListAccounts(ctx)
}

// ChangeAccount lets nobody change the own roles, site or standing without the right over accounts.
func (g *guarded) ChangeAccount(ctx context.Context, id int64, change func(*record.Account) error) (record.Account, error) {
	if err := own(ctx, id); err != nil {
		return record.Account{}, err
	}
	p, _ := From(ctx)
	return g.store.ChangeAccount(ctx, id, func(a *record.Account) error {
		before := *a
		if err := change(a); err != nil {
			return err
		}
		if !p.May(Accounts) {
			a.Roles, a.Site, a.Disabled, a.Name = before.Roles, before.Site, before.Disabled, before.Name
		}
		return nil
	})
}

func (g *guarded) AddPasskey(ctx context.Context, k record.Passkey) error {
	if err := own(ctx, k.Account); err != nil {
		return err
	}
	return g.store.AddPasskey(ctx, k)
}

func (g *guarded) Passkeys(ctx context.Context, account int64) ([]record.Passkey, error) {
	if err := own(ctx, account); err != nil {
		return nil, err
	}
	return g.store.Passkeys(ctx, account)
}

func (g *guarded) UsedPasskey(ctx context.Context, k record.Passkey) error {
	if err := own(ctx, k.Account); err != nil {
		return err
	}
	return g.store.UsedPasskey(ctx, k)
}

func (g *guarded) RemovePasskey(ctx context.Context, account int64, id string) error {
	if err := own(ctx, account); err != nil {
		return err
	}
	return g.store.RemovePasskey(ctx, account, id)
}

func (g *guarded) SetRecoveryCodes(ctx context.Context, account int64, hashes []string) error {
	if err := own(ctx, account); err != nil {
		return err
	}
	return g.store.SetRecoveryCodes(ctx, account, hashes)
}

func (g *guarded) UseRecoveryCode(ctx context.Context, account int64, hash string) error {
	if err := own(ctx, account); err != nil {
		return err
	}
	return g.store.UseRecoveryCode(ctx, account, hash)
}

func (g *guarded) RecoveryCodesLeft(ctx context.Context, account int64) (int, error) {
	if err := own(ctx, account); err != nil {
		return 0, err
	}
	return g.store.RecoveryCodesLeft(ctx, account)
}

func (g *guarded) AddReset(ctx context.Context, r record.Reset) error {
	p, err := Need(ctx, Accounts)
	if err != nil {
		return err
	}
	r.By = p.Name
	return g.store.AddReset(ctx, r)
}

func (g *guarded) UseReset(ctx context.Context, hash string) (record.Reset, error) {
	if _, err := Need(ctx, Accounts); err != nil {
		return record.Reset{}, err
	}
	return g.store.UseReset(ctx, hash)
}

func (g *guarded) AddSession(ctx context.Context, s record.Session) error {
	if err := own(ctx, s.Account); err != nil {
		return err
	}
	return g.store.AddSession(ctx, s)
}

// Session, ChangeSession and the attempts are the gate's own business.

func (g *guarded) Session(ctx context.Context, hash string) (record.Session, error) {
	s, err := g.store.Session(ctx, hash)
	if err != nil {
		return s, err
	}
	if err := own(ctx, s.Account); err != nil {
		return record.Session{}, err
	}
	return s, nil
}

func (g *guarded) Signed(ctx context.Context, hash string) (record.Session, record.Account, error) {
	if _, ok := From(ctx); !ok {
		return record.Session{}, record.Account{}, &NobodyError{}
	}
	s, a, err := g.store.Signed(ctx, hash)
	if err != nil {
		return s, a, err
	}
	if err := own(ctx, s.Account); err != nil {
		return record.Session{}, record.Account{}, err
	}
	return s, a, nil
}

func (g *guarded) Awake(ctx context.Context, seen map[string]time.Time) error {
	if _, err := Need(ctx, Accounts); err != nil {
		return err
	}
	return g.store.Awake(ctx, seen)
}

func (g *guarded) ChangeSession(ctx context.Context, hash string, change func(*record.Session) error) error {
	if _, err := g.Session(ctx, hash); err != nil {
		return err
	}
	return g.store.ChangeSession(ctx, hash, change)
}

func (g *guarded) Sessions(ctx context.Context, account int64) ([]record.Session, error) {
	if err := own(ctx, account); err != nil {
		return nil, err
	}
	return g.store.Sessions(ctx, account)
}

func (g *guarded) EndSessions(ctx context.Context, account int64, one, but string) error {
	if err := own(ctx, account); err != nil {
		return err
	}
	return g.store.EndSessions(ctx, account, one, but)
}

func (g *guarded) Failed(ctx context.Context, what string) (record.Attempts, error) {
	if _, err := Need(ctx, Accounts); err != nil {
		return record.Attempts{}, err
	}
	return g.store.Failed(ctx, what)
}

func (g *guarded) AttemptsAt(ctx context.Context, what string) (record.Attempts, error) {
	if _, err := Need(ctx, Accounts); err != nil {
		return record.Attempts{Last: time.Time{}}, err
	}
	return g.store.AttemptsAt(ctx, what)
}

func (g *guarded) Succeeded(ctx context.Context, what string) error {
	if _, err := Need(ctx, Accounts); err != nil {
		return err
	}
	return g.store.Succeeded(ctx, what)
}
