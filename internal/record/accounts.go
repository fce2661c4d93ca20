package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"
)

// Accounts is the part of a store that knows who may sign in. It hands out and takes hashes, never a secret that a
// person types or a browser sends; only the secret of one-time codes has to be kept as it is.
type Accounts interface {
	// AddSite stores a new site; its participants are invisible to other sites.
	AddSite(ctx context.Context, s Site) (Site, error)
	// Sites returns all sites, the oldest first. A record has one from its beginning.
	Sites(ctx context.Context) ([]Site, error)
	// ChangeSite replaces name and rule of a site.
	ChangeSite(ctx context.Context, s Site) error

	// AddAccount stores a new account and returns it with its number. A login in use is a LoginTakenError.
	AddAccount(ctx context.Context, a Account) (Account, error)
	// AnyAccount reports whether there is an account, disabled or not: then nobody gets in without one.
	AnyAccount(ctx context.Context) (bool, error)
	// Account returns one account, or ErrNotFound.
	Account(ctx context.Context, id int64) (Account, error)
	// AccountByLogin returns the account with a login, in whatever case, or ErrNotFound.
	AccountByLogin(ctx context.Context, login string) (Account, error)
	// AccountByHandle returns the account that passkeys know under a handle, or ErrNotFound.
	AccountByHandle(ctx context.Context, handle string) (Account, error)
	// ListAccounts returns all accounts by login.
	ListAccounts(ctx context.Context) ([]Account, error)
	// ChangeAccount lets change work on an account as it stands and stores the outcome; its error stores nothing.
	// Disabling an account ends its sessions.
	ChangeAccount(ctx context.Context, id int64, change func(*Account) error) (Account, error)

	// AddPasskey stores a passkey of an account.
	AddPasskey(ctx context.Context, p Passkey) error
	// Passkeys returns those of an account, the oldest first.
	Passkeys(ctx context.Context, account int64) ([]Passkey, error)
	// UsedPasskey replaces what is known of a passkey after a sign-in.
	UsedPasskey(ctx context.Context, p Passkey) error
	// RemovePasskey forgets a passkey of an account, or says ErrNotFound.
	RemovePasskey(ctx context.Context, account int64, id string) error
	// SetRecoveryCodes replaces the codes of an account by the hashes of new ones.
	SetRecoveryCodes(ctx context.Context, account int64, hashes []string) error
	// UseRecoveryCode takes a code out of use, once; ErrNotFound otherwise.
	UseRecoveryCode(ctx context.Context, account int64, hash string) error
	// RecoveryCodesLeft counts those that are not used.
	RecoveryCodesLeft(ctx context.Context, account int64) (int, error)

	// AddReset stores a one-time code for a new password; earlier ones of the account no longer work.
	AddReset(ctx context.Context, r Reset) error
	// UseReset takes a code out of use, once and before its end, and returns it; ErrNotFound otherwise.
	UseReset(ctx context.Context, hash string) (Reset, error)

	// AddSession stores a session.
	AddSession(ctx context.Context, s Session) error
	// Session returns one that has not ended, or ErrNotFound.
	Session(ctx context.Context, hash string) (Session, error)
	// Signed returns a session of an account that has not ended, with its account, or ErrNotFound.
	Signed(ctx context.Context, hash string) (Session, Account, error)
	// Awake notes when sessions were last used. Those that have ended, are locked or were used later stay as they are.
	Awake(ctx context.Context, seen map[string]time.Time) error
	// ChangeSession lets change work on a session that has not ended and stores the outcome.
	ChangeSession(ctx context.Context, hash string, change func(*Session) error) error
	// Sessions returns those of an account that have not ended, the newest first.
	Sessions(ctx context.Context, account int64) ([]Session, error)
	// EndSessions ends sessions of an account: one by its hash, or all but one.
	EndSessions(ctx context.Context, account int64, one, but string) error

	// Failed counts a failure to prove who one is, and returns how it then stands.
	Failed(ctx context.Context, what string) (Attempts, error)
	// AttemptsAt returns the failures since the last success.
	AttemptsAt(ctx context.Context, what string) (Attempts, error)
	// Succeeded forgets the failures.
	Succeeded(ctx context.Context, what string) error
}

