package web_test

import (
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
)

// An emergency with nobody chosen has a log at once; later it is given to the person it was, and stands there.
func TestEmergencyOfNobody(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("E-1")
	card := w.get("/emergency")
	says(t, "card", card, "Log it now, say who later")
	since := regexp.MustCompile(`name="since" value="([0-9]+)"`).FindStringSubmatch(card.text)[1]
	p := w.send("/emergency", "/emergency", url.Values{"since": {since}})
	if p.status != http.StatusOK || !strings.HasSuffix(p.at, "/emergency") || !strings.Contains(p.text, `name="since" value="`+since+`"`) {
		t.Fatalf("%d at %s", p.status, p.at)
	}
	says(t, "log", p, "UNKNOWN-", "Nobody was chosen.")
	at := p.at
	says(t, "entry", w.send(at, at, url.Values{"since": {since}, "do": {"vitals"}, "alarm_hr": {"41"}, "alarm_note": {"found on the floor"}}), "found on the floor")
	if p := w.send("/emergency", "/emergency", url.Values{"since": {since}}); p.at != at {
		t.Errorf("opened again it is another one: %s", p.at)
	}
	unknown := strings.TrimSuffix(at, "/emergency")
	if p := w.get(unknown + "/whose?code=NOBODY"); p.status != http.StatusNotFound {
		t.Errorf("a code that is not there: %d", p.status)
	}
	merge := w.get(unknown + "/whose?code=E-1")
	if merge.at != who+"/merge" {
		t.Fatalf("to merge: %s", merge.at)
	}
	with := regexp.MustCompile(`name="with" value="([0-9]+)"`).FindStringSubmatch(merge.text)[1]
	if p := w.send(who+"/merge?with="+with, who+"/merge", url.Values{"with": {with}, "merge_by": {"KL"}, "why": {"recognised by the ward"}}); p.status != http.StatusOK {
		t.Fatalf("merge: %d %s", p.status, p.text)
	}
	says(t, "of the person", w.get(who+"/emergency?since="+since), "found on the floor", "41")
	lacks(t, "of the person", w.get(who+"/emergency?since="+since), "Nobody was chosen.")
}
