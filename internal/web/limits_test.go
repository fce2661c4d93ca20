package web_test

import (
	"html"
	"strings"
	"testing"

	"gradus/conduct"
	"gradus/internal/web/core"
)

// The prepare page, the running page and the printed sheet carry one set of stop signs: the plan's table.
func TestOneSetOfStopSigns(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("A-1")
	id := w.prepare(who, alder())
	o := w.open(id)
	var c core.Core
	answer := c.Answer(core.Ask{Op: "load", Load: &o.Load})
	if answer.View == nil {
		t.Fatal(answer.Error)
	}
	run := map[string]bool{}
	for _, sign := range append(answer.View.Signs, answer.View.Measured...) {
		run[sign.Text] = true
	}
	table := o.Load.Protocol.Table
	if len(run) != len(table) || len(table) < 20 {
		t.Errorf("the running page has %d signs, the table %d", len(run), len(table))
	}
	pages := map[string]string{"prepare": w.get(who + "/new").text, "sheet": w.get("/tests/" + id + "/sheet").text}
	for _, sign := range table {
		if !run[sign.Text] {
			t.Errorf("the running page lacks %q", sign.Text)
		}
		for name, text := range pages {
			if !strings.Contains(text, html.EscapeString(sign.Text)) {
				t.Errorf("%s lacks %q", name, sign.Text)
			}
		}
	}
}

// Limits of a device, and too little room between rest and end, on the prepare page.
func TestPrepareLimits(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("A-1")
	signed := []string{"limits_name", "Dr Example", "limits_date", "2026-02-27"}
	form := with(append(signed, "device_rate_bpm", "150", "device_margin_bpm", "15", "ischaemia_hr_bpm", "160", "medical_cover", "no", "machine_id", "by the window", "machine_shows", "levels")...)
	id := w.prepare(w.person("A-2"), form)
	in := w.open(id).Load.Events[0].Begin.Inputs
	if in.DeviceRate != 150 || in.DeviceBelow != 15 || in.IschaemiaHR != 160 || in.Cover != conduct.CoverNo || in.MachineID != "by the window" || in.Machine != conduct.ShowsLevels {
		t.Errorf("%+v", in)
	}
	if text := html.UnescapeString(w.get("/tests/" + id + "/sheet").text); !strings.Contains(text, "15 below the device's rate of 150, set by Dr Example, 2026-02-27") {
		t.Error("the printed sheet does not say whose limit it is")
	}
	// Planned end 138: rest 127.7 leaves 10 beats or less, 120 leaves 18.
	if p := w.send(who+"/new", who+"/new", with("rest_hr_bpm", "128")); p.status != 422 || !strings.Contains(p.text, "small-step variant or a walk") {
		t.Errorf("%d: begun with no room", p.status)
	}
	w.prepare(w.person("A-3"), with("rest_hr_bpm", "120"))
}

// A second test of the same plan carries the row of the first.
func TestRowOfTheFirstTest(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("A-1")
	id := w.prepare(who, alder())
	if got := w.open(id).Load.Events[0].Begin.RowBefore; got != "" {
		t.Errorf("the first test has a row before: %s", got)
	}
	w.ride(id, func(v *core.View) bool { return v.Stage == "stage 2" })
	row := ""
	for _, e := range w.open(id).Load.Events {
		if e.Kind == conduct.Branched {
			row = e.Code
		}
	}
	again := w.prepare(who, with("mass_kg", "70"))
	if got := w.open(again).Load.Events[0].Begin.RowBefore; row == "" || got != row {
		t.Errorf("row before %q, taken was %q", got, row)
	}
}

// A drug found after the test: the result page says which version it is and what it replaces.
func TestResultSaysWhatItReplaces(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	id := w.prepare(w.person("A-1"), alder())
	w.ride(id, func(v *core.View) bool { return v.Stage == "stage 3" })
	o := w.open(id)
	s, _, err := conduct.Replay(o.Load.Protocol, o.Load.Events)
	if err != nil {
		t.Fatal(err)
	}
	events := []conduct.Event{{Kind: conduct.Stopped, Code: "wish"}, {Kind: conduct.Closed, Code: "examiner"}, {Kind: conduct.Input, Code: "rate_limiting_drug", Word: "yes", By: "KL"}}
	for i := range events {
		next := s.NextID()
		events[i].Term, events[i].N, events[i].At = next.Term, next.N+uint32(i), s.Now+1000
	}
	if p := w.events(id, int64(s.Now)+1000, events...); p.status != 200 {
		t.Fatal(p.status, p.text)
	}
	text := html.UnescapeString(w.get("/tests/" + id).text)
	for _, want := range []string{"Version 2 replaces version 1.", "rate limiting drug: no, now yes (KL)", "Now: ", "not usable", "handed out before"} {
		if !strings.Contains(text, want) {
			t.Errorf("the result page lacks %q", want)
		}
	}
}
