package web_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"io/fs"
	"maps"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gradus/internal/exchange/fhir"
	"gradus/internal/exchange/table"
	"gradus/internal/exchange/workbook"
	"gradus/internal/record"
)

// statuses are those of reports and estimates in a FHIR file.
func statuses(t *testing.T, data string) (all []string) {
	t.Helper()
	for _, f := range fhir.Check([]byte(data)) {
		t.Error(f)
	}
	var bundle struct {
		Entry []struct {
			Resource struct {
				ResourceType, Status string
				PresentedForm        []struct{ Data []byte }
				Code                 struct{ Coding []struct{ Code string } }
			}
		}
	}
	if err := json.Unmarshal([]byte(data), &bundle); err != nil {
		t.Fatal(err)
	}
	for _, e := range bundle.Entry {
		r := e.Resource
		if r.ResourceType == "DiagnosticReport" || r.ResourceType == "Observation" && r.Code.Coding[0].Code == "est-vo2peak" {
			all = append(all, r.Status)
		}
		for _, form := range r.PresentedForm {
			if !bytes.HasPrefix(form.Data, []byte("%PDF-")) {
				t.Error("the report is no PDF")
			}
			all = append(all, "pdf")
		}
		if r.ResourceType == "CarePlan" {
			all = append(all, "plan")
		}
	}
	return all
}

// Tests leave the house as files, each noted with its version; the status follows the signing, and by default nothing names a
// person in what goes to research.
func TestExports(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	who := w.person("P0-1")
	id := w.prepare(who, alder())
	has(t, "while it runs", w.get("/export?test="+id), http.StatusOK, "Closed tests: 0.")
	w.ride(id, nil)
	has(t, "the person leads there", w.get(who), http.StatusOK, `href="/export?person=1"`)
	at := "/export?test=" + id
	has(t, "the page", w.get(at), http.StatusOK, "Closed tests: 1.", "draft", "Name of P0-1")
	has(t, "none", w.get("/export?from=2031-01-01"), http.StatusOK, "Closed tests: 0.")
	has(t, "another protocol", w.get("/export?protocol=six-minute-walk"), http.StatusOK, "Closed tests: 0.")
	has(t, "unsigned", w.get("/export?signed=yes"), http.StatusOK, "Closed tests: 0.")

	base := url.Values{"test": {id}, "export_what": {"fhir"}, "export_hide": {"deidentified"}, "paper_to": {"the chart"}, "paper_by": {"KL"}, "do": {"make"}}
	has(t, "to nobody", w.send(at, "/export", other(base, "paper_to", "")), http.StatusUnprocessableEntity, "To whom")
	has(t, "of none", w.send(at, "/export", other(base, "test", "", "from", "2031-01-01")), http.StatusUnprocessableEntity, "No closed test is meant")
	f := other(base)
	f["export_fhir"] = []string{"note", "plan"}
	p := w.send(at, "/export", f)
	if got := strings.Join(statuses(t, p.text), " "); got != "preliminary preliminary pdf plan" || p.header.Get("Content-Type") != "application/fhir+json" {
		t.Errorf("a draft is %s", got)
	}
	if !strings.Contains(p.text, "Name of P0-1") {
		t.Error("the chart system does not learn whose test it is")
	}
	p = w.send("/tests/"+id+"/papers", "/tests/"+id+"/papers/said", url.Values{"asks": {"fitness"}, "by": {"Dr Example"}, "do": {"sign"}})
	has(t, "signed", p, http.StatusOK, "Kept.")
	f = other(base)
	f["export_fhir"] = []string{"no-names", "no-loinc"}
	p = w.send(at, "/export", f)
	if got := strings.Join(statuses(t, p.text), " "); got != "final final" {
		t.Errorf("a signed one is %s", got)
	}
	if strings.Contains(p.text, "Name of P0-1") || strings.Contains(p.text, "94122-9") {
		t.Error("a name or the LOINC code is in it")
	}

	p = w.send(at, "/export", other(base, "export_what", "data", "do", "look"))
	has(t, "the look", p, http.StatusOK, "45 CFR 164.514(b)(2)", "fewer than 5 people", "Free texts that are left out")
	if codes := must(b.store.StudyCodes(t.Context(), 0))(t); len(codes) > 0 {
		t.Error("codes were kept by looking")
	}
	p = w.send(at, "/export", other(base, "export_what", "data"))
	files, err := table.Unzip([]byte(p.text))
	if err != nil {
		t.Fatal(err)
	}
	for _, fault := range table.Check(files) {
		t.Error(&fault)
	}
	for name, data := range files {
		for _, secret := range []string{"P0-1", "Name of", ",KL,", "2026-"} {
			if bytes.Contains(data, []byte(secret)) {
				t.Errorf("%s holds %q", name, secret)
			}
		}
	}
	code := must(b.store.StudyCodes(t.Context(), 0))(t)["P0-1"]
	if !strings.HasPrefix(code, "S-") {
		t.Errorf("code %q", code)
	}
	p = w.send(at, "/export", other(base, "export_what", "xlsx", "export_hide", "study-days"))
	rows, err := workbook.Read([]byte(p.text), workbook.DataSheet)
	if err != nil || len(rows) < 3 || !strings.Contains(strings.Join(rows[1], " "), code) {
		t.Errorf("not the same code again: %v %v", rows, err)
	}
	has(t, "days", w.send(at, "/export", other(base, "export_what", "xlsx", "export_hide", "study-days", "do", "look")), http.StatusOK, "it is not Safe Harbor")
	p = w.send(at, "/export", other(base, "export_what", "xlsx", "export_hide", "identified"))
	if rows, err = workbook.Read([]byte(p.text), workbook.DataSheet); err != nil || !strings.Contains(strings.Join(rows[1], " "), "P0-1") {
		t.Error(rows, err)
	}
	has(t, "noted", w.get("/tests/"+id+"/papers"), http.StatusOK, "a chart system (FHIR R4), draft", "a chart system (FHIR R4), report version 1", "research (data package), de-identified", "a spreadsheet (XLSX), as it is", "the chart")
}

// A list of study codes that an earlier version laid beside the record is taken into it, each code to the site of its
// person, and the plain file goes; one that does not fit stays, and the pages open all the same.
func TestStudyCodesAreTakenOver(t *testing.T) {
	b := begin(t, false)
	north := must(b.store.AddSite(t.Context(), record.Site{Name: "North"}))(t)
	must(b.store.AddParticipant(t.Context(), record.Participant{Code: "N-1", Site: north.ID}))(t)
	list := filepath.Join(b.dir, "study-codes.csv")
	write := func(text string) {
		t.Helper()
		if err := os.WriteFile(list, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		b.again()
	}
	write("participant,code\r\nP-1,S-A2B3\r\nN-1,S-C4D5\r\n")
	if _, err := os.Stat(list); !errors.Is(err, fs.ErrNotExist) {
		t.Error("the plain list is still there", err)
	}
	if have := must(b.store.StudyCodes(t.Context(), 0))(t); !maps.Equal(have, map[string]string{"P-1": "S-A2B3"}) {
		t.Error(have)
	}
	if have := must(b.store.StudyCodes(t.Context(), north.ID))(t); !maps.Equal(have, map[string]string{"N-1": "S-C4D5"}) {
		t.Error(have)
	}
	write("participant,code\r\nP-1,S-Z9Z9\r\n")
	if _, err := os.Stat(list); err != nil {
		t.Error("a list that says otherwise is gone", err)
	}
	if have := must(b.store.StudyCodes(t.Context(), 0))(t); have["P-1"] != "S-A2B3" {
		t.Error(have)
	}
}
