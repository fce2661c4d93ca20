package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"time"
)

// Links is the part of a store that keeps what a centre has decided about people of different sites who may be one. Nothing
// of either is changed, and no site sees of it: people of a site are merged, those of two sites are counted as one.
type Links interface {
	// Link decides that two people of different sites are one, or two. A pair that is decided already, by way of others
	// too, is an InvalidError until that is taken back.
	Link(ctx context.Context, l Link) (Link, error)
	// UndoLink takes a decision back; it stays in the list.
	UndoLink(ctx context.Context, link int64, by, why string) error
	// Links returns all decisions, those that were taken back too, the oldest first.
	Links(ctx context.Context) ([]Link, error)
}

// Link is a decision about two people of different sites.
type Link struct {
	ID         int64
	One, Other int64
	Shown      [2]int64 // who One and Other are shown as, by merges within their sites
	Same       bool     // one person; else two
	By, Why    string
	When       time.Time // wall time, UTC, to the ms
	Undone     time.Time // zero while it stands
	UndoneBy   string
	UndoneWhy  string
}

// Linked is what all decisions that stand say together: A is B and B is C makes one of all three.
type Linked struct {
	parent map[int64]int64
	apart  [][2]int64
}

// LinkedBy joins the decisions that stand.
func LinkedBy(links []Link) *Linked {
	all := &Linked{parent: map[int64]int64{}}
	for _, l := range links {
		switch {
		case !l.Undone.IsZero():
		case l.Same:
			a, b := all.First(l.Shown[0]), all.First(l.Shown[1])
			all.parent[max(a, b)] = min(a, b)
		default:
			all.apart = append(all.apart, l.Shown)
		}
	}
	return all
}

// First is the one with the lowest number among those who are one person with somebody, who is named as merges show it.
func (k *Linked) First(id int64) int64 {
	for {
		up, more := k.parent[id]
		if !more || up == id {
			return id
		}
		id = up
	}
}

// One reports whether it is decided that two are one person.
func (k *Linked) One(a, b int64) bool { return k.First(a) == k.First(b) }

// Two reports whether it is decided that they are two.
func (k *Linked) Two(a, b int64) bool {
	a, b = k.First(a), k.First(b)
	for _, pair := range k.apart {
		if x, y := k.First(pair[0]), k.First(pair[1]); x == a && y == b || x == b && y == a {
			return true
		}
	}
	return false
}

// Link decides about two people.
func (s *core) Link(ctx context.Context, l Link) (Link, error) {
	l.By, l.Why = strings.TrimSpace(l.By), strings.TrimSpace(l.Why)
	switch {
	case l.By == "" || l.Why == "":
		return Link{}, &InvalidError{"link", "it needs who and why"}
	case l.One == l.Other:
		return Link{}, &InvalidError{"link", "it needs two people"}
	}
	l.One, l.Other = min(l.One, l.Other), max(l.One, l.Other)
	l.When, l.Undone, l.UndoneBy, l.UndoneWhy = s.stamp(), time.Time{}, "", ""
	err := s.write(ctx, func(tx *sql.Tx) error {
		var sites [2]int64
		for i, id := range []int64{l.One, l.Other} {
			err := tx.QueryRowContext(ctx, `SELECT site, coalesce(kept, id) FROM participants WHERE id = ? AND erased_ms IS NULL`, id).Scan(&sites[i], &l.Shown[i])
			if errors.Is(err, sql.ErrNoRows) {
				err = noPerson(id)
			}
			if err != nil {
				return err
			}
		}
		if sites[0] == sites[1] {
			return &InvalidError{"link", "the two are of the same site; merge them on the page of one of them"}
		}
		list, err := links(ctx, tx)
		if err != nil {
			return err
		}
		switch all := LinkedBy(list); {
		case all.One(l.Shown[0], l.Shown[1]):
			return &InvalidError{"link", "it is decided already that they are one person, perhaps by way of others; take that back first"}
		case all.Two(l.Shown[0], l.Shown[1]):
			return &InvalidError{"link", "it is decided already that they are two people, perhaps by way of others; take that back first"}
		}
		same := 0
		if l.Same {
			same = 1
		}
		return tx.QueryRowContext(ctx, `INSERT INTO links (one_id, other_id, same, by, why, at_ms) VALUES (?, ?, ?, ?, ?, ?) RETURNING id`, l.One, l.Other, same, l.By, l.Why, ms(l.When)).Scan(&l.ID)
	})
	if err != nil {
		return Link{}, err
	}
	return l, nil
}

// UndoLink takes a decision back.
func (s *core) UndoLink(ctx context.Context, link int64, by, why string) error {
	by, why = strings.TrimSpace(by), strings.TrimSpace(why)
	if by == "" || why == "" {
		return &InvalidError{"undo of a link", "it needs who and why"}
	}
	return s.write(ctx, func(tx *sql.Tx) error {
		var undone sql.NullInt64
		err := tx.QueryRowContext(ctx, `SELECT undone_ms FROM links WHERE id = ?`, link).Scan(&undone)
		switch {
		case errors.Is(err, sql.ErrNoRows):
			return fmt.Errorf("record: link %d: %w", link, ErrNotFound)
		case err != nil:
			return err
		case undone.Valid:
			return &InvalidError{"undo of a link", "it is taken back already"}
		}
		_, err = tx.ExecContext(ctx, `UPDATE links SET undone_by = ?, undone_why = ?, undone_ms = ? WHERE id = ?`, by, why, ms(s.now()), link)
		return err
	})
}

// Links returns all decisions.
func (s *core) Links(ctx context.Context) ([]Link, error) {
	list, err := links(ctx, s.reader)
	return list, s.fault(ctx, err)
}

func links(ctx context.Context, q querier) (list []Link, err error) {
	err = each(ctx, q, func(rows *sql.Rows) error {
		var l Link
		var same int
		var at int64
		var by, why sql.NullString
		var undone sql.NullInt64
		err := rows.Scan(&l.ID, &l.One, &l.Other, &l.Shown[0], &l.Shown[1], &same, &l.By, &l.Why, &at, &by, &why, &undone)
		l.Same, l.When, l.Undone, l.UndoneBy, l.UndoneWhy = same != 0, fromMs(at), sometime(undone), by.String, why.String
		list = append(list, l)
		return err
	}, `SELECT l.id, l.one_id, l.other_id, coalesce(a.kept, a.id), coalesce(b.kept, b.id), l.same, l.by, l.why, l.at_ms, l.undone_by, l.undone_why, l.undone_ms
		FROM links l JOIN participants a ON a.id = l.one_id JOIN participants b ON b.id = l.other_id ORDER BY l.id`)
	return list, err
}
