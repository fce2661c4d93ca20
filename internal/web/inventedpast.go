package web

import (
	"context"
	_ "embed"
	"encoding/json"
	"fmt"
	"log/slog"
	"time"

	"gradus/conduct"
	"gradus/internal/record"
	"gradus/prescribe"
	"gradus/simulate"
)

// pastTest is a test that an invented person made before today.
type pastTest struct {
	who     int // of invented
	ago     int // days
	body    int // of simulate, as the person was then
	by      string
	student bool // waits for a countersign
	facts   func(now time.Time, test string) []pastFact
}

type pastFact struct {
	kind string
	what any
}

// past is what the demonstration remembers: one who was trained and came down to a lower heart rate, with a plan that
// is being followed, and one of whom nobody can tell, whose last test was made by a student.
var past = []pastTest{
	{who: 3, ago: 72, body: 3, by: "XX", facts: firstPlan},
	{who: 3, ago: 30, body: 4, by: "XX", facts: secondPlan},
	{who: 4, ago: 50, body: 5, by: "XX"},
	{who: 4, ago: 22, body: 6, by: "XX"},
	{who: 4, ago: 1, body: 7, by: "a student (invented)", student: true},
}

func firstPlan(now time.Time, test string) []pastFact {
	return []pastFact{{factReport, reportFact{Test: test, Report: 1, Result: 1, Question: "How fit before training? (invented)", Weeks: 6}}, {factSessions, sessionsBetween(now, 70, 32)}}
}

func secondPlan(now time.Time, test string) []pastFact {
	edit := prescribe.Edit{FromWeek: 3, ToWeek: 8, Sessions: 3, Why: "can come three times a week (invented)", By: "XX", On: now.AddDate(0, 0, -29).Format(time.DateOnly)}
	return []pastFact{{factReport, reportFact{Test: test, Report: 1, Result: 1, Question: "Did six weeks of training help? (invented)", Weeks: 8, Changes: []prescribe.Edit{edit}}},
		{factSessions, sessionsBetween(now, 29, 1)}}
}

// sessionsBetween are sessions of training three times a week, a little longer from week to week.
func sessionsBetween(now time.Time, from, to int) (all []session) {
	for ago := from; ago >= to; ago-- {
		if k := (from - ago) % 7; k != 0 && k != 2 && k != 4 {
			continue
		}
		week := float64((from - ago) / 7)
		all = append(all, session{Day: now.AddDate(0, 0, -ago).Format(time.DateOnly), Minutes: 20 + 2*week, HR: 112 + week, RPE: 13})
	}
	return all
}

// pastEvents are the events of these tests, as the conductor and the invented participant make them; they always make the
// same, which a test keeps true. Making them at every start would take half a second.
//
//go:embed inventedpast.json
var pastEvents []byte

// inventPast puts the tests of the past into the record, dated from today.
func inventPast(ctx context.Context, store record.Store, people []record.Participant, now time.Time) error {
	plan, err := newShelf(newSiteFiles(store, slog.New(slog.DiscardHandler)), false).protocol(defaultProtocol)
	if err != nil {
		return err
	}
	sent, err := json.Marshal(plan)
	if err != nil {
		return err
	}
	var tests [][]conduct.Event
	if err := json.Unmarshal(pastEvents, &tests); err != nil {
		return fmt.Errorf("inventedpast.json: %w", err)
	}
	batch := record.Batch{By: "XX"}
	for i := range past {
		p := &past[i]
		at := now.AddDate(0, 0, -p.ago)
		made := time.Date(at.Year(), at.Month(), at.Day(), 10, 15, 0, 0, now.Location())
		t := record.Test{ID: fmt.Sprintf("demo-%d-%d", p.who+1, i+1), Protocol: plan.ID, Version: plan.Version, Hash: plan.Hash, Sent: sent, Title: plan.Title, Demo: true, Student: p.student, Created: made}
		for k := range tests[i] {
			tests[i][k].Wall = made.Add(time.Duration(tests[i][k].At) * time.Millisecond).Format(time.RFC3339)
		}
		day := record.BatchDay{Date: made.Format(time.DateOnly), State: record.VisitDone, Tests: []record.BatchTest{{Test: t, Events: tests[i]}}}
		if p.facts != nil {
			for _, f := range p.facts(now, t.ID) {
				text, err := json.Marshal(f.what)
				if err != nil {
					return err
				}
				day.Facts = append(day.Facts, record.Fact{Kind: f.kind, JSON: text})
			}
		}
		batch.People = append(batch.People, record.BatchPerson{Participant: record.Participant{ID: people[p.who].ID}, Days: []record.BatchDay{day}})
	}
	_, err = store.BringIn(ctx, batch)
	return err
}

// inputs are what the test of an invented person begins with.
func (p *pastTest) inputs() conduct.Inputs {
	body := simulate.Number(p.body)
	return conduct.Inputs{AgeYears: inventedYears[p.who], Sex: invented[p.who].Sex, MassKg: inventedSizes[p.who][0], HeightCm: inventedSizes[p.who][1], RestHR: body.RestHR, RestSBP: 128, RestDBP: 78,
		Drug: conduct.DrugNo, Rhythm: conduct.Sinus, Cadence: body.Cadence, BP: conduct.BPNone, Machine: conduct.ShowsWatts}
}
