package record

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"database/sql"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"gradus/conduct"
	"gradus/internal/audit"
)

// Every change of a row fires a trigger that notes the row in the table touched; before its commit the transaction turns
// those notes into entries of the audit trail, so that nothing can be written past it. Events and samples, which are
// only added, are noted by the code that adds them.

// covered is a table whose rows the trail covers.
type covered struct {
	name   string
	keys   []string // key columns; one that begins with ' holds text
	entity string   // how entries name a row, by its keys
	verb   string   // what adding a row means; "" add
	skip   []string // columns that are computed from others
}

var coveredTables = []covered{
	{name: "participants", keys: []string{"id"}, entity: "person/%s", skip: []string{"changed"}},
	{name: "identifiers", keys: []string{"participant", "place"}, entity: "person/%s/identifier/%s", skip: []string{"folded"}},
	{name: "merges", keys: []string{"id"}, entity: "merge/%s", verb: "merge"},
	{name: "visits", keys: []string{"id"}, entity: "visit/%s"},
	{name: "facts", keys: []string{"visit", "n"}, entity: "visit/%s/fact/%s"},
	{name: "tests", keys: []string{"'id"}, entity: "test/%s", skip: []string{"closed_ms"}},
	{name: "reassignments", keys: []string{"id"}, entity: "reassignment/%s", verb: "reassign"},
	{name: "results", keys: []string{"'test", "n"}, entity: "test/%s/result/%s"},
	{name: "papers", keys: []string{"id"}, entity: "paper/%s", verb: "hand-out"},
	{name: "machine_versions", keys: []string{"machine", "n"}, entity: "machine/%s/version/%s"},
	{name: "control_runs", keys: []string{"id"}, entity: "control-run/%s"},
	{name: "sites", keys: []string{"id"}, entity: "site/%s"},
	{name: "accounts", keys: []string{"id"}, entity: "account/%s", skip: []string{"totp_step"}},
	{name: "passkeys", keys: []string{"'id"}, entity: "passkey/%s", skip: []string{"used_ms"}},
	{name: "recovery_codes", keys: []string{"account", "'hash"}, entity: "account/%s/recovery-code/%s"},
	{name: "resets", keys: []string{"'hash"}, entity: "reset/%s"},
	{name: "countersigns", keys: []string{"'test", "n"}, entity: "test/%s/countersign/%s", verb: "countersign"},
	{name: "consents", keys: []string{"participant", "n"}, entity: "person/%s/consent/%s", verb: "consent"},
	{name: "erasures", keys: []string{"id"}, entity: "erasure/%s", verb: "erase"},
	{name: "files", keys: []string{"id"}, entity: "file/%s"},
	{name: "study_codes", keys: []string{"id"}, entity: "study-code/%s"},
	{name: "links", keys: []string{"id"}, entity: "link/%s"},
}

func coveredTable(name string) (covered, bool) {
	i := slices.IndexFunc(coveredTables, func(c covered) bool { return c.name == name })
	if i < 0 {
		return covered{}, false
	}
	return coveredTables[i], true
}

func (c covered) column(i int) string { return strings.TrimPrefix(c.keys[i], "'") }

// where is the condition that finds a row by its keys, and the keys as the database takes them.
func (c covered) where(keys []string) (string, []any, error) {
	var parts []string
	var args []any
	for i := range c.keys {
		parts = append(parts, c.column(i)+" = ?")
		if strings.HasPrefix(c.keys[i], "'") {
			args = append(args, keys[i])
			continue
		}
		n, err := strconv.ParseInt(keys[i], 10, 64)
		if err != nil {
			return "", nil, err
		}
		args = append(args, n)
	}
	return strings.Join(parts, " AND "), args, nil
}

func (c covered) nameOf(keys []string) string {
	args := make([]any, len(c.keys))
	for i := range args {
		args[i] = keys[i]
	}
	return fmt.Sprintf(c.entity, args...)
}

