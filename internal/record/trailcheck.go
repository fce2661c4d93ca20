package record

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"gradus/conduct"
	"gradus/internal/audit"
)

// VerifyTrail follows the audit trail from its beginning, holds it against anchors that were kept elsewhere, and holds
// every row of the record that it covers against it: what was changed, removed or put in past the program is a fault
// with its place. It returns where the trail ends.
func (s *core) VerifyTrail(ctx context.Context, anchors []audit.Anchor) (head audit.Head, faults []audit.Fault, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		last := map[string]covering{}
		head, faults, err = followTrail(ctx, tx, anchors, func(e audit.Entry) {
			switch _, ids, _ := runOf(e.Entity); {
			case ids != "":
			case e.Action == "delete":
				delete(last, e.Entity)
			case e.After != "":
				last[e.Entity] = covering{e.Seq, e.After}
			}
		})
		if err != nil {
			return err
		}
		for _, c := range coveredTables {
			more, err := verifyTable(ctx, tx, c, last)
			if err != nil {
				return err
			}
			faults = append(faults, more...)
		}
		for _, entity := range slices.Sorted(maps.Keys(last)) {
			faults = append(faults, audit.Fault{Seq: last[entity].seq, Entity: entity, What: "it was recorded, but it is no longer in the record"})
		}
		more, err := verifyTests(ctx, tx)
		faults = append(faults, more...)
		return err
	})
	return head, faults, err
}

// covering is the last entry that says what something is.
type covering struct {
	seq    int64
	digest string
}

// runOf takes apart what an entry on events or samples is about.
func runOf(entity string) (test, ids, what string) {
	rest, ok := strings.CutPrefix(entity, "test/")
	if !ok {
		return "", "", ""
	}
	for _, what := range []string{"/events/", "/samples/"} {
		if test, ids, ok := strings.Cut(rest, what); ok {
			return test, ids, what
		}
	}
	return "", "", ""
}

func followTrail(ctx context.Context, tx *sql.Tx, anchors []audit.Anchor, see func(audit.Entry)) (audit.Head, []audit.Fault, error) {
	c := audit.Checker{Anchors: slices.Clone(anchors)}
	err := each(ctx, tx, func(rows *sql.Rows) error {
		var seq, at int64
		var topic, text, digits string
		if err := rows.Scan(&seq, &at, &topic, &text, &digits); err != nil {
			return err
		}
		hash, err := audit.ParseHash(digits)
		if err != nil {
			c.Bad(seq, hash, err.Error())
			return nil
		}
		c.Add(seq, []byte(text), hash)
		e, err := audit.ReadEntry([]byte(text))
		switch {
		case err != nil:
			c.Bad(seq, hash, err.Error())
			return nil
		case e.Seq != seq || topicOf(e.Entity) != topic || e.At != stampText(at):
			c.Bad(seq, hash, "number, time or topic in the table are not those of the entry")
		}
		see(e)
		return nil
	}, `SELECT seq, at_ms, topic, json, hash FROM audit ORDER BY seq`)
	head, faults := c.End()
	return head, faults, err
}

// verifyTable holds the rows of a table against what the trail says of them, and takes those it has found out of it.
func verifyTable(ctx context.Context, tx *sql.Tx, c covered, last map[string]covering) (faults []audit.Fault, err error) {
	salts := map[string]string{}
	err = each(ctx, tx, func(rows *sql.Rows) error {
		var entity, salt string
		err := rows.Scan(&entity, &salt)
		salts[entity] = salt
		return err
	}, `SELECT entity, salt FROM digests WHERE entity LIKE ?`, strings.ReplaceAll(c.entity, "%s", "%"))
	if err != nil {
		return nil, err
	}
	err = each(ctx, tx, func(rows *sql.Rows) error {
		columns, values, err := scanWhole(rows)
		if err != nil {
			return err
		}
		keys := make([]string, len(c.keys))
		for i := range keys {
			keys[i] = fmt.Sprint(values[slices.Index(columns, c.column(i))])
		}
		entity := c.nameOf(keys)
		want, known := last[entity]
		delete(last, entity)
		if !known {
			faults = append(faults, audit.Fault{Entity: entity, What: "it is in the record, but the trail does not know that it was recorded"})
			return nil
		}
		have, err := c.digest(salts[entity], entity, columns, values)
		if err == nil && have != want.digest {
			faults = append(faults, audit.Fault{Seq: want.seq, Entity: entity, What: "it is not as it was recorded: it was changed past the program"})
		}
		return err
	}, `SELECT * FROM `+c.name)
	return faults, err
}

