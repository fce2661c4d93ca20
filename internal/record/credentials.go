package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"time"
)

// AddPasskey stores a passkey.
func (s *core) AddPasskey(ctx context.Context, p Passkey) error {
	p.Name = strings.TrimSpace(p.Name)
	if p.ID == "" || p.Name == "" || len(p.Name) > 200 || len(p.ID) > 2000 || len(p.JSON) > maxEvent {
		return &InvalidError{"passkey", "it has no number or no name, or is too long"}
	}
	return s.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `INSERT INTO passkeys (id, account, name, json, created_ms) VALUES (?, ?, ?, ?, ?)`, p.ID, p.Account, p.Name, p.JSON, ms(s.now()))
		return err
	})
}

// Passkeys returns those of an account.
func (s *core) Passkeys(ctx context.Context, account int64) (list []Passkey, err error) {
	err = each(ctx, s.reader, func(rows *sql.Rows) error {
		var p Passkey
		var created int64
		var used sql.NullInt64
		err := rows.Scan(&p.ID, &p.Account, &p.Name, &p.JSON, &created, &used)
		p.Created, p.Used = fromMs(created), sometime(used)
		list = append(list, p)
		return err
	}, `SELECT id, account, name, json, created_ms, used_ms FROM passkeys WHERE account = ? ORDER BY created_ms, id`, account)
	return list, s.fault(ctx, err)
}

// UsedPasskey replaces what is known of a passkey after a sign-in.
func (s *core) UsedPasskey(ctx context.Context, p Passkey) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		return one(ctx, tx, fmt.Errorf("record: passkey: %w", ErrNotFound), `UPDATE passkeys SET json = ?, used_ms = ? WHERE id = ? AND account = ?`, p.JSON, ms(s.now()), p.ID, p.Account)
	})
}

// RemovePasskey forgets a passkey.
func (s *core) RemovePasskey(ctx context.Context, account int64, id string) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		return one(ctx, tx, fmt.Errorf("record: passkey: %w", ErrNotFound), `DELETE FROM passkeys WHERE id = ? AND account = ?`, id, account)
	})
}

// SetRecoveryCodes replaces the codes of an account.
func (s *core) SetRecoveryCodes(ctx context.Context, account int64, hashes []string) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `DELETE FROM recovery_codes WHERE account = ?`, account); err != nil {
			return err
		}
		for _, h := range hashes {
			if _, err := tx.ExecContext(ctx, `INSERT INTO recovery_codes (account, hash) VALUES (?, ?)`, account, h); err != nil {
				return err
			}
		}
		return nil
	})
}

// UseRecoveryCode takes a code out of use.
func (s *core) UseRecoveryCode(ctx context.Context, account int64, hash string) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		return one(ctx, tx, fmt.Errorf("record: recovery code: %w", ErrNotFound), `UPDATE recovery_codes SET used_ms = ? WHERE account = ? AND hash = ? AND used_ms IS NULL`, ms(s.now()), account, hash)
	})
}

// RecoveryCodesLeft counts those that are not used.
func (s *core) RecoveryCodesLeft(ctx context.Context, account int64) (n int, err error) {
	err = s.reader.QueryRowContext(ctx, `SELECT count(*) FROM recovery_codes WHERE account = ? AND used_ms IS NULL`, account).Scan(&n)
	return n, s.fault(ctx, err)
}

// AddReset stores a one-time code for a new password.
func (s *core) AddReset(ctx context.Context, r Reset) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `UPDATE resets SET used_ms = ? WHERE account = ? AND used_ms IS NULL`, ms(s.now()), r.Account); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, `INSERT INTO resets (hash, account, by, created_ms, until_ms) VALUES (?, ?, ?, ?, ?)`, r.Hash, r.Account, r.By, ms(s.now()), ms(r.Until))
		return err
	})
}