// digest is that of a row, the same on either database. A column that says nothing is left out, so that one which a
// later version adds changes no digest.
func (c covered) digest(salt, entity string, columns []string, values []any) (string, error) {
	row := map[string]any{}
	for i, name := range columns {
		if slices.Contains(c.skip, name) {
			continue
		}
		switch v := values[i].(type) {
		case nil:
		case int64:
			if v != 0 {
				row[name] = strconv.FormatInt(v, 10)
			}
		case float64:
			if v != 0 {
				row[name] = strconv.FormatFloat(v, 'g', -1, 64)
			}
		case string:
			if v != "" {
				row[name] = v
			}
		case []byte:
			if len(v) > 0 {
				row[name] = base64.StdEncoding.EncodeToString(v)
			}
		default:
			return "", fmt.Errorf("record: table %s: column %s holds a %T", c.name, name, v)
		}
	}
	text, err := json.Marshal(row) // sorts the keys
	if err != nil {
		return "", err
	}
	return salted(salt, entity, string(text)), nil
}

func salted(salt string, parts ...string) string {
	h := sha256.New()
	h.Write([]byte(salt))
	for _, p := range parts {
		h.Write([]byte{0})
		h.Write([]byte(p))
	}
	return hex.EncodeToString(h.Sum(nil))
}

func newSalt() string {
	b := make([]byte, 16)
	rand.Read(b)
	return hex.EncodeToString(b)
}

// scanWhole reads the row that a query is at, whatever its columns.
func scanWhole(rows *sql.Rows) (columns []string, values []any, err error) {
	if columns, err = rows.Columns(); err != nil {
		return nil, nil, err
	}
	values = make([]any, len(columns))
	to := make([]any, len(columns))
	for i := range values {
		to[i] = &values[i]
	}
	return columns, values, rows.Scan(to...)
}

// seal turns what the transaction has touched into entries and adds them to the trail.
func (s *core) seal(ctx context.Context, tx *sql.Tx) error {
	entries, err := s.entriesOfTouched(ctx, tx)
	if err != nil || len(entries) == 0 {
		return err
	}
	who := audit.From(ctx)
	for i := range entries {
		e := &entries[i]
		if e.Actor, e.Session = who.Actor, who.Session; e.Action == SignIn {
			e.Actor = e.Entity
		}
	}
	return s.addEntries(ctx, tx, entries)
}

// forgetTouched begins a transaction: what stands there was not changed by this program, and the trail does not cover it.
func forgetTouched(ctx context.Context, tx *sql.Tx) error {
	_, err := tx.ExecContext(ctx, `DELETE FROM touched`)
	return err
}

// What entries say that no row tells.
const (
	SignIn       = "sign-in"
	SignInFailed = "sign-in-failed"
	SignOut      = "sign-out"
)

const noteTable = "note"

// noteIn enters what a transaction does that no row tells.
func noteIn(ctx context.Context, tx *sql.Tx, action, entity string) error {
	_, err := tx.ExecContext(ctx, `INSERT INTO touched VALUES (?, ?, ?)`, noteTable, action, entity)
	return err
}

// accountName is how entries name an account, or the owner of a record without accounts.
func accountName(id int64) string {
	if id == 0 {
		return "owner"
	}
	return fmt.Sprintf("account/%d", id)
}

