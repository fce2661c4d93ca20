package web

import (
	"context"
	"log/slog"
	"testing"

	"gradus/conduct"
	"gradus/internal/record"
	protocols "gradus/protocol/library"
)

// nobodys are the files of a site that has none.
type nobodys struct{ record.Files }

func (nobodys) FilesOf(context.Context, string) ([]record.File, error) { return nil, nil }

// Every shipped plan can be tried to its end on the invented participant, and nothing of it is refused.
func TestEveryPlanCanBeTried(t *testing.T) {
	lib := newShelf(newSiteFiles(nobodys{}, slog.New(slog.DiscardHandler)), false)
	for _, id := range protocols.IDs() {
		t.Run(id, func(t *testing.T) {
			plan, err := lib.protocol(id)
			if err != nil {
				t.Fatal(err)
			}
			e, err := lib.estimator(&plan.Outcome)
			if err != nil {
				t.Fatal(err)
			}
			v, events, err := tryout(plan, e, 0)
			if err != nil {
				t.Fatal(err)
			}
			if v.Phase != conduct.Over {
				t.Errorf("not closed: %v, %q after %d events", v.Phase, v.Next.Say, len(events))
			}
			if s, refused, err := conduct.Replay(plan, events); err != nil || len(refused) > 0 || s.NStages == 0 {
				t.Errorf("replay: %d stages, refused %v, %v", s.NStages, refused, err)
			}
			if g := v.Ground; id == "six-minute-walk" && (g == nil || g.DistanceM != 14*30+12) {
				t.Errorf("14 laps of 30 m and 12 m at the end are %+v", g)
			}
			t.Logf("%d events, %v; %+v", len(events), v.Now/60000, v.Ground)
		})
	}
}
