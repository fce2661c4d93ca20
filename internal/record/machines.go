package record

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"
)

// SaveMachine adds a machine or a version of it.
func (s *core) SaveMachine(ctx context.Context, m Machine) (Machine, error) {
	m.By = strings.TrimSpace(m.By)
	if m.By == "" {
		return Machine{}, &InvalidError{"machine " + m.Name, "it needs who"}
	}
	if err := m.Check(); err != nil {
		return Machine{}, &InvalidError{"machine " + m.Name, err.Error()}
	}
	text, err := json.Marshal(m.Profile)
	if err != nil {
		return Machine{}, &InvalidError{"machine " + m.Name, err.Error()}
	}
	m.At = s.stamp()
	err = s.write(ctx, func(tx *sql.Tx) error {
		if m.ID == 0 {
			if err := tx.QueryRowContext(ctx, `INSERT INTO machines (site) VALUES (?) RETURNING id`, or0(m.Site, FirstSite)).Scan(&m.ID); err != nil {
				return err
			}
			m.Version = 0
		}
		have, err := machineVersion(ctx, tx, m.ID)
		switch {
		case err != nil:
			return err
		case m.Version == 0 && have != 0 || m.Version != have:
			return &ChangedError{What: "machine " + m.Name, Have: have, Got: m.Version}
		}
		if err := tx.QueryRowContext(ctx, `SELECT site FROM machines WHERE id = ?`, m.ID).Scan(&m.Site); err != nil {
			return err
		}
		m.Version++
		_, err = tx.ExecContext(ctx, `INSERT INTO machine_versions (machine, n, json, by, at_ms) VALUES (?, ?, ?, ?, ?)`, m.ID, m.Version, string(text), m.By, ms(m.At))
		return err
	})
	if err != nil {
		return Machine{}, err
	}
	return m, nil
}

// machineVersion is the newest version of a machine; 0 of one that is being made.
func machineVersion(ctx context.Context, q querier, id int64) (n int, err error) {
	err = q.QueryRowContext(ctx, `SELECT coalesce((SELECT max(n) FROM machine_versions WHERE machine = id), 0) FROM machines WHERE id = ?`, id).Scan(&n)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, noMachine(id)
	}
	return n, err
}

func noMachine(id int64) error { return fmt.Errorf("record: machine %d: %w", id, ErrNotFound) }

const machineColumns = `machine, n, json, by, at_ms, (SELECT site FROM machines m WHERE m.id = machine_versions.machine)`

// Machine returns a machine as it stands.
func (s *core) Machine(ctx context.Context, id int64) (Machine, error) {
	list, err := s.machines(ctx, `machine = ? ORDER BY n DESC LIMIT 1`, id)
	if err == nil && len(list) == 0 {
		return Machine{}, noMachine(id)
	}
	if err != nil {
		return Machine{}, err
	}
	return list[0], nil
}

// MachineVersions returns all versions of a machine.
func (s *core) MachineVersions(ctx context.Context, id int64) ([]Machine, error) {
	list, err := s.machines(ctx, `machine = ? ORDER BY n`, id)
	if err == nil && len(list) == 0 {
		return nil, noMachine(id)
	}
	return list, err
}

// Machines returns all machines as they stand.
func (s *core) Machines(ctx context.Context) ([]Machine, error) {
	return s.machines(ctx, `n = (SELECT max(n) FROM machine_versions newest WHERE newest.machine = machine_versions.machine) ORDER BY machine`)
}

func (s *core) machines(ctx context.Context, where string, args ...any) ([]Machine, error) {
	var list []Machine
	err := each(ctx, s.reader, func(rows *sql.Rows) error {
		var m Machine
		var text string
		var at int64
		if err := rows.Scan(&m.ID, &m.Version, &text, &m.By, &at, &m.Site); err != nil {
			return err
		}
		m.At = fromMs(at)
		err := json.Unmarshal([]byte(text), &m.Profile)
		list = append(list, m)
		return err
	}, `SELECT `+machineColumns+` FROM machine_versions WHERE `+where, args...)
	return list, s.fault(ctx, err)
}

