package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"gradus/conduct"
)

const personColumns = `id, code, name, birth_date, sex, note, created_ms`

// AddParticipant stores a new person.
func (s *SQLite) AddParticipant(ctx context.Context, p Participant) (Participant, error) {
	p, err := checkPerson(p)
	if err != nil {
		return Participant{}, err
	}
	p.Created = s.stamp()
	err = s.write(ctx, func(tx *sql.Tx) error {
		if err := codeFree(ctx, tx, p.Code, 0); err != nil {
			return err
		}
		return tx.QueryRowContext(ctx, `INSERT INTO participants (code, name, birth_date, sex, note, search, created_ms) VALUES (?, ?, ?, ?, ?, ?, ?) RETURNING id`,
			p.Code, p.Name, p.BirthDate, sexWord(p.Sex), p.Note, searchText(p), ms(p.Created)).Scan(&p.ID)
	})
	if err != nil {
		return Participant{}, err
	}
	return p, nil
}

// UpdateParticipant replaces what is known about a person.
func (s *SQLite) UpdateParticipant(ctx context.Context, p Participant) error {
	p, err := checkPerson(p)
	if err != nil {
		return err
	}
	return s.write(ctx, func(tx *sql.Tx) error {
		if err := personExists(ctx, tx, p.ID); err != nil {
			return err
		}
		if err := codeFree(ctx, tx, p.Code, p.ID); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, `UPDATE participants SET code = ?, name = ?, birth_date = ?, sex = ?, note = ?, search = ? WHERE id = ?`,
			p.Code, p.Name, p.BirthDate, sexWord(p.Sex), p.Note, searchText(p), p.ID)
		return err
	})
}

// Participant returns one person.
func (s *SQLite) Participant(ctx context.Context, id int64) (p Participant, err error) {
	row := s.reader.QueryRowContext(ctx, `SELECT `+personColumns+` FROM participants WHERE id = ?`, id)
	err = scanPerson(row, &p)
	if errors.Is(err, sql.ErrNoRows) {
		return p, noPerson(id)
	}
	return p, s.fault(ctx, err)
}

// Participants searches code and name.
func (s *SQLite) Participants(ctx context.Context, query string, limit int) ([]Participant, error) {
	if limit <= 0 {
		limit = -1
	}
	var where strings.Builder
	var args []any
	for i, word := range strings.Fields(strings.ToLower(query)) {
		where.WriteString([]string{" WHERE ", " AND "}[min(i, 1)] + "instr(search, ?) > 0")
		args = append(args, word)
	}
	var found []Participant
	err := each(ctx, s.reader, func(rows *sql.Rows) error {
		var p Participant
		err := scanPerson(rows, &p)
		found = append(found, p)
		return err
	}, `SELECT `+personColumns+` FROM participants`+where.String()+` ORDER BY code LIMIT ?`, append(args, limit)...)
	return found, s.fault(ctx, err)
}

func scanPerson(row interface{ Scan(...any) error }, p *Participant) error {
	var sex string
	var created int64
	if err := row.Scan(&p.ID, &p.Code, &p.Name, &p.BirthDate, &sex, &p.Note, &created); err != nil {
		return err
	}
	p.Created = fromMs(created)
	return p.Sex.UnmarshalText([]byte(sex))
}

func checkPerson(p Participant) (Participant, error) {
	p.Code, p.Name = strings.TrimSpace(p.Code), strings.TrimSpace(p.Name)
	switch {
	case p.Code == "":
		return p, &InvalidError{"participant", "the code is empty; give one"}
	case utf8.RuneCountInString(p.Code) > 64:
		return p, &InvalidError{"participant", "the code is longer than 64 characters; shorten it"}
	case len(p.Name) > 1024 || len(p.Note) > 64<<10:
		return p, &InvalidError{"participant " + p.Code, "the name or the note is too long; shorten it"}
	case !utf8.ValidString(p.Code + p.Name + p.Note):
		return p, &InvalidError{"participant", "the text is not UTF-8; enter it again"}
	case p.Sex > conduct.Male:
		return p, &InvalidError{"participant " + p.Code, "the sex is neither female, male nor empty"}
	}
	if p.BirthDate != "" {
		if _, err := time.Parse(time.DateOnly, p.BirthDate); err != nil {
			return p, &InvalidError{"participant " + p.Code, fmt.Sprintf("birth date %q is not a day; write it as 1950-12-31", p.BirthDate)}
		}
	}
	return p, nil
}

func codeFree(ctx context.Context, tx *sql.Tx, code string, but int64) error {
	var by int64
	err := tx.QueryRowContext(ctx, `SELECT id FROM participants WHERE code = ? AND id <> ?`, code, but).Scan(&by)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return nil
	case err != nil:
		return err
	}
	return &CodeTakenError{Code: code, By: by}
}

func personExists(ctx context.Context, q querier, id int64) error {
	var one int
	err := q.QueryRowContext(ctx, `SELECT 1 FROM participants WHERE id = ?`, id).Scan(&one)
	if errors.Is(err, sql.ErrNoRows) {
		return noPerson(id)
	}
	return err
}

func noPerson(id int64) error { return fmt.Errorf("record: participant %d: %w", id, ErrNotFound) }

// searchText is what a search looks at: small letters beyond ASCII too, which SQL would not make.
func searchText(p Participant) string { return strings.ToLower(p.Code + " " + p.Name) }

func sexWord(s conduct.Sex) string {
	text, err := s.MarshalText()
	if err != nil {
		return ""
	}
	return string(text)
}
