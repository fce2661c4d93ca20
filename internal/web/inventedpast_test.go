package web

import (
	"bytes"
	"encoding/json"
	"flag"
	"log/slog"
	"os"
	"testing"

	"gradus/conduct"
)

var rewrite = flag.Bool("rewrite", false, "write the past of the demonstration anew")

// The past of the demonstration is what the conductor and the invented participant make of the shipped plan.
func TestPastIsMadeByTheConductor(t *testing.T) {
	lib := newShelf(newSiteFiles(nobodys{}, slog.New(slog.DiscardHandler)), false)
	plan, err := lib.protocol(defaultProtocol)
	if err != nil {
		t.Fatal(err)
	}
	e, err := lib.estimator(&plan.Outcome)
	if err != nil {
		t.Fatal(err)
	}
	made := []byte("[")
	for i := range past {
		p := &past[i]
		v, events, err := try(plan, e, p.inputs(), p.body, p.by)
		if err != nil {
			t.Fatal(err)
		}
		if v.Phase != conduct.Over {
			t.Errorf("test %d is not closed: %v", i+1, v.Phase)
		}
		for k := range events {
			text, err := json.Marshal(&events[k])
			if err != nil {
				t.Fatal(err)
			}
			made = append(append(append(made, "[,"[min(k, 1)]), text...), '\n')
		}
		made = append(append(made, ']'), ",]"[i/(len(past)-1)])
	}
	made = append(made, '\n')
	if *rewrite {
		if err := os.WriteFile("inventedpast.json", made, 0o666); err != nil {
			t.Fatal(err)
		}
		return
	}
	if !bytes.Equal(made, pastEvents) {
		t.Error("the conductor makes other tests of the past today; look at the difference after: go test ./internal/web -run TestPastIsMadeByTheConductor -rewrite")
	}
}