// FirstSite is the site that a record has from its beginning.
const FirstSite = 1

// Site is a place whose people are its own.
type Site struct {
	ID        int64     `json:"id"`
	Name      string    `json:"name"`
	KeepYears int       `json:"keep_years"` // how long a person's record has to be kept after the last visit; 0: no rule
	Created   time.Time `json:"created"`
}

// Account is somebody who may sign in.
type Account struct {
	ID        int64
	Login     string // small letters, digits, dots, dashes, underscores
	Name      string // as papers and pages show it
	Roles     []string
	Site      int64
	Password  string // argon2id as a PHC string; "" has none
	TOTP      string // secret of one-time codes in base 32; "" has none
	TOTPStep  int64  // the last one used
	Handle    string // under which passkeys know it
	Created   time.Time
	CreatedBy string
	Disabled  time.Time // zero while it may sign in
}

// Passkey is a public key with which a person proves who it is.
type Passkey struct {
	ID      string // base64url
	Account int64
	Name    string
	JSON    string
	Created time.Time
	Used    time.Time // zero: never
}

// Reset is a one-time code for a new password.
type Reset struct {
	Hash    string
	Account int64
	By      string
	Created time.Time
	Until   time.Time
}

// Session is a browser that has signed in.
type Session struct {
	Hash    string // of the token
	Account int64  // 0: the owner of a record without accounts
	Created time.Time
	Seen    time.Time
	Proved  time.Time // when the person last proved who it is
	Until   time.Time // its end, whatever happens
	Locked  time.Time // zero while it is open
	Source  string    // address
	Agent   string    // browser, as it names itself
}

// Attempts are failures since the last success.
type Attempts struct {
	Failures int
	Last     time.Time
}

// LoginTakenError says that a login is in use.
type LoginTakenError struct{ Login string }

func (e *LoginTakenError) Error() string {
	return fmt.Sprintf("record: the sign-in name %q is in use; choose another", e.Login)
}

// AddSite stores a new site.
func (s *core) AddSite(ctx context.Context, site Site) (Site, error) {
	site, err := checkSite(site)
	if err != nil {
		return Site{}, err
	}
	site.Created = s.stamp()
	err = s.write(ctx, func(tx *sql.Tx) error {
		return tx.QueryRowContext(ctx, `INSERT INTO sites (name, keep_years, created_ms) VALUES (?, ?, ?) RETURNING id`, site.Name, site.KeepYears, ms(site.Created)).Scan(&site.ID)
	})
	return site, err
}

func checkSite(site Site) (Site, error) {
	site.Name = strings.TrimSpace(site.Name)
	switch {
	case site.Name == "" || len(site.Name) > 200 || !utf8.ValidString(site.Name):
		return site, &InvalidError{"site", "the name is empty, too long or not UTF-8"}
	case site.KeepYears < 0 || site.KeepYears > 100:
		return site, &InvalidError{"site " + site.Name, "the years to keep a record are not between 0 and 100"}
	}
	return site, nil
}

// Sites returns all sites.
func (s *core) Sites(ctx context.Context) (sites []Site, err error) {
	err = each(ctx, s.reader, func(rows *sql.Rows) error {
		var site Site
		var created int64
		err := rows.Scan(&site.ID, &site.Name, &site.KeepYears, &created)
		site.Created = fromMs(created)
		sites = append(sites, site)
		return err
	}, `SELECT id, name, keep_years, created_ms FROM sites ORDER BY id`)
	return sites, s.fault(ctx, err)
}

