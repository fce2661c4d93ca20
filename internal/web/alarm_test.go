package web_test

import (
	"bytes"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"gradus/conduct"
	"gradus/protocol"
)

func siteEntries() url.Values {
	return url.Values{"site_number": {"0-999 (invented)"}, "site_inside": {"Ward physician, 4711"}, "site_address": {"Example road 1\nHouse B, floor 2"}, "site_aed": {"beside the lift"},
		"site_plan": {"Stop the machine, lay the person down\nCall\nFetch the AED"}, "by": {"KL"}}
}

// The site's card is asked for until it is written, is shown on every emergency page and in the running page's own shell,
// keeps its versions, and is there after a new start and without the record.
func TestSiteCard(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	has(t, "without a card", w.get("/emergency"), http.StatusOK, "This site has not written its card")
	has(t, "an empty card", w.send("/settings", "/settings", url.Values{"site_number": {""}}), http.StatusUnprocessableEntity, `id="site_number-fault"`, `id="by-fault"`)
	has(t, "written", w.send("/settings", "/settings", siteEntries()), http.StatusOK, "Saved.", "Version 1, written by KL on 2 March 2026.")
	again := siteEntries()
	again.Set("site_number", "0-998 (invented)")
	has(t, "written again", w.send("/settings", "/settings", again), http.StatusOK, "Version 2", "Earlier versions", "0-999 (invented)")

	b.again()
	w = b.browser()
	for _, step := range []string{"0-998 (invented)", "Ward physician, 4711", "beside the lift", "<li>Fetch the AED</li>", "Measure heart rate and pressure now."} {
		has(t, "the card", w.get("/emergency"), http.StatusOK, step)
	}
	who := w.person("A-1")
	id := w.prepare(who, alder())
	has(t, "the running page", w.get("/tests/"+id+"/run"), http.StatusOK, `<template id="site-card">`, "0-998 (invented)", "<li>Fetch the AED</li>")
	has(t, "from the person", w.get(who), http.StatusOK, who+"/emergency")
	// The file beside the record is a copy: a broken one is written anew.
	path := filepath.Join(b.dir, "site.json")
	whole := must(os.ReadFile(path))(t)
	if err := os.WriteFile(path, []byte("{"), 0o600); err != nil {
		t.Fatal(err)
	}
	b.again()
	has(t, "after that", b.browser().get("/emergency"), http.StatusOK, "0-998 (invented)")
	if text := must(os.ReadFile(path))(t); !bytes.Equal(text, whole) {
		t.Errorf("the copy is %s", text)
	}
}

var vitalsDue = regexp.MustCompile(`data-since-ms="(-?\d+)" data-due-ms="(-?\d+)"`)

// An emergency: nothing is written by looking, the clock runs from the first tap, each entry is stored at once, the
// countdown begins anew with each heart rate and pressure, and the hand-over sheet has it all.
func TestEmergency(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	w.send("/settings", "/settings", siteEntries())
	who := w.person("A-1")
	id := w.prepare(who, alder())
	w.events(id, 61_000, conduct.Event{Term: 1, N: 2, At: 0, Kind: conduct.StageBegun, Code: "stage-1", V: 30}, conduct.Event{Term: 1, N: 3, At: 60_000, Kind: conduct.Reading, What: protocol.HeartRate, V: 104, Slot: 1, Src: conduct.Typed},
		conduct.Event{Term: 1, N: 4, At: 61_000, Kind: conduct.Stopped, Code: "chest-discomfort"})
	card := w.get("/tests/" + id + "/emergency")
	has(t, "the card", card, http.StatusOK, "Emergency: Name of A-1", "The test still runs", "0-999 (invented)", "Nothing is written down yet.", `data-due-ms="0"`)
	since := regexp.MustCompile(`name="since" value="(\d+)"`).FindStringSubmatch(card.text)[1]
	at := who + "/emergency?since=" + since + "&test=" + id
	send := func(fields url.Values) page {
		t.Helper()
		fields.Set("since", since)
		fields.Set("test", id)
		return w.send(at, who+"/emergency", fields)
	}
	b.clock.pass(40 * time.Second)
	has(t, "nothing entered", send(url.Values{"do": {"vitals"}}), http.StatusUnprocessableEntity, "enter at least one value")
	has(t, "an impossible value", send(url.Values{"do": {"vitals"}, "alarm_hr": {"1120"}, "alarm_spo2": {"91"}}), http.StatusUnprocessableEntity, "1120 is not between 0 and 350", `value="91"`)
	has(t, "no systolic", send(url.Values{"do": {"vitals"}, "alarm_dbp": {"60"}}), http.StatusUnprocessableEntity, "enter systolic too")
	has(t, "vital signs", send(url.Values{"do": {"vitals"}, "alarm_hr": {"112"}, "alarm_sbp": {"92"}, "alarm_dbp": {"58"}, "alarm_spo2": {"91"}, "alarm_awake": {"voice"}, "alarm_note": {"pale, cold sweat"}, "by": {"KL"}}),
		http.StatusOK, "Saved.", "92/58", "answers to voice", "pale, cold sweat", "0:40", `data-due-ms="300000"`)
	b.clock.pass(30 * time.Second)
	has(t, "called", send(url.Values{"do": {"called"}}), http.StatusOK, "Emergency number called.", "1:10", "<td>KL</td>")
	b.clock.pass(6 * time.Minute)
	due := vitalsDue.FindStringSubmatch(w.get(at).text)
	if due[1] != "430000" || due[2] != "-90000" {
		t.Errorf("since %s ms, due in %s ms; want 430000, -90000", due[1], due[2])
	}
	has(t, "no pulse", send(url.Values{"do": {"vitals"}, "alarm_hr": {"0"}, "alarm_awake": {"none"}}), http.StatusOK, "<td>0</td>", "no answer")
	has(t, "it began earlier", send(url.Values{"do": {"onset"}, "alarm_ago": {"10"}}), http.StatusOK, "since it began at 08:57:10", "<td>3:30</td>")
	has(t, "over", send(url.Values{"do": {"over"}}), http.StatusOK, "This emergency is over.")
	has(t, "found again by its address", w.get(at), http.StatusOK, "pale, cold sweat")

	paper := w.get(who + "/handover?since=" + since + "&test=" + id)
	has(t, "the hand-over sheet", paper, http.StatusOK, "Name of A-1", "A-1", "pale, cold sweat", "Heart rate 104", "Stopped: chest-discomfort", "68", "124/76", "None are recorded", "Example road 1")
	visit := regexp.MustCompile(`/visits/\d+`).FindString(w.get(who).text)
	has(t, "in the visit", w.get(visit), http.StatusOK, "emergency log", who+"/emergency")
	lacks(t, "in the visit", w.get(visit), "replaced")

	next := w.get(who + "/emergency")
	lacks(t, "the next one", next, "pale, cold sweat")
	has(t, "unsigned", w.post(who+"/emergency", url.Values{"do": {"called"}, "token": {"0"}}), http.StatusUnprocessableEntity)
	if n := strings.Count(w.get(at).text, "<tr>"); n != 6 {
		t.Errorf("%d lines in the log, want 5 and the head", n)
	}
}

