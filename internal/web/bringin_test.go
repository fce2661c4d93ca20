package web_test

import (
	"bytes"
	"mime/multipart"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"gradus/internal/record"
)

const oldSheet = `Code;Surname;Test date;Sex;Age;Weight;Beta blocker;HR rest;HR min 2;HR min 3;RPE 3;W 5;HR min 5;HR min 6
P-01;Alder (invented);04/03/2019;w;67;68,5;no;68;92;94;9;75;115;119
P-02;Birch (invented);06/07/2019;m;about 60;81,2;no;66;99;103;10;50;120;122
`

// sendFile sends a file with the fields of its form.
func (w *browser) sendFile(form, to, name, field string, data []byte, fields url.Values) page {
	w.b.t.Helper()
	found := tokenField.FindStringSubmatch(w.get(form).text)
	if found == nil {
		w.b.t.Fatalf("%s has no form", form)
	}
	fields.Set("token", found[1])
	var body bytes.Buffer
	m := multipart.NewWriter(&body)
	for key, values := range fields {
		if err := m.WriteField(key, values[0]); err != nil {
			w.b.t.Fatal(err)
		}
	}
	if name != "" {
		part, err := m.CreateFormFile(field, name)
		if err == nil {
			_, err = part.Write(data)
		}
		if err != nil {
			w.b.t.Fatal(err)
		}
	}
	if err := m.Close(); err != nil {
		w.b.t.Fatal(err)
	}
	r, err := http.NewRequest(http.MethodPost, w.b.http.URL+to, &body)
	if err != nil {
		w.b.t.Fatal(err)
	}
	r.Header.Set("Content-Type", m.FormDataContentType())
	return w.do(r)
}

var chosen = regexp.MustCompile(`<select id="([^"]+)" name="[^"]+"[^>]*>(?:<option[^>]*>[^<]*</option>)*?<option value="([^"]*)" selected>`)

// filled are the selects of a page as they stand.
func filled(text string) url.Values {
	out := url.Values{}
	for _, m := range chosen.FindAllStringSubmatch(text, -1) {
		out.Set(m[1], strings.NewReplacer("&#43;", "+", "&amp;", "&").Replace(m[2]))
	}
	return out
}

