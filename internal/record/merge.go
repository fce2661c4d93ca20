package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Duplicates returns who may be the same person.
func (s *core) Duplicates(ctx context.Context, p Participant) ([]Duplicate, error) {
	if p.Code == "" {
		p.Code = "?" // none is given yet
	}
	p, err := checkPerson(p)
	if err != nil {
		return nil, err
	}
	var found []Duplicate
	err = s.read(ctx, func(tx *sql.Tx) error {
		others, err := persons(ctx, tx, sameBirthOrIdentifier(p), sameArgs(p)...)
		if err != nil {
			return err
		}
		if len(others) == 0 {
			return nil
		}
		decided, err := links(ctx, tx)
		if err != nil {
			return err
		}
		linked := LinkedBy(decided)
		whole := or0(p.Kept, p.ID)
		for _, o := range others {
			shown := or0(o.Kept, o.ID)
			if p.ID != 0 && (shown == whole || o.Site != p.Site && (linked.One(shown, whole) || linked.Two(shown, whole))) {
				continue // shown as one already, or decided
			}
			if why := whySame(p, o); len(why) > 0 {
				found = append(found, Duplicate{o, why})
			}
		}
		return nil
	})
	return found, err
}

func sameBirthOrIdentifier(p Participant) string {
	where := `birth_date <> '' AND birth_date = ?`
	if n := len(p.Identifiers); n > 0 {
		where += ` OR id IN (SELECT participant FROM identifiers WHERE folded IN (?` + strings.Repeat(", ?", n-1) + `))`
	}
	return where
}

func sameArgs(p Participant) []any {
	args := []any{p.BirthDate}
	for _, id := range p.Identifiers {
		args = append(args, id.folded())
	}
	return args
}

func whySame(p, o Participant) (why []string) {
	for _, id := range p.Identifiers {
		if slices.ContainsFunc(o.Identifiers, func(other Identifier) bool { return other.folded() == id.folded() }) {
			why = append(why, SameIdentifier)
			break
		}
	}
	if p.BirthDate != "" && p.BirthDate == o.BirthDate && SimilarNames(p.Name, o.Name) {
		why = append(why, SameBirth)
	}
	return why
}

// folded is what makes two identifiers the same: letters of either case, without accents, spaces and dashes.
func (id Identifier) folded() string {
	bare := strings.NewReplacer(" ", "", "-", "", "/", "", ".", "")
	return bare.Replace(Fold(id.System)) + "|" + bare.Replace(Fold(id.Value))
}

func or0(a, b int64) int64 {
	if a != 0 {
		return a
	}
	return b
}

// Merge shows one person as another.
func (s *core) Merge(ctx context.Context, from, into int64, by, why string) (m Merge, err error) {
	by, why = strings.TrimSpace(by), strings.TrimSpace(why)
	switch {
	case by == "" || why == "":
		return m, &InvalidError{"merge", "it needs who and why"}
	case from == into:
		return m, &InvalidError{"merge", "it needs two persons"}
	}
	m = Merge{From: from, Into: into, By: by, Why: why, When: s.stamp()}
	err = s.write(ctx, func(tx *sql.Tx) error {
		var sites int
		if err := tx.QueryRowContext(ctx, `SELECT count(DISTINCT site) FROM participants WHERE id IN (?, ?)`, from, into).Scan(&sites); err != nil {
			return err
		}
		if sites > 1 {
			return &InvalidError{"merge", "the two are of different sites"}
		}
		for _, id := range []int64{from, into} {
			at, err := mergedInto(ctx, tx, id)
			if err != nil {
				return err
			}
			if at != 0 {
				return &InvalidError{"merge", fmt.Sprintf("participant %d is merged into %d already; undo that, or merge the one that is kept", id, at)}
			}
		}
		if err := tx.QueryRowContext(ctx, `INSERT INTO merges (from_id, into_id, by, why, at_ms) VALUES (?, ?, ?, ?, ?) RETURNING id`, from, into, by, why, ms(m.When)).Scan(&m.ID); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `UPDATE participants SET merged_into = ? WHERE id = ?`, into, from); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, `UPDATE participants SET kept = ?, changed = `+nextChange+` WHERE id = ? OR kept = ?`, into, from, from)
		return err
	})
	if err != nil {
		return Merge{}, err
	}
	return m, nil
}