// UseReset takes a code out of use.
func (s *core) UseReset(ctx context.Context, hash string) (r Reset, err error) {
	err = s.write(ctx, func(tx *sql.Tx) error {
		now := ms(s.now())
		if err := one(ctx, tx, fmt.Errorf("record: one-time code: %w", ErrNotFound), `UPDATE resets SET used_ms = ? WHERE hash = ? AND used_ms IS NULL AND until_ms > ?`, now, hash, now); err != nil {
			return err
		}
		var created, until int64
		err := tx.QueryRowContext(ctx, `SELECT hash, account, by, created_ms, until_ms FROM resets WHERE hash = ?`, hash).Scan(&r.Hash, &r.Account, &r.By, &created, &until)
		r.Created, r.Until = fromMs(created), fromMs(until)
		return err
	})
	if err != nil {
		return Reset{}, err
	}
	return r, nil
}

const sessionColumns = `hash, account, created_ms, seen_ms, proved_ms, until_ms, locked_ms, source, agent`

// AddSession stores a session.
func (s *core) AddSession(ctx context.Context, n Session) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `INSERT INTO sessions (`+sessionColumns+`) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			n.Hash, noneIf0(n.Account), ms(n.Created), ms(n.Seen), ms(n.Proved), ms(n.Until), noneIfNever(n.Locked), n.Source, n.Agent)
		if err != nil {
			return err
		}
		return noteIn(ctx, tx, SignIn, accountName(n.Account))
	})
}

func scanSession(row interface{ Scan(...any) error }, n *Session) error {
	to, done := sessionFields(n)
	err := row.Scan(to...)
	done()
	return err
}

// sessionFields are where the columns of a session are read to; done puts the rest in its place.
func sessionFields(n *Session) (to []any, done func()) {
	var account, locked sql.NullInt64
	var created, seen, proved, until int64
	return []any{&n.Hash, &account, &created, &seen, &proved, &until, &locked, &n.Source, &n.Agent}, func() {
		n.Account, n.Created, n.Seen, n.Proved, n.Until, n.Locked = account.Int64, fromMs(created), fromMs(seen), fromMs(proved), fromMs(until), sometime(locked)
	}
}

var signedQuery = `SELECT ` + inTable("s", sessionColumns) + `, ` + inTable("a", accountColumns) + `
	FROM sessions s JOIN accounts a ON a.id = s.account WHERE s.hash = ? AND s.ended_ms IS NULL AND s.until_ms > ?`

func inTable(table, columns string) string {
	return table + "." + strings.ReplaceAll(columns, ", ", ", "+table+".")
}

// Signed returns a session with its account: what every request asks for, in one question.
func (s *core) Signed(ctx context.Context, hash string) (n Session, a Account, err error) {
	session, doneSession := sessionFields(&n)
	account, doneAccount := accountFields(&a)
	err = s.reader.QueryRowContext(ctx, signedQuery, hash, ms(s.now())).Scan(append(session, account...)...)
	if errors.Is(err, sql.ErrNoRows) {
		return Session{}, Account{}, fmt.Errorf("record: session: %w", ErrNotFound)
	}
	if err != nil {
		return Session{}, Account{}, s.fault(ctx, err)
	}
	doneSession()
	doneAccount()
	return n, a, nil
}

// Awake notes when sessions were last used, all in one commit.
func (s *core) Awake(ctx context.Context, seen map[string]time.Time) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		for hash, at := range seen {
			if _, err := tx.ExecContext(ctx, `UPDATE sessions SET seen_ms = ? WHERE hash = ? AND ended_ms IS NULL AND locked_ms IS NULL AND seen_ms < ?`, ms(at), hash, ms(at)); err != nil {
				return err
			}
		}
		return nil
	})
}

func (s *core) oneSession(ctx context.Context, q querier, hash string) (n Session, err error) {
	err = scanSession(q.QueryRowContext(ctx, `SELECT `+sessionColumns+` FROM sessions WHERE hash = ? AND ended_ms IS NULL AND until_ms > ?`, hash, ms(s.now())), &n)
	if errors.Is(err, sql.ErrNoRows) {
		return Session{}, fmt.Errorf("record: session: %w", ErrNotFound)
	}
	return n, err
}

// Session returns one that has not ended.
func (s *core) Session(ctx context.Context, hash string) (Session, error) {
	n, err := s.oneSession(ctx, s.reader, hash)
	return n, s.typed(ctx, err)
}

// ChangeSession lets change work on a session.
func (s *core) ChangeSession(ctx context.Context, hash string, change func(*Session) error) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		n, err := s.oneSession(ctx, tx, hash)
		if err != nil {
			return err
		}
		if err := change(&n); err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, `UPDATE sessions SET hash = ?, seen_ms = ?, proved_ms = ?, locked_ms = ? WHERE hash = ?`, n.Hash, ms(n.Seen), ms(n.Proved), noneIfNever(n.Locked), hash)
		return err
	})
}

// Sessions returns those of an account.
func (s *core) Sessions(ctx context.Context, account int64) (list []Session, err error) {
	err = each(ctx, s.reader, func(rows *sql.Rows) error {
		var n Session
		err := scanSession(rows, &n)
		list = append(list, n)
		return err
	}, `SELECT `+sessionColumns+` FROM sessions WHERE coalesce(account, 0) = ? AND ended_ms IS NULL AND until_ms > ? ORDER BY created_ms DESC, hash`, account, ms(s.now()))
	return list, s.fault(ctx, err)
}

// EndSessions ends sessions of an account.
func (s *core) EndSessions(ctx context.Context, account int64, one, but string) error {
	return s.write(ctx, func(tx *sql.Tx) error { return s.endSessions(ctx, tx, account, one, but) })
}

func (s *core) endSessions(ctx context.Context, tx *sql.Tx, account int64, one, but string) error {
	query, args := `UPDATE sessions SET ended_ms = ? WHERE coalesce(account, 0) = ? AND ended_ms IS NULL AND hash <> ?`, []any{ms(s.now()), account, but}
	if one != "" {
		query, args = query+` AND hash = ?`, append(args, one)
	}
	done, err := tx.ExecContext(ctx, query, args...)
	if err != nil {
		return err
	}
	if n, err := done.RowsAffected(); err != nil || n == 0 {
		return err
	}
	return noteIn(ctx, tx, SignOut, accountName(account))
}

// forgetAfter is how long failures are remembered.
const forgetAfter = 24 * time.Hour

// Failed counts a failure.
func (s *core) Failed(ctx context.Context, what string) (a Attempts, err error) {
	err = s.write(ctx, func(tx *sql.Tx) error {
		now := s.now()
		if _, err := tx.ExecContext(ctx, `DELETE FROM attempts WHERE last_ms < ?`, ms(now.Add(-forgetAfter))); err != nil {
			return err
		}
		a.Last = fromMs(ms(now))
		err := tx.QueryRowContext(ctx, `INSERT INTO attempts (what, failures, last_ms) VALUES (?, 1, ?)
			ON CONFLICT (what) DO UPDATE SET failures = attempts.failures + 1, last_ms = excluded.last_ms RETURNING failures`, what, ms(now)).Scan(&a.Failures)
		if err != nil {
			return err
		}
		return noteIn(ctx, tx, SignInFailed, "attempt/"+what[:min(len(what), 16)])
	})
	return a, err
}

// AttemptsAt returns the failures since the last success.
func (s *core) AttemptsAt(ctx context.Context, what string) (a Attempts, err error) {
	var last int64
	err = s.reader.QueryRowContext(ctx, `SELECT failures, last_ms FROM attempts WHERE what = ? AND last_ms >= ?`, what, ms(s.now().Add(-forgetAfter))).Scan(&a.Failures, &last)
	if errors.Is(err, sql.ErrNoRows) {
		return Attempts{}, nil
	}
	a.Last = fromMs(last)
	return a, s.fault(ctx, err)
}

// Succeeded forgets the failures.
func (s *core) Succeeded(ctx context.Context, what string) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `DELETE FROM attempts WHERE what = ?`, what)
		return err
	})
}