// ChangeSite replaces name and rule of a site.
func (s *core) ChangeSite(ctx context.Context, site Site) error {
	site, err := checkSite(site)
	if err != nil {
		return err
	}
	return s.write(ctx, func(tx *sql.Tx) error {
		return one(ctx, tx, fmt.Errorf("record: site %d: %w", site.ID, ErrNotFound), `UPDATE sites SET name = ?, keep_years = ? WHERE id = ?`, site.Name, site.KeepYears, site.ID)
	})
}

// one runs a statement that has to change a row.
func one(ctx context.Context, tx *sql.Tx, none error, query string, args ...any) error {
	done, err := tx.ExecContext(ctx, query, args...)
	if err != nil {
		return err
	}
	if n, err := done.RowsAffected(); err != nil || n > 0 {
		return err
	}
	return none
}

const accountColumns = `id, login, name, roles, site, password, totp, totp_step, handle, created_ms, created_by, disabled_ms`

// AddAccount stores a new account.
func (s *core) AddAccount(ctx context.Context, a Account) (Account, error) {
	a, err := checkAccount(a)
	if err != nil {
		return Account{}, err
	}
	a.Created = s.stamp()
	err = s.write(ctx, func(tx *sql.Tx) error {
		if err := siteExists(ctx, tx, a.Site); err != nil {
			return err
		}
		var taken int
		if err := tx.QueryRowContext(ctx, `SELECT count(*) FROM accounts WHERE login = ?`, a.Login).Scan(&taken); err != nil {
			return err
		}
		if taken > 0 {
			return &LoginTakenError{a.Login}
		}
		return tx.QueryRowContext(ctx, `INSERT INTO accounts (login, name, roles, site, password, totp, totp_step, handle, created_ms, created_by) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?) RETURNING id`,
			a.Login, a.Name, strings.Join(a.Roles, " "), a.Site, a.Password, a.TOTP, a.TOTPStep, a.Handle, ms(a.Created), a.CreatedBy).Scan(&a.ID)
	})
	if err != nil {
		return Account{}, err
	}
	return a, nil
}

func checkAccount(a Account) (Account, error) {
	a.Login, a.Name = strings.ToLower(strings.TrimSpace(a.Login)), strings.TrimSpace(a.Name)
	plain := func(r rune) bool {
		return r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || strings.ContainsRune("._-@", r)
	}
	switch {
	case a.Login == "" || len(a.Login) > 64 || strings.ContainsFunc(a.Login, func(r rune) bool { return !plain(r) }):
		return a, &InvalidError{"account", "the sign-in name is not 1 to 64 letters a to z, digits, or . - _ @"}
	case a.Name == "" || len(a.Name) > 200 || !utf8.ValidString(a.Name):
		return a, &InvalidError{"account " + a.Login, "the name is empty, too long or not UTF-8"}
	case len(a.Roles) == 0 || slices.ContainsFunc(a.Roles, func(r string) bool { return r == "" || strings.ContainsAny(r, " \n") }):
		return a, &InvalidError{"account " + a.Login, "it needs a role"}
	case a.Handle == "":
		return a, &InvalidError{"account " + a.Login, "it has no handle for passkeys"}
	}
	return a, nil
}

func siteExists(ctx context.Context, q querier, id int64) error {
	var there int
	if err := q.QueryRowContext(ctx, `SELECT count(*) FROM sites WHERE id = ?`, id).Scan(&there); err != nil {
		return err
	}
	if there == 0 {
		return fmt.Errorf("record: site %d: %w", id, ErrNotFound)
	}
	return nil
}

// AnyAccount reports whether there is an account.
func (s *core) AnyAccount(ctx context.Context) (any bool, err error) {
	var n int
	err = s.reader.QueryRowContext(ctx, `SELECT count(*) FROM (SELECT 1 FROM accounts LIMIT 1) a`).Scan(&n)
	return n > 0, s.fault(ctx, err)
}

