package record

import (
	"context"
	"database/sql"
	"strings"
)

// FactFilter says which facts to list, across visits.
type FactFilter struct {
	Kind        string
	Participant int64 // with those who are shown as this person; 0: of anyone
	Site        int64 // 0: of any
	Limit       int   // the newest so many; 0: no limit
}

// DatedFact is a fact with whose it is and the day of its visit.
type DatedFact struct {
	Fact
	Participant int64
	Date        string
}

// FactsOf lists the facts of a kind across visits, the oldest first.
func (s *core) FactsOf(ctx context.Context, f FactFilter) ([]DatedFact, error) {
	where, args := []string{`f.kind = ?`}, []any{f.Kind}
	if f.Participant != 0 {
		where, args = append(where, `v.participant IN (`+shownAs+`)`), append(args, f.Participant, f.Participant)
	}
	if f.Site != 0 {
		where, args = append(where, `EXISTS (SELECT 1 FROM participants p WHERE p.id = v.participant AND p.site = ?)`), append(args, f.Site)
	}
	query := `SELECT ` + factColumns + `, v.participant, v.date FROM facts f JOIN visits v ON v.id = f.visit WHERE ` + strings.Join(where, " AND ") + ` ORDER BY f.at_ms DESC, f.visit DESC, f.n DESC`
	if f.Limit > 0 {
		query, args = query+` LIMIT ?`, append(args, f.Limit)
	}
	var list []DatedFact
	err := each(ctx, s.reader, func(rows *sql.Rows) error {
		var d DatedFact
		err := scanFact(besides{rows, []any{&d.Participant, &d.Date}}, &d.Fact)
		list = append(list, d)
		return err
	}, query, args...)
	for i, j := 0, len(list)-1; i < j; i, j = i+1, j-1 {
		list[i], list[j] = list[j], list[i]
	}
	return list, s.fault(ctx, err)
}

// besides scans more columns after those that another scan asks for.
type besides struct {
	rows *sql.Rows
	more []any
}

func (b besides) Scan(to ...any) error { return b.rows.Scan(append(to, b.more...)...) }
