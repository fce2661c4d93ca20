package library

import (
	"strings"
	"testing"

	"gradus/conduct"
)

// Ids tell which equations need no exercise, so that not all of them are read to find those.
func TestExpectationsAreNamedSo(t *testing.T) {
	for _, id := range IDs() {
		e, err := ByID(id)
		if err != nil {
			t.Fatal(err)
		}
		if named := strings.HasPrefix(id, expectations); named != (e.Test == "none") && strings.HasPrefix(e.Outcome.What, "VO2") {
			t.Errorf("%s: test %q", id, e.Test)
		}
	}
}

func TestExpectationsStandBesideOnlyWithAnswers(t *testing.T) {
	lead, err := ByID("recumbent-stepper-2012")
	if err != nil {
		t.Fatal(err)
	}
	in := conduct.Inputs{}
	if e, err := WithExpectations(lead, &in); err != nil || e != lead {
		t.Errorf("without answers: %v, %v", e, err)
	}
	if err := in.Set("activity_rating", "", 4); err != nil {
		t.Fatal(err)
	}
	e, err := WithExpectations(lead, &in)
	if err != nil || len(e.Beside) < 9 || len(lead.Beside) != 0 {
		t.Fatalf("%v, %v", e, err)
	}
	for _, other := range e.Beside {
		if !other.Prior {
			t.Errorf("%s is not marked", other.ID)
		}
	}
}