// beginTrail lets the trail begin with what a record holds that is older than it.
func beginTrail(ctx context.Context, tx *sql.Tx) error {
	for _, c := range coveredTables {
		keys := c.column(0) + ", "
		if len(c.keys) > 1 {
			keys += c.column(1)
		} else {
			keys += "''"
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO touched SELECT '`+c.name+`', `+keys+` FROM `+c.name); err != nil {
			return err
		}
	}
	return nil
}

func (s *core) entriesOfTouched(ctx context.Context, tx *sql.Tx) (entries []audit.Entry, err error) {
	type place struct{ tab, key1, key2 string }
	var places []place
	seen := map[place]bool{}
	err = each(ctx, tx, func(rows *sql.Rows) error {
		var p place
		err := rows.Scan(&p.tab, &p.key1, &p.key2)
		if !seen[p] {
			places, seen[p] = append(places, p), true
		}
		return err
	}, `SELECT tab, key1, key2 FROM touched`)
	if err != nil || len(places) == 0 {
		return nil, err
	}
	for _, p := range places {
		if p.tab == noteTable {
			entries = append(entries, audit.Entry{Action: p.key1, Entity: p.key2})
			continue
		}
		c, ok := coveredTable(p.tab)
		if !ok {
			return nil, fmt.Errorf("record: table %s is touched but the audit trail does not know it", p.tab)
		}
		more, err := s.entriesOfRow(ctx, tx, c, []string{p.key1, p.key2})
		if err != nil {
			return nil, err
		}
		entries = append(entries, more...)
	}
	return entries, forgetTouched(ctx, tx)
}

// entriesOfRow says what became of one row.
func (s *core) entriesOfRow(ctx context.Context, tx *sql.Tx, c covered, keys []string) ([]audit.Entry, error) {
	e := audit.Entry{Entity: c.nameOf(keys)}
	var old string
	err := tx.QueryRowContext(ctx, `SELECT salt, digest FROM digests WHERE entity = ?`, e.Entity).Scan(&old, &e.Before)
	known := err == nil
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return nil, err
	}
	where, args, err := c.where(keys)
	if err != nil {
		return nil, err
	}
	there := false
	salt := newSalt()
	err = each(ctx, tx, func(rows *sql.Rows) error {
		columns, values, err := scanWhole(rows)
		if err != nil {
			return err
		}
		there = true
		if e.After, err = c.digest(old, e.Entity, columns, values); err != nil || known && e.After == e.Before {
			return err
		}
		e.After, err = c.digest(salt, e.Entity, columns, values)
		return err
	}, `SELECT * FROM `+c.name+` WHERE `+where, args...)
	switch {
	case err != nil, !known && !there, known && there && e.After == e.Before:
		return nil, err
	case !there:
		e.Action = "delete"
		_, err = tx.ExecContext(ctx, `DELETE FROM digests WHERE entity = ?`, e.Entity)
	case known:
		e.Action = "change"
		_, err = tx.ExecContext(ctx, `UPDATE digests SET salt = ?, digest = ? WHERE entity = ?`, salt, e.After, e.Entity)
	default:
		e.Action = "add"
		if c.verb != "" {
			e.Action = c.verb
		}
		_, err = tx.ExecContext(ctx, `INSERT INTO digests (entity, salt, digest) VALUES (?, ?, ?)`, e.Entity, salt, e.After)
	}
	entries := []audit.Entry{e}
	if err != nil || c.name != "tests" {
		return entries, err
	}
	if !there {
		s.salts.Delete(keys[0])
		_, err = tx.ExecContext(ctx, `DELETE FROM digests WHERE entity = ?`, saltOf(keys[0]))
		return entries, err
	}
	if known {
		return entries, nil
	}
	more, err := s.entriesOfTest(ctx, tx, keys[0])
	return append(entries, more...), err
}

// saltOf names the row of digests that holds the salt of a test's events and samples.
func saltOf(test string) string { return "test/" + test + "/salt" }

// entriesOfTest covers the events and samples that a test has from its beginning, as one that is brought in.
func (s *core) entriesOfTest(ctx context.Context, tx *sql.Tx, test string) ([]audit.Entry, error) {
	salt := newSalt()
	if _, err := tx.ExecContext(ctx, `INSERT INTO digests (entity, salt, digest) VALUES (?, ?, '')`, saltOf(test), salt); err != nil {
		return nil, err
	}
	var n noted
	err := eachEvent(ctx, tx, test, func(id conduct.ID, kind, parts string, _ []byte) error {
		n.add(test, salt, id, parts, kind)
		return nil
	})
	if err != nil {
		return nil, err
	}
	err = eachBlock(ctx, tx, test, func(seq uint64, parts string) error {
		n.block(test, salt, seq, parts)
		return nil
	})
	return n.entries(), err
}

// eventDigest is what the digest of an event is made of.
func eventDigest(id conduct.ID, at int64, kind, text string, received int64) string {
	return fmt.Sprintf("%d.%d %d %s %d ", id.Term, id.N, at, kind, received) + text
}

func blockDigest(seq uint64, from, to int64, kind string, payload []byte) string {
	return fmt.Sprintf("%d %d %d %s ", seq, from, to, kind) + string(payload)
}

func eachEvent(ctx context.Context, q querier, test string, do func(id conduct.ID, kind, parts string, text []byte) error) error {
	return each(ctx, q, func(rows *sql.Rows) error {
		var id conduct.ID
		var at, received int64
		var kind, text string
		if err := rows.Scan(&id.Term, &id.N, &at, &kind, &text, &received); err != nil {
			return err
		}
		return do(id, kind, eventDigest(id, at, kind, text, received), []byte(text))
	}, `SELECT term, n, at_ms, kind, json, received_ms FROM events WHERE test = ? ORDER BY term, n`, test)
}

func eachBlock(ctx context.Context, q querier, test string, do func(seq uint64, parts string) error) error {
	return each(ctx, q, func(rows *sql.Rows) error {
		var seq, from, to int64
		var kind string
		var payload []byte
		if err := rows.Scan(&seq, &from, &to, &kind, &payload); err != nil {
			return err
		}
		return do(uint64(seq), blockDigest(uint64(seq), from, to, kind, payload))
	}, `SELECT seq, from_ms, to_ms, kind, payload FROM samples WHERE test = ? ORDER BY seq`, test)
}

// salt is that of a test's events and samples. It is never changed, so it may be kept once it is committed.
func (s *core) salt(ctx context.Context, tx *sql.Tx, test string) (string, error) {
	if salt, ok := s.salts.Load(test); ok {
		return salt.(string), nil
	}
	var salt string
	if err := tx.QueryRowContext(ctx, `SELECT salt FROM digests WHERE entity = ?`, saltOf(test)).Scan(&salt); err != nil {
		return "", fmt.Errorf("record: test %s has no line in the table of digests: %w", test, err)
	}
	s.salts.Store(test, salt)
	return salt, nil
}

// corrections are the kinds of events that say that something was otherwise.
var corrections = []string{conduct.Correct.String(), conduct.Withdraw.String(), conduct.Disturbed.String(), conduct.Unstopped.String()}

// partsAtOnce is how many events or blocks one entry covers at most.
const partsAtOnce = 1000

// noted gathers the entries of events and samples that are added.
type noted struct{ list []notedRun }

// notedRun is one entry in the making.
type notedRun struct {
	what     string // test/T/events or test/T/samples
	corrects bool
	ids      []string
	digests  []string
}

func (n *noted) add(test, salt string, id conduct.ID, parts, kind string) {
	r := n.run("test/" + test + "/events")
	r.ids = append(r.ids, fmt.Sprintf("%d.%d", id.Term, id.N))
	r.digests = append(r.digests, salted(salt, parts))
	r.corrects = r.corrects || slices.Contains(corrections, kind)
}

func (n *noted) event(test, salt string, row eventRow, received int64) {
	kind := row.event.Kind.String()
	n.add(test, salt, row.id, eventDigest(row.id, int64(row.event.At), kind, string(row.json), received), kind)
}

func (n *noted) block(test, salt string, seq uint64, parts string) {
	r := n.run("test/" + test + "/samples")
	r.ids = append(r.ids, "0."+strconv.FormatUint(seq, 10))
	r.digests = append(r.digests, salted(salt, parts))
}

func (n *noted) run(what string) *notedRun {
	if len(n.list) == 0 || n.list[len(n.list)-1].what != what || len(n.list[len(n.list)-1].ids) == partsAtOnce {
		n.list = append(n.list, notedRun{what: what})
	}
	return &n.list[len(n.list)-1]
}

func (n *noted) entries() (entries []audit.Entry) {
	for _, r := range n.list {
		e := audit.Entry{Action: "record", Entity: r.what + "/" + ranges(r.ids), After: r.digests[0]}
		if r.corrects {
			e.Action = "correct"
		}
		if len(r.digests) > 1 {
			var b strings.Builder
			for _, d := range r.digests {
				b.WriteString(d[:partDigits])
			}
			e.After, e.Parts = salted("", r.digests...), b.String()
		}
		entries = append(entries, e)
	}
	return entries
}

// partDigits is how much of each digest an entry of several repeats, to tell which of them was changed.
const partDigits = 8

// ranges shortens ids like 1.5, 1.6, 1.7, 2.1 to 1.5-7+2.1.
func ranges(ids []string) string {
	var b strings.Builder
	for i := 0; i < len(ids); {
		term, n := splitID(ids[i])
		j := i + 1
		for j < len(ids) {
			if t, m := splitID(ids[j]); t != term || m != n+uint64(j-i) {
				break
			}
			j++
		}
		if i > 0 {
			b.WriteByte('+')
		}
		fmt.Fprintf(&b, "%d.%d", term, n)
		if j-i > 1 {
			fmt.Fprintf(&b, "-%d", n+uint64(j-i-1))
		}
		i = j
	}
	return b.String()
}

func splitID(id string) (term, n uint64) {
	a, b, _ := strings.Cut(id, ".")
	term, _ = strconv.ParseUint(a, 10, 64)
	n, _ = strconv.ParseUint(b, 10, 64)
	return term, n
}

// idsOf undoes ranges.
func idsOf(text string) (ids []string, err error) {
	bad := fmt.Errorf("%q names no events", text)
	for _, part := range strings.Split(text, "+") {
		first, last, several := strings.Cut(part, "-")
		a, b, ok := strings.Cut(first, ".")
		term, err1 := strconv.ParseUint(a, 10, 64)
		n, err2 := strconv.ParseUint(b, 10, 64)
		to, err3 := n, error(nil)
		if several {
			to, err3 = strconv.ParseUint(last, 10, 64)
		}
		if !ok || err1 != nil || err2 != nil || err3 != nil || to < n || to-n >= partsAtOnce {
			return nil, bad
		}
		for i := n; i <= to; i++ {
			ids = append(ids, fmt.Sprintf("%d.%d", term, i))
		}
	}
	return ids, nil
}

// topicOf is the beginning of an entity.
func topicOf(entity string) string {
	if a, rest, ok := strings.Cut(entity, "/"); ok {
		b, _, _ := strings.Cut(rest, "/")
		return a + "/" + b
	}
	return entity
}

// addEntries adds entries at the end of the trail. In PostgreSQL the end is locked until the commit, so that it is the
// last that a transaction waits for.
func (s *core) addEntries(ctx context.Context, tx *sql.Tx, entries []audit.Entry) error {
	var head audit.Head
	var last int64
	var hash string
	err := tx.StmtContext(ctx, s.st.end).QueryRowContext(ctx).Scan(&head.Seq, &last, &hash)
	if err == nil {
		head.Hash, err = audit.ParseHash(hash)
	}
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	now := ms(s.now())
	if back := last - now; back > int64(clockSlack/time.Millisecond) {
		entries[0].Note = strings.TrimSpace(entries[0].Note + " the clock was put back by " + (time.Duration(back) * time.Millisecond).String())
	}
	lines := make([]trailLine, len(entries))
	for i, e := range entries {
		head.Seq++
		e.Seq, e.At = head.Seq, stampText(now)
		text := e.Canonical()
		head.Hash = audit.Next(head.Hash, text)
		lines[i] = trailLine{e.Seq, now, topicOf(e.Entity), string(text), head.Hash.String()}
	}
	return s.many.entries(ctx, tx, lines)
}

// trailLine is a row of the trail.
type trailLine struct {
	seq, at           int64
	topic, text, hash string
}

// stampText is a wall time as entries write it.
func stampText(at int64) string { return fromMs(at).Format("2006-01-02T15:04:05.000Z") }

// clockSlack is how far the clock may stand before the last entry without a word, as two computers differ.
const clockSlack = 2 * time.Second

const insertEntry = `INSERT INTO audit (seq, at_ms, topic, json, hash) VALUES (?, ?, ?, ?, ?)`

const trailEnd = `SELECT seq, at_ms, hash FROM audit ORDER BY seq DESC LIMIT 1`

// Note adds an entry on what is no writing: somebody saw, exported or was refused something.
func (s *core) Note(ctx context.Context, e audit.Entry) error {
	if e.Action == "" || len(e.Canonical()) > 64<<10 {
		return &InvalidError{"audit trail", "an entry says nothing, or more than 64 KiB"}
	}
	return s.together(ctx, &job{later: true, note: &e})
}

// Head returns the end of the trail.
func (s *core) Head(ctx context.Context) (h audit.Head, err error) {
	var at int64
	var hash string
	err = s.reader.QueryRowContext(ctx, trailEnd).Scan(&h.Seq, &at, &hash)
	if errors.Is(err, sql.ErrNoRows) {
		return audit.Head{}, nil
	}
	if err == nil {
		h.Hash, err = audit.ParseHash(hash)
	}
	return h, s.fault(ctx, err)
}

// EachEntry gives every entry with its hash, the oldest first.
func (s *core) EachEntry(ctx context.Context, do func(canonical []byte, hash audit.Hash) error) error {
	return s.read(ctx, func(tx *sql.Tx) error {
		return each(ctx, tx, func(rows *sql.Rows) error {
			var text, hash string
			if err := rows.Scan(&text, &hash); err != nil {
				return err
			}
			h, err := audit.ParseHash(hash)
			if err != nil {
				return err
			}
			return do([]byte(text), h)
		}, `SELECT json, hash FROM audit ORDER BY seq`)
	})
}

// TrailFilter says which entries to list; its zero value lists all, the newest first.
type TrailFilter struct {
	Person   int64  // what is about this person, those shown as it, and their visits and tests
	Test     string // what is about this test
	Actor    string // who acted, such as account/2; command: any of its users
	Actions  []string
	Site     int64 // what is about people, tests and machines of this site, and what its accounts did; 0: every site
	From, To time.Time
	After    int64 // only entries after this number
	Before   int64 // only entries before this number; 0: from the end
	Limit    int   // 0: no limit
}

// Entries lists entries.
func (s *core) Entries(ctx context.Context, f TrailFilter) (entries []audit.Entry, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		topics, err := topicsOf(ctx, tx, f)
		if err != nil {
			return err
		}
		staff, err := staffOf(ctx, tx, f.Site)
		if err != nil {
			return err
		}
		query, args := `SELECT json, CAST(NULL AS BIGINT) FROM audit WHERE seq < ? AND seq > ?`, []any{int64(1<<63 - 1), f.After}
		if f.Site != 0 {
			query = `SELECT json, ` + siteOfTopic + ` FROM audit WHERE seq < ? AND seq > ?`
		}
		if f.Before > 0 {
			args[0] = f.Before
		}
		if !f.From.IsZero() {
			query, args = query+` AND at_ms >= ?`, append(args, ms(f.From))
		}
		if !f.To.IsZero() {
			query, args = query+` AND at_ms < ?`, append(args, ms(f.To))
		}
		if f.Person != 0 || f.Test != "" {
			query += ` AND topic IN (?` + strings.Repeat(", ?", len(topics)-1) + `)`
			for _, topic := range topics {
				args = append(args, topic)
			}
		}
		full := errors.New("enough")
		err = each(ctx, tx, func(rows *sql.Rows) error {
			var text string
			var site sql.NullInt64
			if err := rows.Scan(&text, &site); err != nil {
				return err
			}
			e, err := entryOf(text)
			if err != nil {
				return err
			}
			if !f.takes(e) || f.Site != 0 && !ofSite(f.Site, site, staff, e) {
				return nil
			}
			if entries = append(entries, e); len(entries) == f.Limit {
				return full
			}
			return nil
		}, query+` ORDER BY seq DESC`, args...)
		if errors.Is(err, full) {
			return nil
		}
		return err
	})
	return entries, err
}

// siteOfTopic is the site of what an entry is about, while that is in the record.
const siteOfTopic = `CASE
	WHEN topic LIKE 'person/%' THEN (SELECT site FROM participants WHERE id = CAST(substr(topic, 8) AS BIGINT))
	WHEN topic LIKE 'visit/%' THEN (SELECT p.site FROM visits v JOIN participants p ON p.id = v.participant WHERE v.id = CAST(substr(topic, 7) AS BIGINT))
	WHEN topic LIKE 'test/%' THEN (SELECT site FROM tests WHERE id = substr(topic, 6))
	WHEN topic LIKE 'paper/%' THEN (SELECT t.site FROM papers p JOIN tests t ON t.id = p.test WHERE p.id = CAST(substr(topic, 7) AS BIGINT))
	WHEN topic LIKE 'merge/%' THEN (SELECT p.site FROM merges m JOIN participants p ON p.id = m.into_id WHERE m.id = CAST(substr(topic, 7) AS BIGINT))
	WHEN topic LIKE 'reassignment/%' THEN (SELECT t.site FROM reassignments a JOIN tests t ON t.id = a.test WHERE a.id = CAST(substr(topic, 14) AS BIGINT))
	WHEN topic LIKE 'machine/%' THEN (SELECT site FROM machines WHERE id = CAST(substr(topic, 9) AS BIGINT))
	WHEN topic LIKE 'control-run/%' THEN (SELECT m.site FROM control_runs c JOIN machines m ON m.id = c.machine WHERE c.id = CAST(substr(topic, 13) AS BIGINT))
	WHEN topic LIKE 'erasure/%' THEN (SELECT site FROM erasures WHERE id = CAST(substr(topic, 9) AS BIGINT))
	WHEN topic LIKE 'study-code/%' THEN (SELECT site FROM study_codes WHERE id = CAST(substr(topic, 12) AS BIGINT))
	WHEN topic LIKE 'account/%' THEN (SELECT site FROM accounts WHERE id = CAST(substr(topic, 9) AS BIGINT))
	WHEN topic LIKE 'site/%' THEN CAST(substr(topic, 6) AS BIGINT) END`

// ofSite reports whether an entry is of a site: by what it is about or, where that says nothing, by who acted. Lists of
// people that a command went through are of every site.
func ofSite(site int64, about sql.NullInt64, staff map[string]bool, e audit.Entry) bool {
	if about.Valid {
		return about.Int64 == site
	}
	return staff[e.Actor] || e.Entity == "people" && !strings.HasPrefix(e.Actor, "account/")
}

// staffOf are the accounts of a site as entries name them.
func staffOf(ctx context.Context, tx *sql.Tx, site int64) (map[string]bool, error) {
	staff := map[string]bool{}
	if site == 0 {
		return staff, nil
	}
	return staff, each(ctx, tx, func(rows *sql.Rows) error {
		var id int64
		err := rows.Scan(&id)
		staff[accountName(id)] = true
		return err
	}, `SELECT id FROM accounts WHERE site = ?`, site)
}

// takes reports whether an entry is what a filter asks for, as far as the database was not asked.
func (f TrailFilter) takes(e audit.Entry) bool {
	return (f.Actor == "" || e.Actor == f.Actor || strings.HasPrefix(e.Actor, f.Actor+"/")) && (len(f.Actions) == 0 || slices.Contains(f.Actions, e.Action)) && f.about(e)
}

// about keeps of the entries on lists of people only those in which the person was seen.
func (f TrailFilter) about(e audit.Entry) bool {
	return f.Person == 0 || e.Entity != "people" || slices.Contains(strings.Fields(e.Note), strconv.FormatInt(f.Person, 10))
}

func topicsOf(ctx context.Context, tx *sql.Tx, f TrailFilter) (topics []string, err error) {
	if f.Test != "" {
		topics = append(topics, "test/"+f.Test)
	}
	add := func(rows *sql.Rows) error {
		var topic string
		err := rows.Scan(&topic)
		topics = append(topics, topic)
		return err
	}
	if f.Person == 0 {
		if f.Test == "" {
			return topics, nil
		}
		return topics, each(ctx, tx, add, `SELECT 'paper/' || id FROM papers WHERE test = ? UNION ALL SELECT 'reassignment/' || id FROM reassignments WHERE test = ?`, f.Test, f.Test)
	}
	topics = append(topics, "people", fmt.Sprintf("person/%d", f.Person))
	for _, query := range []string{
		`SELECT 'person/' || id FROM participants WHERE kept = ?`,
		`SELECT 'merge/' || id FROM merges WHERE from_id = ? OR into_id = ?`,
		`SELECT 'link/' || id FROM links WHERE one_id = ? OR other_id = ?`,
		`SELECT 'visit/' || id FROM visits WHERE participant IN (` + shownAs + `)`,
		`SELECT 'test/' || id FROM tests WHERE participant IN (` + shownAs + `)`,
		`SELECT 'paper/' || id FROM papers WHERE test IN (SELECT id FROM tests WHERE participant IN (` + shownAs + `))`,
		`SELECT 'reassignment/' || id FROM reassignments WHERE from_id = ? OR to_id = ?`,
	} {
		args := []any{f.Person, f.Person}[:strings.Count(query, "?")]
		if err := each(ctx, tx, add, query, args...); err != nil {
			return nil, err
		}
	}
	return topics, nil
}