func verifyTests(ctx context.Context, tx *sql.Tx) (faults []audit.Fault, err error) {
	var tests []string
	err = each(ctx, tx, func(rows *sql.Rows) error {
		var test string
		err := rows.Scan(&test)
		tests = append(tests, test)
		return err
	}, `SELECT id FROM tests ORDER BY id`)
	for _, test := range tests {
		var salt string
		if err := tx.QueryRowContext(ctx, `SELECT salt FROM digests WHERE entity = ?`, saltOf(test)).Scan(&salt); err != nil && !errors.Is(err, sql.ErrNoRows) {
			return faults, err
		}
		events, samples := map[string]string{}, map[string]string{}
		err := eachEvent(ctx, tx, test, func(id conduct.ID, _, parts string, _ []byte) error {
			events[fmt.Sprintf("%d.%d", id.Term, id.N)] = salted(salt, parts)
			return nil
		})
		if err == nil {
			err = eachBlock(ctx, tx, test, func(seq uint64, parts string) error {
				samples[fmt.Sprintf("0.%d", seq)] = salted(salt, parts)
				return nil
			})
		}
		runs := map[string][]audit.Entry{}
		if err == nil {
			runs, err = runsOf(ctx, tx, test)
		}
		if err != nil {
			return faults, err
		}
		faults = append(faults, verifyRuns(test, "event", runs["/events/"], events)...)
		faults = append(faults, verifyRuns(test, "samples", runs["/samples/"], samples)...)
	}
	return faults, err
}

// runsOf are the entries that cover the events and the samples of a test.
func runsOf(ctx context.Context, tx *sql.Tx, test string) (map[string][]audit.Entry, error) {
	runs := map[string][]audit.Entry{}
	topic := "test/" + test
	err := each(ctx, tx, func(rows *sql.Rows) error {
		var text string
		if err := rows.Scan(&text); err != nil {
			return err
		}
		e, err := entryOf(text)
		if err != nil {
			return nil // a fault of the trail, which following it has found
		}
		_, ids, what := runOf(e.Entity)
		switch {
		case ids != "":
			e.Entity = ids
			runs[what] = append(runs[what], e)
		case e.Entity == topic && e.Action == "delete":
			clear(runs)
		}
		return nil
	}, `SELECT json FROM audit WHERE topic = ? ORDER BY seq`, topic)
	return runs, err
}

// verifyRuns holds the digests of events or samples, by id, against the entries that cover them.
func verifyRuns(test, what string, entries []audit.Entry, have map[string]string) (faults []audit.Fault) {
	fault := func(seq int64, id, says string) {
		name := "test/" + test + ", " + what + " " + strings.TrimPrefix(id, "0.")
		faults = append(faults, audit.Fault{Seq: seq, Entity: name, What: says})
	}
	for _, e := range entries {
		ids, err := idsOf(e.Entity)
		if err != nil {
			fault(e.Seq, e.Entity, err.Error())
			continue
		}
		before := len(faults)
		var all []string
		for i, id := range ids {
			digest, there := have[id]
			delete(have, id)
			all = append(all, digest)
			switch part := partOf(e, i); {
			case !there:
				fault(e.Seq, id, "it was recorded, but it is no longer in the record")
			case part == "" || !strings.HasPrefix(digest, part):
				fault(e.Seq, id, "it is not as it was recorded: it was changed past the program")
			}
		}
		if len(ids) > 1 && len(faults) == before && salted("", all...) != e.After {
			fault(e.Seq, e.Entity, "one of them is not as it was recorded: it was changed past the program")
		}
	}
	for _, id := range slices.Sorted(maps.Keys(have)) {
		fault(0, id, "it is in the record, but the trail does not know that it was recorded")
	}
	return faults
}

// partOf is how the digest of the i-th event of an entry begins; of the only one it is the whole.
func partOf(e audit.Entry, i int) string {
	if e.Parts == "" {
		if i == 0 {
			return e.After
		}
		return ""
	}
	if len(e.Parts) < (i+1)*partDigits {
		return ""
	}
	return e.Parts[i*partDigits : (i+1)*partDigits]
}

// entryOf reads an entry that the program itself has written.
func entryOf(text string) (e audit.Entry, err error) { return e, json.Unmarshal([]byte(text), &e) }
