package record

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"
)

// Origin is who or what of another record something here is, and how far that record's trail had come when it was last
// brought to what it says there. Created is the moment in ms at which the person was added there: a number may stand
// for somebody else in a record that was restored from before.
type Origin struct {
	ID, Seq int64
	Created int64 `json:",omitempty"`
}

// Origin returns what was kept under a name by AddOnce, or ErrNotFound.
func (s *core) Origin(ctx context.Context, name string) (o Origin, err error) {
	text, err := s.Kept(ctx, name)
	if err == nil {
		err = json.Unmarshal(text, &o)
	}
	return o, err
}

// AddOnce adds a person and keeps under a name who it is, in one commit, so that the person is never added twice.
func (s *core) AddOnce(ctx context.Context, name string, p Participant) (id int64, err error) {
	if p, err = checkPerson(p); err != nil {
		return 0, err
	}
	o := Origin{Created: ms(p.Created)}
	p.Created, p.Archived, p.MergedInto, p.Kept = s.stamp(), time.Time{}, 0, 0
	err = s.write(ctx, func(tx *sql.Tx) error {
		if err := s.insertPerson(ctx, tx, &p); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO kept (name, content) VALUES (?, ?)`, NameOfOrigin(p.ID), []byte(name)); err != nil {
			return err
		}
		o.ID = p.ID
		return keepOrigin(ctx, tx, name, o)
	})
	return p.ID, err
}

// NameOfOrigin is where the name is kept under which AddOnce added a person.
func NameOfOrigin(person int64) string { return fmt.Sprintf("origin/%d", person) }

func keepOrigin(ctx context.Context, tx *sql.Tx, name string, o Origin) error {
	text, err := json.Marshal(o)
	if err == nil {
		_, err = tx.ExecContext(ctx, `INSERT INTO kept (name, content) VALUES (?, ?)`, name, text)
	}
	return err
}

// Sent is what comes from the record of another site about one person. Who and when stay as they were written there,
// and by them each line is known again, so that the same once more adds nothing.
type Sent struct {
	Person   int64
	Newest   bool // it is the newest word about the days
	Days     []SentDay
	Consents []Consent
	Tests    []SentTest // tests that are here already
}

// SentDay is a visit with its facts. It is known again by its moment of creation, else by its day.
type SentDay struct {
	Visit
	Facts []Fact
}

// SentTest is what belongs to a test beside its events.
type SentTest struct {
	ID           string
	Results      []Result
	Papers       []Paper
	Countersigns []Countersign
}

// SentAdded counts what TakeIn added.
type SentAdded struct{ Visits, Facts, Consents, Results, Papers, Countersigns int }

// TakeIn stores what another site sent about a person, all or none.
func (s *core) TakeIn(ctx context.Context, sent Sent) (added SentAdded, err error) {
	err = s.write(ctx, func(tx *sql.Tx) error {
		added = SentAdded{}
		if err := personExists(ctx, tx, sent.Person); err != nil {
			return err
		}
		if err := s.takeDays(ctx, tx, sent, &added); err != nil {
			return err
		}
		for _, c := range sent.Consents {
			if err := takeConsent(ctx, tx, sent.Person, c, &added); err != nil {
				return err
			}
		}
		for _, t := range sent.Tests {
			if err := takeOfTest(ctx, tx, t, &added); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return SentAdded{}, err
	}
	return added, nil
}

// takeDays takes the visits. One may have moved to the day of another that has moved on, so those whose day is taken
// wait for the others.
func (s *core) takeDays(ctx context.Context, tx *sql.Tx, sent Sent, added *SentAdded) error {
	days := sent.Days
	for len(days) > 0 {
		var wait []SentDay
		var taken error
		for _, d := range days {
			id, err := s.takeVisit(ctx, tx, sent, d.Visit, added)
			if errors.As(err, new(*DayTakenError)) {
				wait, taken = append(wait, d), err
				continue
			}
			if err != nil {
				return err
			}
			for _, f := range d.Facts {
				f.Visit = id
				if err := takeFact(ctx, tx, f, added); err != nil {
					return err
				}
			}
		}
		if len(wait) == len(days) {
			return taken
		}
		days = wait
	}
	return nil
}

func (s *core) takeVisit(ctx context.Context, tx *sql.Tx, sent Sent, v Visit, added *SentAdded) (int64, error) {
	v, err := checkVisit(v)
	if err != nil {
		return 0, err
	}
	v.Participant = sent.Person
	var have Visit
	err = scanVisit(tx.QueryRowContext(ctx, `SELECT `+visitColumns+` FROM visits v WHERE participant = ? AND created_ms = ?`, sent.Person, ms(v.Created)), &have)
	if v.Created.IsZero() || errors.Is(err, sql.ErrNoRows) {
		have, err = visitOn(ctx, tx, sent.Person, v.Date)
	}
	switch {
	case errors.Is(err, ErrNotFound):
		if v.Created.IsZero() {
			v.Created = s.stamp()
		}
		added.Visits++
		err := insertVisitAsIs(ctx, tx, &v)
		return v.ID, err
	case err != nil:
		return 0, err
	case !sent.Newest:
		return have.ID, nil
	}
	v.ID, v.Created = have.ID, have.Created
	if v == have {
		return v.ID, nil
	}
	if err := dayFree(ctx, tx, v); err != nil {
		return 0, err
	}
	return v.ID, replaceVisit(ctx, tx, v)
}

// takeFact adds a fact unless the visit has one of the same kind by the same person of the same moment.
func takeFact(ctx context.Context, tx *sql.Tx, f Fact, added *SentAdded) error {
	if err := checkFact(f); err != nil {
		return err
	}
	there, err := exists(ctx, tx, `SELECT 1 FROM facts WHERE visit = ? AND kind = ? AND by = ? AND at_ms = ?`, f.Visit, f.Kind, f.By, ms(f.At))
	if err != nil || there {
		return err
	}
	added.Facts++
	return insertFact(ctx, tx, &f)
}

func exists(ctx context.Context, q querier, query string, args ...any) (bool, error) {
	var one int
	err := q.QueryRowContext(ctx, query+` LIMIT 1`, args...).Scan(&one)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	return err == nil, err
}

func takeConsent(ctx context.Context, tx *sql.Tx, person int64, c Consent, added *SentAdded) error {
	if err := checkConsent(&c); err != nil {
		return err
	}
	there, err := exists(ctx, tx, `SELECT 1 FROM consents WHERE participant = ? AND purpose = ? AND given = ? AND date = ? AND by = ? AND at_ms = ?`,
		person, c.Purpose, flag(c.Given), c.Date, c.By, ms(c.At))
	if err != nil || there {
		return err
	}
	c.Participant = person
	added.Consents++
	return insertConsent(ctx, tx, &c)
}

// takeOfTest adds results, papers and countersigns. A version that was made here meanwhile keeps its number, and the
// papers follow the version that they were of.
func takeOfTest(ctx context.Context, tx *sql.Tx, t SentTest, added *SentAdded) error {
	version := map[int]int{}
	for _, r := range t.Results {
		r.Test = t.ID
		if err := checkResult(r); err != nil {
			return err
		}
		n, err := takeResult(ctx, tx, r, added)
		if err != nil {
			return err
		}
		version[r.N] = n
	}
	for _, p := range t.Papers {
		p.Test, p.Version = t.ID, version[p.Version]
		if err := checkPaper(p); err != nil {
			return err
		}
		if p.Version == 0 {
			return &InvalidError{"paper of test " + t.ID, "the version of the result that it shows was not sent"}
		}
		there, err := exists(ctx, tx, `SELECT 1 FROM papers WHERE test = ? AND version = ? AND what = ? AND to_whom = ? AND by = ? AND at_ms = ?`, p.Test, p.Version, p.What, p.To, p.By, ms(p.At))
		if err != nil {
			return err
		}
		if !there {
			added.Papers++
			if err := insertPaper(ctx, tx, &p); err != nil {
				return err
			}
		}
	}
	return takeCountersigns(ctx, tx, t, added)
}

func takeResult(ctx context.Context, tx *sql.Tx, r Result, added *SentAdded) (n int, err error) {
	err = tx.QueryRowContext(ctx, `SELECT n FROM results WHERE test = ? AND by = ? AND at_ms = ?`, r.Test, r.By, ms(r.At)).Scan(&n)
	if err == nil || !errors.Is(err, sql.ErrNoRows) {
		return n, err
	}
	last, err := lastResult(ctx, tx, r.Test)
	if err != nil {
		return 0, err
	}
	r.N = last.N + 1
	added.Results++
	return r.N, insertResult(ctx, tx, r)
}

func takeCountersigns(ctx context.Context, tx *sql.Tx, t SentTest, added *SentAdded) error {
	if len(t.Countersigns) == 0 {
		return nil
	}
	have, err := countersigns(ctx, tx, t.ID)
	if err != nil {
		return err
	}
	for _, c := range t.Countersigns {
		if err := checkCountersign(&c); err != nil {
			return err
		}
		if slices.ContainsFunc(have, func(o Countersign) bool { return o.By == c.By && o.At.Equal(c.At) }) {
			continue
		}
		c.Test, c.N, c.Account = t.ID, len(have)+1, 0 // the account is one of the site
		if err := insertCountersign(ctx, tx, c); err != nil {
			return err
		}
		have = append(have, c)
		added.Countersigns++
	}
	return nil
}

// TakeMachine stores a machine of another site with its versions and control runs, and keeps under a name which it is.
func (s *core) TakeMachine(ctx context.Context, name string, site int64, versions []Machine, runs []ControlRun) (added int, err error) {
	err = s.write(ctx, func(tx *sql.Tx) error {
		added = 0
		id, err := machineOrigin(ctx, tx, name, site)
		if err != nil {
			return err
		}
		for _, m := range versions {
			if err := takeVersion(ctx, tx, id, m, &added); err != nil {
				return err
			}
		}
		for _, r := range runs {
			r.Machine = id
			if err := s.takeRun(ctx, tx, r, &added); err != nil {
				return err
			}
		}
		return nil
	})
	return added, err
}

func machineOrigin(ctx context.Context, tx *sql.Tx, name string, site int64) (int64, error) {
	var text []byte
	err := tx.QueryRowContext(ctx, `SELECT content FROM kept WHERE name = ?`, name).Scan(&text)
	if err == nil {
		var o Origin
		err = json.Unmarshal(text, &o)
		return o.ID, err
	}
	if !errors.Is(err, sql.ErrNoRows) {
		return 0, err
	}
	var id int64
	if err := tx.QueryRowContext(ctx, `INSERT INTO machines (site) VALUES (?) RETURNING id`, site).Scan(&id); err != nil {
		return 0, err
	}
	return id, keepOrigin(ctx, tx, name, Origin{ID: id})
}

func takeVersion(ctx context.Context, tx *sql.Tx, id int64, m Machine, added *int) error {
	if m.By == "" {
		return &InvalidError{"machine " + m.Name, "it needs who"}
	}
	if err := m.Check(); err != nil {
		return &InvalidError{"machine " + m.Name, err.Error()}
	}
	there, err := exists(ctx, tx, `SELECT 1 FROM machine_versions WHERE machine = ? AND by = ? AND at_ms = ?`, id, m.By, ms(m.At))
	if err != nil || there {
		return err
	}
	n, err := machineVersion(ctx, tx, id)
	if err != nil {
		return err
	}
	*added++
	text, err := json.Marshal(m.Profile)
	if err == nil {
		_, err = tx.ExecContext(ctx, `INSERT INTO machine_versions (machine, n, json, by, at_ms) VALUES (?, ?, ?, ?, ?)`, id, n+1, string(text), m.By, ms(m.At))
	}
	return err
}

// takeRun adds a control run, and strikes out one that was struck out at its site; the moment is that of hearing of it.
func (s *core) takeRun(ctx context.Context, tx *sql.Tx, r ControlRun, added *int) error {
	if err := checkRun(r); err != nil {
		return err
	}
	err := tx.QueryRowContext(ctx, `SELECT id FROM control_runs WHERE machine = ? AND staff = ? AND by = ? AND at_ms = ?`, r.Machine, r.Staff, r.By, ms(r.At)).Scan(&r.ID)
	if errors.Is(err, sql.ErrNoRows) {
		*added++
		err = insertRun(ctx, tx, &r)
	}
	if err != nil || r.StruckBy == "" {
		return err
	}
	_, err = tx.ExecContext(ctx, `UPDATE control_runs SET struck_by = ?, struck_why = ?, struck_ms = ? WHERE id = ? AND struck_ms IS NULL`, r.StruckBy, r.StruckWhy, ms(s.now()), r.ID)
	return err
}

// ErasedPerson is somebody who was deleted, with the moment at which the person had been added.
type ErasedPerson struct {
	Erasure
	Created time.Time
}

// Erased returns every person who was deleted, by number, those deleted as shown with another too, with who and why.
func (s *core) Erased(ctx context.Context) (list []ErasedPerson, err error) {
	err = each(ctx, s.reader, func(rows *sql.Rows) error {
		var e ErasedPerson
		var at, created int64
		err := rows.Scan(&e.Participant, &e.Site, &created, &at, &e.By, &e.Why)
		e.At, e.Created = fromMs(at), fromMs(created)
		if n := len(list); n == 0 || list[n-1].Participant != e.Participant {
			list = append(list, e)
		}
		return err
	}, `SELECT p.id, p.site, p.created_ms, p.erased_ms, e.by, e.why FROM participants p JOIN erasures e ON e.at_ms = p.erased_ms ORDER BY p.id, e.id`)
	return list, s.fault(ctx, err)
}

// Blocks returns the blocks of all kinds of a test after a number, in their order; -1: from the first.
func (s *core) Blocks(ctx context.Context, test string, after int64, most int) (blocks []Block, err error) {
	err = each(ctx, s.reader, func(rows *sql.Rows) error {
		var b Block
		var seq int64
		err := rows.Scan(&seq, &b.From, &b.To, &b.Kind, &b.Payload)
		b.Seq = uint64(seq)
		blocks = append(blocks, b)
		return err
	}, `SELECT seq, from_ms, to_ms, kind, payload FROM samples WHERE test = ? AND seq > ? ORDER BY seq LIMIT ?`, test, after, most)
	return blocks, s.fault(ctx, err)
}

// CountBlocks counts the blocks of a test.
func (s *core) CountBlocks(ctx context.Context, test string) (n int, err error) {
	err = s.reader.QueryRowContext(ctx, `SELECT count(*) FROM samples WHERE test = ?`, test).Scan(&n)
	return n, s.fault(ctx, err)
}
