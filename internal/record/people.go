package record

import (
	"cmp"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"gradus/conduct"
)

const personColumns = `id, code, name, birth_date, sex, note, created_ms, age_years, age_told, gender, rhythm, condition, conditions, drugs, archived_ms, merged_into, kept, site`

// AddParticipant stores a new person.
func (s *core) AddParticipant(ctx context.Context, p Participant) (Participant, error) {
	p, err := checkPerson(p)
	if err != nil {
		return Participant{}, err
	}
	p.Created, p.Archived, p.MergedInto, p.Kept = s.stamp(), time.Time{}, 0, 0
	err = s.write(ctx, func(tx *sql.Tx) error {
		return s.insertPerson(ctx, tx, &p)
	})
	if err != nil {
		return Participant{}, err
	}
	return p, nil
}

func (s *core) insertPerson(ctx context.Context, tx *sql.Tx, p *Participant) error {
	p.Site = or0(p.Site, FirstSite)
	if err := siteExists(ctx, tx, p.Site); err != nil {
		return err
	}
	if err := s.codeFree(ctx, tx, p.Site, p.Code, 0); err != nil {
		return err
	}
	names, values := personValues(*p)
	query := `INSERT INTO participants (` + strings.Join(names, ", ") + `, site, created_ms, changed) VALUES (` + strings.Repeat("?, ", len(names)) + `?, ?, ` + nextChange + `) RETURNING id`
	if err := tx.QueryRowContext(ctx, query, append(values, p.Site, ms(p.Created))...).Scan(&p.ID); err != nil {
		return err
	}
	return putIdentifiers(ctx, tx, *p)
}

// UpdateParticipant replaces what is known about a person.
func (s *core) UpdateParticipant(ctx context.Context, p Participant) error {
	p, err := checkPerson(p)
	if err != nil {
		return err
	}
	return s.write(ctx, func(tx *sql.Tx) error {
		site, err := siteOf(ctx, tx, p.ID)
		if err != nil {
			return err
		}
		if err := s.codeFree(ctx, tx, site, p.Code, p.ID); err != nil {
			return err
		}
		if err := followCode(ctx, tx, site, p); err != nil {
			return err
		}
		names, values := personValues(p)
		query := `UPDATE participants SET ` + strings.Join(names, " = ?, ") + ` = ?, changed = ` + nextChange + ` WHERE id = ?`
		if _, err := tx.ExecContext(ctx, query, append(values, p.ID)...); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `DELETE FROM identifiers WHERE participant = ?`, p.ID); err != nil {
			return err
		}
		return putIdentifiers(ctx, tx, p)
	})
}

// nextChange is the number of this change among those of all persons. One program writes at a time, so none is used twice.
const nextChange = `(SELECT coalesce(max(changed), 0) + 1 FROM participants)`

// personValues are what a person's row holds beside number, moments and merges.
func personValues(p Participant) (names []string, values []any) {
	for _, c := range []struct {
		name  string
		value any
	}{
		{"code", p.Code}, {"name", p.Name}, {"birth_date", p.BirthDate}, {"sex", wordFor(p.Sex)}, {"note", p.Note},
		{"age_years", p.AgeYears}, {"age_told", p.AgeTold}, {"gender", p.Gender}, {"rhythm", wordFor(p.Rhythm)},
		{"condition", wordFor(p.Condition)}, {"conditions", jsonList(p.Conditions)}, {"drugs", jsonList(p.Drugs)},
	} {
		names, values = append(names, c.name), append(values, c.value)
	}
	return names, values
}

func jsonList[T any](list []T) string {
	if len(list) == 0 {
		return "[]"
	}
	text, err := json.Marshal(list)
	if err != nil {
		panic("record: " + err.Error()) // strings alone
	}
	return string(text)
}

func putIdentifiers(ctx context.Context, tx *sql.Tx, p Participant) error {
	for i, id := range p.Identifiers {
		if _, err := tx.ExecContext(ctx, `INSERT INTO identifiers (participant, place, system, value, folded) VALUES (?, ?, ?, ?, ?)`,
			p.ID, i+1, id.System, id.Value, id.folded()); err != nil {
			return err
		}
	}
	return nil
}

// Archive takes a person out of the lists, or puts it back.
func (s *core) Archive(ctx context.Context, id int64, archived bool) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		if err := personExists(ctx, tx, id); err != nil {
			return err
		}
		at, from := any(nil), `archived_ms IS NOT NULL`
		if archived {
			at, from = ms(s.now()), `archived_ms IS NULL`
		}
		_, err := tx.ExecContext(ctx, `UPDATE participants SET archived_ms = ?, changed = `+nextChange+` WHERE id = ? AND `+from, at, id)
		return err
	})
}

