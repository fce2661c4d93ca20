// Package signing tells where the report of a test stands: a draft, or signed, by whom and when. What was said for the papers of
// a test is a fact of its visit; a signed version stays, and a change after it makes another one. Pages, papers and exports
// ask here, so that none of them says final of what another calls a draft.
package signing

import (
	"context"
	"encoding/json"
	"slices"
	"time"

	"gradus/internal/record"
	"gradus/prescribe"
)

// Fact is the kind of the fact that holds what was said for the papers of a test, and who signed them.
const Fact = "report"

// Said is kept with the visit: what the papers say beside the test itself, as a draft or signed.
type Said struct {
	Test     string            `json:"test"`
	Final    bool              `json:"final"`
	Report   int               `json:"report"` // version of the report, from 1
	Result   int               `json:"result"` // version of the result behind it
	Why      string            `json:"why,omitempty"`
	Asks     string            `json:"asks,omitempty"`
	Question string            `json:"question,omitempty"`
	Referrer string            `json:"referrer,omitempty"`
	Clinic   string            `json:"clinic,omitempty"`
	PlanFor  string            `json:"plan_for,omitempty"`
	Weeks    int               `json:"weeks,omitempty"`
	Edits    []string          `json:"edits,omitempty"`
	Table    string            `json:"reference,omitempty"` // of the meaning
	Equation string            `json:"equation,omitempty"`
	From     float64           `json:"reserve_from,omitempty"` // band of the plan, %
	To       float64           `json:"reserve_to,omitempty"`
	Interval string            `json:"interval,omitempty"`
	Changes  []prescribe.Edit  `json:"changes,omitempty"` // of the plan, by the clinician
	Matters  string            `json:"matters,omitempty"` // which change counts as large enough
	Person   int64             `json:"person,omitempty"`  // whose test it was when it was signed
	Label    string            `json:"label,omitempty"`
	Said     string            `json:"said,omitempty"`  // what the report said, in short
	Marks    map[uint32]uint32 `json:"marks,omitempty"` // the last event of each term that it knew
	By       string            `json:"-"`
	At       time.Time         `json:"-"`
}

// Of are the facts about the papers of a test, the oldest first. They stay with the visit at which they were said, also when
// the test turned out to be another person's.
func Of(ctx context.Context, store record.Store, t record.Test) (all []Said, err error) {
	visits, err := visitsOf(ctx, store, t)
	if err != nil {
		return nil, err
	}
	for _, visit := range visits {
		facts, err := store.Facts(ctx, visit)
		if err != nil {
			return nil, err
		}
		for _, f := range facts {
			one := Said{By: f.By, At: f.At}
			if f.Kind != Fact {
				continue
			}
			if err := json.Unmarshal(f.JSON, &one); err != nil {
				return nil, err
			}
			if one.Test == t.ID {
				all = append(all, one)
			}
		}
	}
	slices.SortStableFunc(all, func(a, b Said) int { return a.At.Compare(b.At) })
	return all, nil
}

// visitsOf are the visits at which something can have been said of a test: its own, and those of that day of everybody whose
// it is or was held to be.
func visitsOf(ctx context.Context, store record.Store, t record.Test) (visits []int64, err error) {
	date, err := DateOf(ctx, store, t)
	if err != nil {
		return nil, err
	}
	people := []int64{t.Participant}
	moved, err := store.Reassignments(ctx, t.ID)
	if err != nil {
		return nil, err
	}
	for _, m := range moved {
		people = append(people, m.From)
	}
	slices.Sort(people)
	for _, person := range slices.Compact(people) {
		if person == 0 {
			continue
		}
		found, err := store.Visits(ctx, record.VisitFilter{Participant: person, From: date, To: date})
		if err != nil {
			return nil, err
		}
		for _, v := range found {
			visits = append(visits, v.ID)
		}
	}
	if t.Visit != 0 {
		visits = append(visits, t.Visit)
	}
	slices.Sort(visits)
	return slices.Compact(visits), nil
}

// DateOf is the day of a test: that of its visit, else of its making.
func DateOf(ctx context.Context, store record.Store, t record.Test) (string, error) {
	if t.Visit == 0 {
		return t.Created.Local().Format(time.DateOnly), nil
	}
	v, err := store.Visit(ctx, t.Visit)
	return v.Date, err
}

// Standing is where the papers of a test stand whose result has this version and whose person is this one: what was said
// last (final only if it still holds), what was signed last, and the signed one before that; nil where there is none.
func Standing(all []Said, version int, person int64) (now Said, signed, old *Said) {
	for i := range all {
		now = all[i]
		if all[i].Final {
			old, signed = signed, &all[i]
		}
	}
	if signed != nil && signed.Result == version && (signed.Person == 0 || signed.Person == person) && now.Final {
		return now, signed, old
	}
	now.Final, now.Marks, now.Label, now.Result, now.Report = false, nil, "", version, 1
	if signed != nil {
		now.Report = signed.Report + 1
		if now.Why == signed.Why {
			now.Why = ""
		}
	}
	return now, signed, old
}
