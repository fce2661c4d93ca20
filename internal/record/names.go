package record

import (
	"cmp"
	"context"
	"database/sql"
	"maps"
	"slices"
	"strings"
	"sync"
)

// names holds what a search looks at of every person, in memory: a scan of a hundred thousand takes a few
// milliseconds there, and any piece of a word can be looked for. Before each search it takes over what has changed on
// disk since, through whichever program.
type names struct {
	mu   sync.Mutex
	next int64            // the first change that is not taken over yet
	code map[int64]string // of each person, which finds its place in list
	list []nameRow        // by code
}

type nameRow struct {
	id, kept int64 // kept: whom a merge shows in its place; itself without one
	code     string
	text     string // folded
	archived bool
	erased   bool
	site     int64
}

// Participants searches code, name and identifiers.
func (s *core) Participants(ctx context.Context, f ParticipantFilter) (found Found, err error) {
	err = s.read(ctx, func(tx *sql.Tx) error {
		ids, err := s.names.search(ctx, tx, f)
		if err != nil {
			return err
		}
		found.Total = len(ids)
		ids = ids[min(max(f.Offset, 0), len(ids)):]
		if f.Limit > 0 {
			ids = ids[:min(f.Limit, len(ids))]
		}
		for part := range slices.Chunk(ids, 500) {
			args := make([]any, len(part))
			for i, id := range part {
				args[i] = id
			}
			people, err := persons(ctx, tx, `id IN (?`+strings.Repeat(", ?", len(part)-1)+`)`, args...)
			if err != nil {
				return err
			}
			found.People = append(found.People, people...)
		}
		return nil
	})
	if err != nil {
		return Found{}, err
	}
	return found, nil
}

// warm reads the names beside whatever else happens, so that the first search need not. What goes wrong here goes wrong
// again at that search, and is reported there.
func (s *core) warm() {
	// Not to be broken off: a transaction whose context ends gives its connection back some time later, and a
	// record that is closed meanwhile would leave its log beside the file.
	ctx := context.Background()
	done := make(chan struct{})
	s.cool = func() { <-done }
	go func() {
		defer close(done)
		_ = s.read(ctx, func(tx *sql.Tx) error {
			s.names.mu.Lock()
			defer s.names.mu.Unlock()
			return s.names.refresh(ctx, tx)
		})
	}()
}

// search returns the people to show, by code.
func (n *names) search(ctx context.Context, q querier, f ParticipantFilter) ([]int64, error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if err := n.refresh(ctx, q); err != nil {
		return nil, err
	}
	words := strings.Fields(Fold(f.Query))
	var places []int
	shown := map[int]bool{} // by a merge
	for i := range n.list {
		r := &n.list[i]
		switch {
		case r.erased || f.Site != 0 && r.site != f.Site:
		case r.kept != r.id:
			// Without words the one that is shown comes up by itself.
			if at, ok := n.place(r.kept); ok && len(words) > 0 && n.list[at].archived == f.Archived && hasAll(r.text, words) {
				shown[at] = true
			}
		case r.archived == f.Archived && hasAll(r.text, words):
			places = append(places, i)
		}
	}
	if len(shown) > 0 {
		for _, at := range places {
			delete(shown, at)
		}
		places = append(places, slices.Collect(maps.Keys(shown))...)
		slices.Sort(places)
	}
	ids := make([]int64, len(places))
	for i, at := range places {
		ids[i] = n.list[at].id
	}
	return ids, nil
}

func hasAll(text string, words []string) bool {
	for _, w := range words {
		if !strings.Contains(text, w) {
			return false
		}
	}
	return true
}

// refresh takes over what has changed.
func (n *names) refresh(ctx context.Context, q querier) error {
	var changed []nameRow
	next := n.next
	since, args := `WHERE p.changed >= ?`, []any{n.next}
	if n.next == 0 {
		since, args = ``, nil // everyone, in the order of the table
	}
	at := map[int64]int{}
	err := each(ctx, q, func(rows *sql.Rows) error {
		var r nameRow
		var change int64
		var kept, archived, erased sql.NullInt64
		err := rows.Scan(&r.id, &kept, &r.code, &r.text, &archived, &change, &erased, &r.site)
		r.kept, r.archived, r.erased, r.text = or0(kept.Int64, r.id), archived.Valid, erased.Valid, Fold(r.code+" "+r.text)
		at[r.id], next = len(changed), max(next, change+1)
		changed = append(changed, r)
		return err
	}, `SELECT id, kept, code, name, archived_ms, changed, erased_ms, site FROM participants p `+since, args...)
	if err != nil || len(changed) == 0 {
		return err
	}
	err = each(ctx, q, func(rows *sql.Rows) error {
		var id int64
		var value string
		err := rows.Scan(&id, &value)
		changed[at[id]].text += " " + Fold(value)
		return err
	}, `SELECT i.participant, i.value FROM identifiers i JOIN participants p ON p.id = i.participant `+since, args...)
	if err != nil {
		return err
	}
	n.take(changed)
	n.next = next
	return nil
}

// fewChanges are put in their places one by one; more are sorted in.
const fewChanges = 200

// take puts changed rows into the list.
func (n *names) take(changed []nameRow) {
	if n.code == nil {
		n.code = make(map[int64]string, len(changed))
	}
	if len(changed) > fewChanges {
		again := make(map[int64]bool, len(changed))
		for _, r := range changed {
			again[r.id], n.code[r.id] = true, r.code
		}
		n.list = append(slices.DeleteFunc(n.list, func(r nameRow) bool { return again[r.id] }), changed...)
		slices.SortFunc(n.list, inOrder)
		return
	}
	for _, r := range changed {
		if at, there := n.place(r.id); there {
			n.list = slices.Delete(n.list, at, at+1)
		}
		n.code[r.id] = r.code
		at, _ := slices.BinarySearchFunc(n.list, r, inOrder)
		n.list = slices.Insert(n.list, at, r)
	}
}

// place is where a person stands in the list.
func (n *names) place(id int64) (int, bool) {
	code, known := n.code[id]
	if !known {
		return 0, false
	}
	return slices.BinarySearchFunc(n.list, nameRow{id: id, code: code}, inOrder)
}

func inOrder(a, b nameRow) int { return cmp.Or(byCode(a.code, b.code), cmp.Compare(a.id, b.id)) }

// byCode orders codes as the database does: small and large ASCII letters alike.
func byCode(a, b string) int {
	for i := range min(len(a), len(b)) {
		if c := cmp.Compare(lowerASCII(a[i]), lowerASCII(b[i])); c != 0 {
			return c
		}
	}
	return cmp.Compare(len(a), len(b))
}