// Participant returns one person.
func (s *core) Participant(ctx context.Context, id int64) (p Participant, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		found, err := persons(ctx, tx, `id = ?`, id)
		if err == nil && len(found) == 0 {
			return noPerson(id)
		}
		if err == nil {
			p = found[0]
		}
		return err
	})
	return p, err
}

// ParticipantByCode returns the person with a code.
func (s *core) ParticipantByCode(ctx context.Context, code string) (p Participant, err error) {
	return s.ParticipantAt(ctx, 0, code)
}

// ParticipantAt returns the person of a site with a code.
func (s *core) ParticipantAt(ctx context.Context, site int64, code string) (p Participant, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		where, args := s.codeIs, []any{strings.TrimSpace(code)}
		if site != 0 {
			where, args = where+` AND site = ?`, append(args, site)
		}
		found, err := persons(ctx, tx, where, args...)
		if err == nil && len(found) == 0 {
			return fmt.Errorf("record: code %q: %w", code, ErrNotFound)
		}
		if err == nil {
			p = found[0]
		}
		return err
	})
	return p, err
}

// persons reads those of a condition, by code, with their identifiers.
func persons(ctx context.Context, q querier, where string, args ...any) ([]Participant, error) {
	var found []Participant
	err := each(ctx, q, func(rows *sql.Rows) error {
		var p Participant
		err := scanPerson(rows, &p)
		found = append(found, p)
		return err
	}, `SELECT `+personColumns+` FROM participants WHERE erased_ms IS NULL AND (`+where+`)`, args...)
	if err != nil {
		return nil, err
	}
	slices.SortFunc(found, func(a, b Participant) int { return cmp.Or(byCode(a.Code, b.Code), cmp.Compare(a.ID, b.ID)) })
	at := make(map[int64]int, len(found))
	for i, p := range found {
		at[p.ID] = i
	}
	err = each(ctx, q, func(rows *sql.Rows) error {
		var whose int64
		var id Identifier
		err := rows.Scan(&whose, &id.System, &id.Value)
		p := &found[at[whose]]
		p.Identifiers = append(p.Identifiers, id)
		return err
	}, `SELECT participant, system, value FROM identifiers WHERE participant IN (SELECT id FROM participants WHERE erased_ms IS NULL AND (`+where+`)) ORDER BY participant, place`, args...)
	return found, err
}

func scanPerson(row interface{ Scan(...any) error }, p *Participant) error {
	var sex, rhythm, condition, conditions, drugs string
	var created int64
	var archived, merged, kept sql.NullInt64
	if err := row.Scan(&p.ID, &p.Code, &p.Name, &p.BirthDate, &sex, &p.Note, &created, &p.AgeYears, &p.AgeTold, &p.Gender, &rhythm, &condition, &conditions, &drugs, &archived, &merged, &kept, &p.Site); err != nil {
		return err
	}
	p.Created, p.MergedInto, p.Kept = fromMs(created), merged.Int64, kept.Int64
	if archived.Valid {
		p.Archived = fromMs(archived.Int64)
	}
	return errors.Join(p.Sex.UnmarshalText([]byte(sex)), p.Rhythm.UnmarshalText([]byte(rhythm)), p.Condition.UnmarshalText([]byte(condition)),
		readList(conditions, &p.Conditions), readList(drugs, &p.Drugs))
}

// readList reads a list as it is stored; an empty one is nil.
func readList[T any](text string, list *[]T) error {
	if text == "[]" {
		return nil
	}
	return json.Unmarshal([]byte(text), list)
}