func mergedInto(ctx context.Context, q querier, id int64) (int64, error) {
	var at sql.NullInt64
	err := q.QueryRowContext(ctx, `SELECT merged_into FROM participants WHERE id = ?`, id).Scan(&at)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, noPerson(id)
	}
	return at.Int64, err
}

// UndoMerge splits two persons again.
func (s *core) UndoMerge(ctx context.Context, merge int64, by, why string) error {
	by, why = strings.TrimSpace(by), strings.TrimSpace(why)
	if by == "" || why == "" {
		return &InvalidError{"undo of a merge", "it needs who and why"}
	}
	return s.write(ctx, func(tx *sql.Tx) error {
		var from int64
		var undone sql.NullInt64
		err := tx.QueryRowContext(ctx, `SELECT from_id, undone_ms FROM merges WHERE id = ?`, merge).Scan(&from, &undone)
		switch {
		case errors.Is(err, sql.ErrNoRows):
			return fmt.Errorf("record: merge %d: %w", merge, ErrNotFound)
		case err != nil:
			return err
		case undone.Valid:
			return &InvalidError{"undo of a merge", "it is undone already"}
		}
		if _, err := tx.ExecContext(ctx, `UPDATE merges SET undone_by = ?, undone_why = ?, undone_ms = ? WHERE id = ?`, by, why, ms(s.now()), merge); err != nil {
			return err
		}
		// All who were merged into the one that comes back go with it; it keeps whom it had.
		_, err = tx.ExecContext(ctx, `WITH RECURSIVE own (id) AS (
				SELECT id FROM participants WHERE id = ?
				UNION ALL SELECT p.id FROM participants p JOIN own ON p.merged_into = own.id)
			UPDATE participants SET kept = CASE WHEN id = ? THEN NULL ELSE CAST(? AS BIGINT) END, merged_into = CASE WHEN id = ? THEN NULL ELSE merged_into END,
				changed = `+nextChange+` WHERE id IN (SELECT id FROM own)`, from, from, from, from)
		return err
	})
}

// Merges returns the merges in which a person or those shown as that person took part.
func (s *core) Merges(ctx context.Context, participant int64) ([]Merge, error) {
	return s.merges(ctx, `from_id IN (`+shownAs+`) OR into_id IN (`+shownAs+`)`, participant, participant, participant, participant)
}

// MergeByID returns one merge.
func (s *core) MergeByID(ctx context.Context, id int64) (Merge, error) {
	list, err := s.merges(ctx, `id = ?`, id)
	if err == nil && len(list) == 0 {
		err = fmt.Errorf("record: merge %d: %w", id, ErrNotFound)
	}
	if err != nil {
		return Merge{}, err
	}
	return list[0], nil
}

func (s *core) merges(ctx context.Context, where string, args ...any) ([]Merge, error) {
	var list []Merge
	err := each(ctx, s.reader, func(rows *sql.Rows) error {
		var m Merge
		var at int64
		var by, why sql.NullString
		var undone sql.NullInt64
		err := rows.Scan(&m.ID, &m.From, &m.Into, &m.By, &m.Why, &at, &by, &why, &undone)
		m.When, m.UndoneBy, m.UndoneWhy = fromMs(at), by.String, why.String
		if undone.Valid {
			m.Undone = fromMs(undone.Int64)
		}
		list = append(list, m)
		return err
	}, `SELECT id, from_id, into_id, by, why, at_ms, undone_by, undone_why, undone_ms FROM merges WHERE `+where+` ORDER BY id`, args...)
	return list, s.fault(ctx, err)
}

// shownAs are the persons that are shown as one, itself among them.
const shownAs = `SELECT id FROM participants WHERE id = ? OR kept = ?`

// Merged returns those who are shown as a person.
func (s *core) Merged(ctx context.Context, participant int64) (list []Participant, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		list, err = persons(ctx, tx, `kept = ?`, participant)
		return err
	})
	return list, err
}