// An adverse event is written down from the emergency's log, is added to later and never changed, and stands in the lists of
// the person and of the site.
func TestAdverseEvents(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("A-1")
	w.send(who+"/emergency", who+"/emergency", url.Values{"do": {"called"}, "alarm_note": {"fell beside the machine"}, "by": {"KL"}})
	from := regexp.MustCompile(`href="(/people/\d+/incidents\?since=\d+)"`).FindStringSubmatch(w.get(who + "/emergency").text)
	if from == nil {
		t.Fatal("the card does not lead to the adverse events")
	}
	form := w.get(from[1])
	has(t, "the form", form, http.StatusOK, "fell beside the machine", `value="2026-03-02"`, `value="09:00"`)
	entries := url.Values{"event_what": {"Fell beside the machine when getting off"}, "event_date": {"2026-03-02"}, "event_time": {"09:00"}, "event_severity": {"moderate"}, "event_relation": {"possible"}, "event_action": {"looked after, wound covered"}, "by": {"KL"}}
	for field, bad := range map[string]string{"event_what": "", "event_date": "2026-03-03", "event_severity": "huge", "event_relation": "", "event_action": "", "by": "", "event_time": "9 h"} {
		wrong := url.Values{}
		for k, v := range entries {
			wrong[k] = v
		}
		wrong.Set(field, bad)
		has(t, field, w.send(who+"/incidents", who+"/incidents", wrong), http.StatusUnprocessableEntity, `id="`+field+`-fault"`)
	}
	saved := w.send(who+"/incidents", who+"/incidents", entries)
	has(t, "written", saved, http.StatusOK, "Written down.", "Fell beside the machine when getting off", "possibly", "open")
	id := regexp.MustCompile(`name="event" value="([^"]+)"`).FindStringSubmatch(saved.text)[1]
	has(t, "nothing added", w.send(who+"/incidents", who+"/incidents", url.Values{"event": {id}, "by": {"KL"}}), http.StatusUnprocessableEntity, "event_follow-fault")
	has(t, "to an unknown event", w.send(who+"/incidents", who+"/incidents", url.Values{"event": {"x"}, "event_follow": {"well"}, "by": {"KL"}}), http.StatusNotFound)
	b.clock.pass(48 * time.Hour)
	added := w.send(who+"/incidents", who+"/incidents", url.Values{"event": {id}, "event_follow": {"telephoned: wound dry"}, "event_outcome": {"recovered"}, "by": {"MM"}})
	has(t, "added", added, http.StatusOK, "Fell beside the machine when getting off", "telephoned: wound dry", "MM, written on", "recovered")
	lacks(t, "added", added, ">open<")

	other := w.person("B-2")
	w.send(other+"/incidents", other+"/incidents", url.Values{"event_what": {"dizzy at home"}, "event_date": {"2026-03-01"}, "event_severity": {"mild"}, "event_relation": {"unlikely"}, "event_action": {"none"}, "by": {"KL"}})
	all := w.get("/incidents")
	has(t, "the list of the site", all, http.StatusOK, "dizzy at home", "Fell beside the machine", "telephoned: wound dry", "Name of A-1", "Name of B-2")
	if strings.Index(all.text, "Fell beside") > strings.Index(all.text, "dizzy at home") {
		t.Error("the newest does not stand first")
	}
	lacks(t, "another person", w.get(other+"/incidents"), "Fell beside")
}