func checkPerson(p Participant) (Participant, error) {
	p.Code, p.Name = strings.TrimSpace(p.Code), strings.TrimSpace(p.Name)
	switch {
	case p.Code == "":
		return p, &InvalidError{"participant", "the code is empty; give one"}
	case strings.HasPrefix(strings.ToLower(p.Code), "erased-"):
		return p, &InvalidError{"participant", "a code cannot begin with erased-; choose another"}
	case utf8.RuneCountInString(p.Code) > 64:
		return p, &InvalidError{"participant", "the code is longer than 64 characters; shorten it"}
	case len(p.Name) > 1024 || len(p.Note) > 64<<10 || len(p.Gender) > 1024:
		return p, &InvalidError{"participant " + p.Code, "the name, the gender or the note is too long; shorten it"}
	case !utf8.ValidString(p.Code + p.Name + p.Note + p.Gender):
		return p, &InvalidError{"participant", "the text is not UTF-8; enter it again"}
	case p.Sex > conduct.Male:
		return p, &InvalidError{"participant " + p.Code, "the sex is neither female, male nor empty"}
	case p.Rhythm > conduct.OtherRhythm || p.Condition >= conduct.CondOther<<1:
		return p, &InvalidError{"participant " + p.Code, "the rhythm or the kind of condition is unknown"}
	case !(p.AgeYears >= 0 && p.AgeYears <= 130):
		return p, &InvalidError{"participant " + p.Code, "the age is not between 0 and 130; check the entry"}
	case (p.AgeYears == 0) != (p.AgeTold == ""):
		return p, &InvalidError{"participant " + p.Code, "an age needs the day on which it was told"}
	}
	for _, day := range []string{p.BirthDate, p.AgeTold} {
		if day != "" && !isDay(day) {
			return p, &InvalidError{"participant " + p.Code, fmt.Sprintf("birth date or day %q is not a day; write it as 1950-12-31", day)}
		}
	}
	return checkLists(p)
}

// checkLists looks at what a person has several of, and leaves empty ones out.
func checkLists(p Participant) (Participant, error) {
	bad := func(texts ...string) bool {
		return slices.ContainsFunc(texts, func(t string) bool { return len(t) > 1024 || !utf8.ValidString(t) })
	}
	ids, conditions, drugs := p.Identifiers, p.Conditions, p.Drugs
	p.Identifiers, p.Conditions, p.Drugs = nil, nil, nil
	for _, id := range ids {
		id = Identifier{strings.TrimSpace(id.System), strings.TrimSpace(id.Value)}
		if bad(id.System, id.Value) {
			return p, &InvalidError{"participant " + p.Code, "an identifier is too long or not UTF-8"}
		}
		if id.Value != "" && !slices.Contains(p.Identifiers, id) {
			p.Identifiers = append(p.Identifiers, id)
		}
	}
	for _, text := range conditions {
		if bad(text) {
			return p, &InvalidError{"participant " + p.Code, "a condition is too long or not UTF-8"}
		}
		if text = strings.TrimSpace(text); text != "" {
			p.Conditions = append(p.Conditions, text)
		}
	}
	for _, d := range drugs {
		d = Drug{strings.TrimSpace(d.Name), strings.TrimSpace(d.Class), strings.TrimSpace(d.Dose), strings.TrimSpace(d.Taken)}
		if bad(d.Name, d.Class, d.Dose, d.Taken) {
			return p, &InvalidError{"participant " + p.Code, "a drug's entry is too long or not UTF-8"}
		}
		if d != (Drug{}) {
			p.Drugs = append(p.Drugs, d)
		}
	}
	if len(p.Identifiers) > 50 || len(p.Conditions) > 100 || len(p.Drugs) > 100 {
		return p, &InvalidError{"participant " + p.Code, "more than 50 identifiers or 100 conditions or drugs"}
	}
	return p, nil
}

func isDay(text string) bool {
	_, err := time.Parse(time.DateOnly, text)
	return err == nil
}

func (s *core) codeFree(ctx context.Context, tx *sql.Tx, site int64, code string, but int64) error {
	var by int64
	err := tx.QueryRowContext(ctx, `SELECT id FROM participants WHERE `+s.codeIs+` AND site = ? AND id <> ?`, code, site, but).Scan(&by)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return nil
	case err != nil:
		return err
	}
	return &CodeTakenError{Code: code, By: by}
}

func personExists(ctx context.Context, q querier, id int64) error {
	_, err := siteOf(ctx, q, id)
	return err
}

// siteOf is the site of a person who is there.
func siteOf(ctx context.Context, q querier, id int64) (site int64, err error) {
	err = q.QueryRowContext(ctx, `SELECT site FROM participants WHERE id = ? AND erased_ms IS NULL`, id).Scan(&site)
	if errors.Is(err, sql.ErrNoRows) {
		err = noPerson(id)
	}
	return site, err
}

func noPerson(id int64) error { return fmt.Errorf("record: participant %d: %w", id, ErrNotFound) }

func wordFor(v interface{ MarshalText() ([]byte, error) }) string {
	text, err := v.MarshalText()
	if err != nil {
		return ""
	}
	return string(text)
}