// Account returns one account.
func (s *core) Account(ctx context.Context, id int64) (Account, error) {
	a, err := oneAccount(ctx, s.reader, `id = ?`, id)
	return a, s.typed(ctx, err)
}

// AccountByLogin returns the account with a login.
func (s *core) AccountByLogin(ctx context.Context, login string) (Account, error) {
	a, err := oneAccount(ctx, s.reader, `login = ?`, strings.ToLower(strings.TrimSpace(login)))
	return a, s.typed(ctx, err)
}

// AccountByHandle returns the account that passkeys know under a handle.
func (s *core) AccountByHandle(ctx context.Context, handle string) (Account, error) {
	a, err := oneAccount(ctx, s.reader, `handle = ?`, handle)
	return a, s.typed(ctx, err)
}

func oneAccount(ctx context.Context, q querier, where string, arg any) (a Account, err error) {
	err = scanAccount(q.QueryRowContext(ctx, `SELECT `+accountColumns+` FROM accounts WHERE `+where, arg), &a)
	if errors.Is(err, sql.ErrNoRows) {
		return Account{}, fmt.Errorf("record: account: %w", ErrNotFound)
	}
	return a, err
}

func scanAccount(row interface{ Scan(...any) error }, a *Account) error {
	to, done := accountFields(a)
	err := row.Scan(to...)
	done()
	return err
}

// accountFields are where the columns of an account are read to; done puts the rest in its place.
func accountFields(a *Account) (to []any, done func()) {
	var roles string
	var created int64
	var disabled sql.NullInt64
	return []any{&a.ID, &a.Login, &a.Name, &roles, &a.Site, &a.Password, &a.TOTP, &a.TOTPStep, &a.Handle, &created, &a.CreatedBy, &disabled},
		func() { a.Roles, a.Created, a.Disabled = strings.Fields(roles), fromMs(created), sometime(disabled) }
}

// sometime is a stored moment, zero where there is none.
func sometime(at sql.NullInt64) time.Time {
	if !at.Valid {
		return time.Time{}
	}
	return fromMs(at.Int64)
}

// noneIfNever stores the zero time as NULL.
func noneIfNever(t time.Time) any {
	if t.IsZero() {
		return nil
	}
	return ms(t)
}

// ListAccounts returns all accounts by login.
func (s *core) ListAccounts(ctx context.Context) (list []Account, err error) {
	err = each(ctx, s.reader, func(rows *sql.Rows) error {
		var a Account
		err := scanAccount(rows, &a)
		list = append(list, a)
		return err
	}, `SELECT `+accountColumns+` FROM accounts ORDER BY login`)
	return list, s.fault(ctx, err)
}

// ChangeAccount lets change work on an account.
func (s *core) ChangeAccount(ctx context.Context, id int64, change func(*Account) error) (a Account, err error) {
	err = s.write(ctx, func(tx *sql.Tx) error {
		if a, err = oneAccount(ctx, tx, `id = ?`, id); err != nil {
			return err
		}
		before := a
		if err := change(&a); err != nil {
			return err
		}
		a.ID, a.Login, a.Handle, a.Created, a.CreatedBy = before.ID, before.Login, before.Handle, before.Created, before.CreatedBy
		if a, err = checkAccount(a); err != nil {
			return err
		}
		if err := siteExists(ctx, tx, a.Site); err != nil {
			return err
		}
		if !a.Disabled.IsZero() && before.Disabled.IsZero() {
			if err := s.endSessions(ctx, tx, id, "", ""); err != nil {
				return err
			}
		}
		_, err := tx.ExecContext(ctx, `UPDATE accounts SET name = ?, roles = ?, site = ?, password = ?, totp = ?, totp_step = ?, disabled_ms = ? WHERE id = ?`,
			a.Name, strings.Join(a.Roles, " "), a.Site, a.Password, a.TOTP, a.TOTPStep, noneIfNever(a.Disabled), id)
		return err
	})
	if err != nil {
		return Account{}, err
	}
	return a, nil
}
