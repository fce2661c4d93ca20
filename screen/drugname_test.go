package screen

import "testing"

func TestBetaBlocker(t *testing.T) {
	for name, want := range map[string]bool{"a beta-blocker, 50 mg at 8:00": true, "Metoprolol 47.5": true, "verapamil": false, "": false, "beta blocker": true, "statin": false} {
		if BetaBlocker(name) != want {
			t.Errorf("%q: %v", name, !want)
		}
	}
}
