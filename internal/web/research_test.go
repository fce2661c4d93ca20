package web_test

import (
	"bytes"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"gradus/internal/access"
	"gradus/internal/exchange/table"
	"gradus/internal/exchange/workbook"
	"gradus/internal/record"
)

// A researcher gets counts, the meaning of the columns and de-identified files of the own site; no page of the role names
// anybody, whatever route is asked.
func TestResearcherSeesNobody(t *testing.T) {
	c := openClinic(t)
	w := c.signedIn("researcher")
	secrets := []string{"A-1", "B-2", "2026-03-02", "2 March"}
	nobody := func(what, text string) {
		t.Helper()
		for _, secret := range secrets {
			if strings.Contains(text, secret) {
				t.Errorf("%s tells %q", what, secret)
			}
		}
	}
	secrets = secrets[:2] // days of the own account stand on its pages
	c.eachRoute(func(pattern string, _ access.Right, _ string) {
		r := c.route(pattern, c.ids, "")
		if strings.HasSuffix(pattern, "/stream") {
			r.URL.RawQuery = "since=x"
		}
		nobody(pattern, w.stay(r).text)
	})
	w = c.signedIn("researcher") // one of the routes signs out
	secrets = append(secrets, "2026-03-02", "2 March")
	if p := w.get("/"); p.at != "/research" {
		t.Errorf("the first page is %s", p.at)
	}
	p := w.get("/research")
	has(t, "the page", p, http.StatusOK, "Tests that count", "fewer than 5", "recumbent-stepper", "What the columns mean", "tests.csv", "estimator", `href="/research"`)
	nobody("the page", p.text)
	strict(t, "/research", p)
	has(t, "without a study", w.send("/research", "/research", url.Values{"research_what": {"data"}}), http.StatusUnprocessableEntity, "For which study")

	ask := url.Values{"research_what": {"data"}, "research_why": {"an invented study"}}
	file := w.send("/research", "/research", ask)
	files, err := table.Unzip([]byte(file.text))
	if err != nil {
		t.Fatal(err, file.text[:min(len(file.text), 300)])
	}
	for _, fault := range table.Check(files) {
		t.Error(&fault)
	}
	code := must(c.store.StudyCodes(t.Context(), 0))(t)["A-1"]
	found := false
	for name, data := range files {
		nobody(name, string(data))
		found = found || code != "" && bytes.Contains(data, []byte(code))
	}
	if !found {
		t.Errorf("study code %q of A-1 is in no table", code)
	}
	ask.Set("research_what", "xlsx")
	rows, err := workbook.Read([]byte(w.send("/research", "/research", ask).text), workbook.DataSheet)
	if err != nil || len(rows) < 2 || !strings.Contains(strings.Join(rows[1], " "), code) {
		t.Errorf("the workbook: %v %v", rows, err)
	}
	trail := must(c.store.Entries(t.Context(), record.TrailFilter{}))(t)
	taken := 0
	for _, e := range trail {
		if e.Action == "export" && strings.HasPrefix(e.Entity, "research/") && strings.HasPrefix(e.Note, "an invented study: ") && strings.Contains(e.Note, c.ids["test"]) && e.Actor != "" {
			taken++
		}
	}
	if taken != 2 {
		t.Errorf("%d files are in the trail", taken)
	}
	if other := c.signedIn("researcher-north").get("/research"); strings.Contains(other.text, "recumbent-stepper</dt>") || !strings.Contains(other.text, "<dd>0</dd>") {
		t.Error("a researcher of another site sees tests")
	}

	must(c.store.AddConsent(t.Context(), record.Consent{Participant: 1, Purpose: record.ForResearch, Given: false, Date: "2026-03-02", By: "KL"}))(t)
	p = w.get("/research")
	has(t, "after a refusal", p, http.StatusOK, "Tests left out")
	if strings.Contains(p.text, "What the columns mean") {
		t.Error("a test of somebody who refused is still there")
	}
	has(t, "a file after a refusal", w.send("/settings", "/research", ask), http.StatusUnprocessableEntity, "")
}

// copied is a closed test once more, as that of somebody else.
func copied(t *testing.T, store record.Store, id, as string, participant int64) {
	t.Helper()
	test := must(store.Test(t.Context(), id))(t)
	test.ID, test.Participant, test.Visit, test.Site, test.Created, test.Closed = as, participant, 0, 0, time.Time{}, time.Time{}
	must(store.NewTest(t.Context(), test))(t)
	must(store.Append(t.Context(), as, must(store.Events(t.Context(), id))(t)))(t)
}

// codesIn are the study codes of the tests in a file of research.
func codesIn(t *testing.T, file string) (codes []string) {
	t.Helper()
	rows, err := workbook.Read([]byte(file), workbook.DataSheet)
	if err != nil || len(rows) < 2 {
		t.Fatal(rows, err)
	}
	at := slices.IndexFunc(rows[0], func(name string) bool { return strings.EqualFold(name, "participant") })
	for _, row := range rows[1:] {
		if code := row[at]; code != "" && !slices.Contains(codes, code) {
			codes = append(codes, code)
		}
	}
	return codes
}

// Who sees all sites gets one person of two sites under one study code. A researcher of one of them gets the site's own code,
// and nothing tells of the other.
func TestOnePersonAtTwoSites(t *testing.T) {
	ask := url.Values{"research_what": {"xlsx"}, "research_why": {"an invented study"}}
	b := begin(t, false)
	w := b.browser()
	id := w.prepare(w.person("P0-1"), alder())
	w.ride(id, nil)
	north := must(b.store.AddSite(t.Context(), record.Site{Name: "North"}))(t)
	p := must(b.store.AddParticipant(t.Context(), record.Participant{Code: "N-1", Site: north.ID}))(t)
	copied(t, b.store, id, "north", p.ID)
	if codes := codesIn(t, w.send("/research", "/research", ask).text); len(codes) != 2 {
		t.Errorf("before: %v", codes)
	}
	must(b.store.Link(t.Context(), record.Link{One: 1, Other: p.ID, Same: true, By: "KL", Why: "same number"}))(t)
	mine := must(b.store.StudyCodes(t.Context(), 0))(t)["P0-1"]
	if codes := codesIn(t, w.send("/research", "/research", ask).text); !slices.Equal(codes, []string{mine}) {
		t.Errorf("as one: %v, not %s", codes, mine)
	}
	export := url.Values{"export_what": {"xlsx"}, "export_hide": {"deidentified"}, "paper_to": {"a study"}, "paper_by": {"KL"}, "do": {"make"}}
	if codes := codesIn(t, w.send("/export", "/export", export).text); !slices.Equal(codes, []string{mine}) {
		t.Errorf("exported as one: %v, not %s", codes, mine)
	}

	c := openClinic(t)
	sites := must(c.store.Sites(t.Context()))(t)
	other := must(c.store.AddParticipant(t.Context(), record.Participant{Code: "N-1", Site: sites[len(sites)-1].ID}))(t)
	one := must(c.store.ParticipantByCode(t.Context(), "A-1"))(t)
	copied(t, c.store, c.ids["test"], "copied", other.ID)
	must(c.store.Link(t.Context(), record.Link{One: one.ID, Other: other.ID, Same: true, By: "KL", Why: "same number"}))(t)
	codes := codesIn(t, c.signedIn("researcher-north").send("/research", "/research", ask).text)
	if own := must(c.store.StudyCodes(t.Context(), other.Site))(t)["N-1"]; own == "" || !slices.Equal(codes, []string{own}) {
		t.Errorf("of the site alone: %v, not %s", codes, own)
	}
}