// A clinic's spreadsheet from the file to the result page: what the headings suggest, the question about the days, problems by
// cell, nothing stored before it is accepted, and nothing twice.
func TestBringIn(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	has(t, "people", w.get("/people"), http.StatusOK, `href="/bring-in"`)
	has(t, "no file", w.sendFile("/bring-in", "/bring-in", "", "", nil, url.Values{}), http.StatusUnprocessableEntity, "Spreadsheet")
	has(t, "no table", w.sendFile("/bring-in", "/bring-in", "x.xlsx", "bring_file", []byte("\x89PNG\x00"), url.Values{}), http.StatusUnprocessableEntity, "neither an XLSX nor a CSV file")

	p := w.sendFile("/bring-in", "/bring-in", `C:\old\sheets.csv`, "bring_file", []byte(oldSheet), url.Values{})
	has(t, "columns", p, http.StatusOK, "Which column is what? sheets.csv", "A: Code", "HR min 2", "04/03/2019")
	at := p.at
	f := filled(p.text)
	for name, want := range map[string]string{"c-participant": "Code", "c-date": "Test date", "c-mass_kg": "Weight", "c-rest_hr_bpm": "HR rest", "protocol": "recumbent-stepper"} {
		if f.Get(name) != want {
			t.Errorf("%s is %q, want %q", name, f.Get(name), want)
		}
	}
	f.Set("bring_rows", "test")
	f.Set("bring_head", "1")
	f.Set("bring_words", "sex: w = female\nsex: m = male")

	p = w.send(at, at, other(f, "do", "look"))
	has(t, "the question", p, http.StatusOK, "What sheets.csv holds", "C2", "may be 4 March 2019 or 3 April 2019; which one?", "There is nothing new in it.")
	has(t, "a missing column", w.send(at, at, other(f, "do", "look", "c-date", "")), http.StatusUnprocessableEntity, "Say which column is “Day of the test”")
	has(t, "words", w.send(at, at, other(f, "do", "look", "bring_words", "sex w female")), http.StatusUnprocessableEntity, "is not a line such as")
	has(t, "another protocol", w.send(at, at, other(f, "do", "again", "protocol", "six-minute-walk")), http.StatusOK, "Distance, m")

	f.Set("bring_dates", "dmy")
	p = w.send(at, at, other(f, "do", "look", "mapping_title", "Our steppers (2019)"))
	has(t, "the look", p, http.StatusOK, "People: 1, of them new 1. Tests: 1, of them new 1. Readings: 5. Estimates: 1.", "P-01 · Alder (invented)", "E3", "about 60&#34; is not a number", "Leave these rows out")
	has(t, "nobody accepts", w.send(at, at, url.Values{"do": {"store"}}), http.StatusUnprocessableEntity, "Accepted by", "say that they may be left out")
	if all, err := b.store.Participants(t.Context(), record.ParticipantFilter{}); err != nil || all.Total > 0 {
		t.Fatal("something was stored before it was accepted", err)
	}
	p = w.send(at, at, url.Values{"do": {"store"}, "bring_by": {"KL"}, "leave_out": {"yes"}})
	has(t, "stored", p, http.StatusOK, "Stored: 1 new people, 1 visits, 1 tests.")
	has(t, "gone", w.get(at), http.StatusNotFound, "not in memory any more")

	tests, err := b.store.Tests(t.Context(), record.TestFilter{})
	if err != nil || len(tests) != 1 {
		t.Fatal(tests, err)
	}
	has(t, "its result", w.get("/tests/"+tests[0].ID), http.StatusOK, "27.0", "4 March 2019", "Brought in from sheets.csv, row 2.")
	has(t, "its papers", w.get("/tests/"+tests[0].ID+"/papers"), http.StatusOK, "Draft, not signed.")
	if note := w.get("/tests/" + tests[0].ID + "/papers/note"); note.status != http.StatusOK || !strings.Contains(note.text, "27.0") {
		t.Errorf("its note: %d %s", note.status, note.text)
	}
	visit, err := b.store.Visit(t.Context(), tests[0].Visit)
	if err != nil || visit.Date != "2019-03-04" {
		t.Error(visit, err)
	}

	// the same file once more, by the columns that were kept
	kept := w.get("/bring-in")
	has(t, "kept", kept, http.StatusOK, "Our steppers (2019) (version 1)", `href="/bring-in/mappings/our-steppers-2019"`)
	file := w.get("/bring-in/mappings/our-steppers-2019")
	has(t, "mapping file", file, http.StatusOK, `id: "our-steppers-2019"`, `participant: {column: "Code"}`)
	if kept := must(b.store.File(t.Context(), record.FileMapping, "our-steppers-2019", ""))(t); string(kept.Content) != file.text {
		t.Error("the file kept is another one")
	}
	if left := must(b.store.FilesOf(t.Context(), record.FileUpload))(t); len(left) != 0 {
		t.Errorf("%d spreadsheets stay after they were brought in", len(left))
	}
	p = w.sendFile("/bring-in", "/bring-in", "again.csv", "bring_file", []byte(oldSheet), url.Values{"bring_mapping": {"our-steppers-2019"}})
	has(t, "again", p, http.StatusOK, "What again.csv holds", "in the record already", "There is nothing new in it.")
	has(t, "an unknown mapping", w.get("/bring-in/mappings/..%2f..%2fforms.key"), http.StatusNotFound, "")
}

// Vital signs of another system stand on the page of the visit and fill the page that prepares a test.
func TestVitalsOfAnotherSystem(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	fact := record.Fact{Kind: "vitals", JSON: []byte(`{"file": "chart.json", "digest": "00", "values": [{"kind": "weight", "value": 69.5, "unit": "kg", "when": "2026-02-14"}, {"kind": "weight", "value": 70.25, "unit": "kg", "when": "2026-02-14T18:00:00Z"}, {"kind": "blood-pressure", "value": 138, "value2": 78, "unit": "mm[Hg]", "when": "2026-02-14"}]}`)}
	if _, err := b.store.BringIn(t.Context(), record.Batch{By: "KL", People: []record.BatchPerson{{Participant: record.Participant{Code: "H-77"}, Days: []record.BatchDay{{Date: "2026-02-14", State: record.VisitNotTested, Facts: []record.Fact{fact}}}}}}); err != nil {
		t.Fatal(err)
	}
	has(t, "prepare", w.get("/people/1/new"), http.StatusOK, `value="70.25"`, "Body mass of Saturday 14 February 2026 (another system)")
	has(t, "visit", w.get("/visits/1"), http.StatusOK, "Vital signs from another system", "138/78", "mmHg", "chart.json")
}
