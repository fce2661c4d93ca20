package library_test

import (
	"strings"
	"testing"

	"gradus/protocol"
	"gradus/protocol/library"
)

// The published reasons to end a test, row by row beside their source, with what carries each of them here. A row that nothing
// carries says why.
var publishedTerminations = []struct{ id, source, carried string }{
	{"T01", "ACSM general indications (any onset); Circulation 2013 (moderate to severe)", "chest-discomfort"},
	{"T02", "ACSM general indications: 10 mmHg or more, or any value below rest; Am J Respir Crit Care Med 2003: 20 from the highest", "sbp-falls sbp-below-rest"},
	{"T03", "Circulation 2013, absolute: fall with other signs of ischaemia", "sbp-falls sbp-below-rest chest-discomfort"},
	{"T04", "ACSM general indications: 250/115; Am J Respir Crit Care Med 2003: 250/120", "sbp-high dbp-high"},
	{"T05", "ACSM general indications; Circulation 2013, relative", "breathless leg-pain"},
	{"T06", "ACSM general indications; Circulation 2013, absolute", "near-faint confusion pallor neuro-sign"},
	{"T07", "Circulation 2013, absolute", "neuro-sign near-faint"},
	{"T08", "ACSM general indications; threshold own", "hr-not-rising"},
	{"T09", "ACSM general indications", "rhythm-change"},
	{"T10", "Circulation 2013, absolute, with ECG", ""},
	{"T11", "Circulation 2013, absolute, with ECG", ""},
	{"T12", "Circulation 2013, relative, with ECG", ""},
	{"T13", "Circulation 2013, relative, with ECG", ""},
	{"T14", "every list", "asks-to-stop"},
	{"T15", "ACSM general indications, seen in part", "severe-fatigue"},
	{"T16", "every list; 60 s own", "equipment no-heart-rate heart-rate-silent sbp-falls"},
	{"T17", "Am J Respir Crit Care Med 2003: 80 with signs; community programme: rest below 85", "spo2-low spo2-no-cover"},
	{"T18", "pulmonary rehabilitation practice: below 88", "spo2-caution"},
	{"T19", "ACSM submaximal protocol: 85 % of maximum, 70 % of reserve", "plan:end_point"},
	{"T20", "AHA low-level test: 120 /min", ""},
	{"T21", "own: 10 % for 15 s", "plan:cadence"},
	{"T22", "own choice of 15 and 17 among published 14 to 17", "plan:exertion"},
	{"T23", "Am J Respir Crit Care Med 2003", "breathless confusion neuro-sign pallor"},
}

func TestEveryPublishedTermination(t *testing.T) {
	rows := library.Terminations()
	if len(rows) != len(publishedTerminations) {
		t.Fatalf("%d rows, published are %d", len(rows), len(publishedTerminations))
	}
	p := stepper(t)
	plan := map[string]bool{"plan:end_point": p.EndPoint.Is(), "plan:cadence": p.Cadence.Is(), "plan:exertion": p.Exertion.Is()}
	carried := map[string]bool{}
	for i, want := range publishedTerminations {
		row := rows[i]
		if row.ID != want.id || strings.Join(row.CarriedBy, " ") != want.carried {
			t.Errorf("%s is carried by %v; %s %s (%s)", row.ID, row.CarriedBy, want.id, want.carried, want.source)
		}
		if row.Criterion == "" || row.From == "" || row.How == "" || len(row.CarriedBy) == 0 && row.Why == "" {
			t.Errorf("%s lacks criterion, origin, or why nothing carries it: %+v", row.ID, row)
		}
		for _, id := range row.CarriedBy {
			k := p.SignIndex(id)
			switch {
			case k < 0 && !plan[id]:
				t.Errorf("%s: %s is neither a sign nor a rule of the plan", row.ID, id)
			case k >= 0 && strings.HasPrefix(row.Severity, "stop") && p.Table[k].Does == protocol.DoesAlert:
				t.Errorf("%s: %s only alerts, but the row stops", row.ID, id)
			}
			carried[id] = true
		}
	}
	for i := range p.Table {
		if id := p.Table[i].ID; !carried[id] && id != "other-symptom" {
			t.Errorf("sign %s stands for no published row", id)
		}
	}
}
