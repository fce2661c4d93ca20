package conduct_test

import (
	"strings"
	"testing"

	"gradus/conduct"
)

// On a machine that shows only METs no instruction names watts; on every other machine each one does.
func TestLevelsInsteadOfWatts(t *testing.T) {
	for _, shows := range []conduct.Shows{conduct.ShowsNotRecorded, conduct.ShowsWatts, conduct.ShowsLevels, conduct.ShowsMETs} {
		in := healthy()
		in.Machine = shows
		pl := play(t, in)
		said := []string{pl.next("0:00").Say}
		pl.play("0:00 stage stage-1 30", "2:00 hr 94", "3:00 hr 95")
		said = append(said, pl.next("3:00").Say)
		pl.play("3:00 stage stage-2 75", "5:00 hr 124", "6:00 hr 125", "6:05 stop end-point")
		said = append(said, pl.next("6:05").Say)
		want := []string{"Set 30 W.", "Set ", "Set the cool-down, 30 W."}
		if shows == conduct.ShowsMETs {
			want = []string{"Set the level for stage 1.", "Set the level for stage 2.", "Set the cool-down, no level above the first stage's."}
		}
		for i, text := range said {
			if !strings.HasPrefix(text, want[i]) || strings.Contains(text, " W") == (shows == conduct.ShowsMETs) {
				t.Errorf("machine %d: %q, want %q", shows, text, want[i])
			}
		}
	}
}