// AddControlRun stores a run of the biological control.
func (s *core) AddControlRun(ctx context.Context, r ControlRun) (ControlRun, error) {
	r.Staff, r.By, r.Note = strings.TrimSpace(r.Staff), strings.TrimSpace(r.By), strings.TrimSpace(r.Note)
	if err := checkRun(r); err != nil {
		return ControlRun{}, err
	}
	r.At, r.StruckBy, r.StruckWhy = s.stamp(), "", ""
	err := s.write(ctx, func(tx *sql.Tx) error {
		if _, err := machineVersion(ctx, tx, r.Machine); err != nil {
			return err
		}
		return insertRun(ctx, tx, &r)
	})
	if err != nil {
		return ControlRun{}, err
	}
	return r, nil
}

func insertRun(ctx context.Context, tx *sql.Tx, r *ControlRun) error {
	return tx.QueryRowContext(ctx, `INSERT INTO control_runs (machine, staff, date, work_w, rates, anew, note, by, at_ms) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) RETURNING id`,
		r.Machine, r.Staff, r.Date, r.Work, jsonList(r.HeartRates), flag(r.Anew), r.Note, r.By, ms(r.At)).Scan(&r.ID)
}

func checkRun(r ControlRun) error {
	what := "control run on " + r.Date
	switch {
	case !isDay(r.Date):
		return &InvalidError{"control run", fmt.Sprintf("date %q is not a day; write it as 2026-03-02", r.Date)}
	case r.Staff == "" || r.By == "" || len(r.Staff)+len(r.By)+len(r.Note) > 4096 || !utf8.ValidString(r.Staff+r.By+r.Note):
		return &InvalidError{what, "it needs a staff member's code and who enters it, both short"}
	case !(r.Work > 0 && r.Work <= 1000):
		return &InvalidError{what, "the work rate is not above 0 and at most 1000; check the entry"}
	case len(r.HeartRates) == 0 || len(r.HeartRates) > 60:
		return &InvalidError{what, "it needs 1 to 60 heart rates"}
	}
	for _, v := range r.HeartRates {
		if !(v >= 25 && v <= 250) {
			return &InvalidError{what, fmt.Sprintf("heart rate %v is not between 25 and 250 /min; check the entry", v)}
		}
	}
	return nil
}

// StrikeControlRun takes a run out of the chart.
func (s *core) StrikeControlRun(ctx context.Context, id int64, by, why string) error {
	by, why = strings.TrimSpace(by), strings.TrimSpace(why)
	if by == "" || why == "" {
		return &InvalidError{"control run", "striking it out needs who and why"}
	}
	return s.write(ctx, func(tx *sql.Tx) error {
		done, err := tx.ExecContext(ctx, `UPDATE control_runs SET struck_by = ?, struck_why = ?, struck_ms = ? WHERE id = ? AND struck_ms IS NULL`, by, why, ms(s.now()), id)
		if err != nil {
			return err
		}
		if n, err := done.RowsAffected(); err != nil || n > 0 {
			return err
		}
		var one int
		if err := tx.QueryRowContext(ctx, `SELECT 1 FROM control_runs WHERE id = ?`, id).Scan(&one); errors.Is(err, sql.ErrNoRows) {
			return fmt.Errorf("record: control run %d: %w", id, ErrNotFound)
		} else if err != nil {
			return err
		}
		return &InvalidError{"control run", "it is struck out already"}
	})
}

// ControlRuns returns the runs on a machine.
func (s *core) ControlRuns(ctx context.Context, machine int64) ([]ControlRun, error) {
	var list []ControlRun
	err := each(ctx, s.reader, func(rows *sql.Rows) error {
		var r ControlRun
		var rates string
		var at int64
		var by, why sql.NullString
		var struck sql.NullInt64
		if err := rows.Scan(&r.ID, &r.Machine, &r.Staff, &r.Date, &r.Work, &rates, &r.Anew, &r.Note, &r.By, &at, &by, &why, &struck); err != nil {
			return err
		}
		r.At, r.StruckBy, r.StruckWhy = fromMs(at), by.String, why.String
		err := readList(rates, &r.HeartRates)
		list = append(list, r)
		return err
	}, `SELECT id, machine, staff, date, work_w, rates, anew, note, by, at_ms, struck_by, struck_why, struck_ms FROM control_runs WHERE machine = ? ORDER BY date, id`, machine)
	return list, s.fault(ctx, err)
}
