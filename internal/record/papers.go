package record

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"
)

// AddResult stores what a test was found to say.
func (s *core) AddResult(ctx context.Context, r Result) (Result, error) {
	r.By, r.Why = strings.TrimSpace(r.By), strings.TrimSpace(r.Why)
	what := "result of test " + r.Test
	if err := checkResult(r); err != nil {
		return Result{}, err
	}
	err := s.write(ctx, func(tx *sql.Tx) error {
		t, err := oneTest(ctx, tx, r.Test)
		if err == nil && t.Running() {
			err = fmt.Errorf("record: test %s: %w", r.Test, ErrRunning)
		}
		if err != nil {
			return err
		}
		last, err := lastResult(ctx, tx, r.Test)
		switch {
		case err != nil:
			return err
		case last.N > 0 && bytes.Equal(last.JSON, r.JSON):
			r = last
			return nil
		case last.N > 0 && r.Why == "":
			return &InvalidError{what, fmt.Sprintf("it replaces version %d; say why", last.N)}
		}
		r.N, r.At = last.N+1, s.stamp()
		return insertResult(ctx, tx, r)
	})
	if err != nil {
		return Result{}, err
	}
	return r, nil
}

func checkResult(r Result) error {
	what := "result of test " + r.Test
	switch {
	case r.By == "":
		return &InvalidError{what, "it needs who"}
	case len(r.JSON) > 1<<20 || !json.Valid(r.JSON) || !utf8.Valid(r.JSON):
		return &InvalidError{what, "it is not JSON, or longer than 1 MiB"}
	}
	return nil
}

func insertResult(ctx context.Context, tx *sql.Tx, r Result) error {
	_, err := tx.ExecContext(ctx, `INSERT INTO results (test, n, json, by, why, at_ms) VALUES (?, ?, ?, ?, ?, ?)`, r.Test, r.N, string(r.JSON), r.By, r.Why, ms(r.At))
	return err
}

func lastResult(ctx context.Context, q querier, test string) (r Result, err error) {
	err = scanResult(q.QueryRowContext(ctx, `SELECT test, n, json, by, why, at_ms FROM results WHERE test = ? ORDER BY n DESC LIMIT 1`, test), &r)
	if errors.Is(err, sql.ErrNoRows) {
		return Result{}, nil
	}
	return r, err
}

func scanResult(row interface{ Scan(...any) error }, r *Result) error {
	var text string
	var at int64
	err := row.Scan(&r.Test, &r.N, &text, &r.By, &r.Why, &at)
	r.JSON, r.At = json.RawMessage(text), fromMs(at)
	return err
}

// Results returns the versions of a test's result.
func (s *core) Results(ctx context.Context, test string) ([]Result, error) {
	var list []Result
	err := each(ctx, s.reader, func(rows *sql.Rows) error {
		var r Result
		err := scanResult(rows, &r)
		list = append(list, r)
		return err
	}, `SELECT test, n, json, by, why, at_ms FROM results WHERE test = ? ORDER BY n`, test)
	return list, s.fault(ctx, err)
}

// HandOut notes that a paper or a file left the house.
func (s *core) HandOut(ctx context.Context, p Paper) (Paper, error) {
	p.What, p.To, p.By = strings.TrimSpace(p.What), strings.TrimSpace(p.To), strings.TrimSpace(p.By)
	what := "paper of test " + p.Test
	if err := checkPaper(p); err != nil {
		return Paper{}, err
	}
	p.At = s.stamp()
	err := s.write(ctx, func(tx *sql.Tx) error {
		if _, err := oneTest(ctx, tx, p.Test); err != nil {
			return err
		}
		last, err := lastResult(ctx, tx, p.Test)
		switch {
		case err != nil:
			return err
		case p.Version < 1 || p.Version > last.N:
			return &InvalidError{what, fmt.Sprintf("there is no version %d of its result", p.Version)}
		}
		return insertPaper(ctx, tx, &p)
	})
	if err != nil {
		return Paper{}, err
	}
	return p, nil
}

func checkPaper(p Paper) error {
	what := "paper of test " + p.Test
	switch {
	case p.What == "" || p.To == "" || p.By == "":
		return &InvalidError{what, "it needs what, to whom and by whom"}
	case len(p.What)+len(p.To)+len(p.By) > 4096 || !utf8.ValidString(p.What+p.To+p.By):
		return &InvalidError{what, "a text is too long or not UTF-8"}
	}
	return nil
}

func insertPaper(ctx context.Context, tx *sql.Tx, p *Paper) error {
	return tx.QueryRowContext(ctx, `INSERT INTO papers (test, version, what, to_whom, by, at_ms) VALUES (?, ?, ?, ?, ?, ?) RETURNING id`,
		p.Test, p.Version, p.What, p.To, p.By, ms(p.At)).Scan(&p.ID)
}

// Papers returns what was handed out of a test.
func (s *core) Papers(ctx context.Context, test string) ([]Paper, error) {
	return s.papers(ctx, `test = ? ORDER BY id`, test)
}

// PaperByID returns one paper, or ErrNotFound.
func (s *core) PaperByID(ctx context.Context, id int64) (Paper, error) {
	list, err := s.papers(ctx, `id = ?`, id)
	if err == nil && len(list) == 0 {
		err = fmt.Errorf("record: paper %d: %w", id, ErrNotFound)
	}
	if err != nil {
		return Paper{}, err
	}
	return list[0], nil
}

func (s *core) papers(ctx context.Context, where string, args ...any) ([]Paper, error) {
	var list []Paper
	err := each(ctx, s.reader, func(rows *sql.Rows) error {
		var p Paper
		var at int64
		err := rows.Scan(&p.ID, &p.Test, &p.Version, &p.What, &p.To, &p.By, &at)
		p.At = fromMs(at)
		list = append(list, p)
		return err
	}, `SELECT id, test, version, what, to_whom, by, at_ms FROM papers WHERE `+where, args...)
	return list, s.fault(ctx, err)
}
