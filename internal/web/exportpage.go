package web

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"gradus/internal/exchange"
	"gradus/internal/exchange/fhir"
	"gradus/internal/record"
	"gradus/internal/report"
)

// What an export is, and how many tests one file may hold.
const (
	exportFHIR = "fhir"
	exportData = "data"
	exportXLSX = "xlsx"
	mostExport = 2000

	everyPlan = "all" // protocols
	drawAgain = 4     // times at most that study codes are drawn
)

// exportFilter says which tests are meant.
type exportFilter struct {
	Person   int64
	Test     string
	From, To string
	Plan     string // id of the protocol
	Signed   bool
}

func readFilter(q url.Values) (f exportFilter) {
	f.Person, _ = strconv.ParseInt(q.Get("person"), 10, 64) // what is no number is nobody's
	f.Test, f.From, f.To, f.Plan, f.Signed = q.Get("test"), q.Get("from"), q.Get("to"), q.Get("protocol"), q.Get("signed") != ""
	if f.Plan == everyPlan {
		f.Plan = ""
	}
	return f
}

func (f exportFilter) values() url.Values {
	q := url.Values{}
	set := func(name, value string) {
		if value != "" && value != "0" {
			q.Set(name, value)
		}
	}
	set("person", strconv.FormatInt(f.Person, 10))
	set("test", f.Test)
	set("from", f.From)
	set("to", f.To)
	set("protocol", f.Plan)
	if f.Signed {
		q.Set("signed", "yes")
	}
	return q
}

// chosenTests are the closed tests that a filter means, the oldest first.
func (s *Server) chosenTests(r *http.Request, f exportFilter) (all []*exchange.Recorded, err error) {
	var tests []record.Test
	if f.Test != "" {
		t, err := s.store.Test(r.Context(), f.Test)
		if err != nil {
			return nil, err
		}
		tests = []record.Test{t}
	} else if tests, err = s.store.Tests(r.Context(), record.TestFilter{Participant: f.Person}); err != nil {
		return nil, err
	}
	if f.Test == "" {
		if tests, err = s.counting(r, tests); err != nil {
			return nil, err
		}
	}
	for _, t := range slices.Backward(tests) {
		if t.Running() || f.Plan != "" && t.Protocol != f.Plan {
			continue
		}
		date, err := s.dateOf(r, t)
		if err != nil {
			return nil, err
		}
		if f.From != "" && date < f.From || f.To != "" && date > f.To {
			continue
		}
		if len(all) >= mostExport {
			return nil, &askError{http.StatusUnprocessableEntity, "export", say("export.many", mostExport), say("export.many.hint")}
		}
		one, err := exchange.ReadTestBy(r.Context(), s.store, t.ID, s.lib.estimator)
		if err != nil {
			return nil, err
		}
		if !f.Signed || one.Final {
			all = append(all, one)
		}
	}
	return all, nil
}

type exportBody struct {
	Filter   form
	Sent     []option // the filter, for the form that makes the file
	Tests    []exportLine
	More     int
	Total    int
	Form     form
	Warnings []string
	Free     []exchange.Free
	Looked   bool
	Codes    bool // there is a list of study codes
}

type exportLine struct{ ID, Person, When, Plan, Standing string }

const mostExportLines = 50

func (s *Server) filterForm(f exportFilter) form {
	plan := field{Name: "protocol", Kind: "choice", Value: or(f.Plan, everyPlan), Options: append([]option{{everyPlan, say("export.all")}}, s.planOptions()...), Need: true}
	signed := manyField("signed", "yes")
	if f.Signed {
		signed.Values = []string{"yes"}
	}
	return form{Fields: []field{{Name: "from", Kind: "date", Value: f.From}, {Name: "to", Kind: "date", Value: f.To}, plan, signed}}
}

func exportForm(free []exchange.Free) form {
	keep := field{Name: "export_keep", Kind: "many", Hidden: len(free) == 0}
	for _, f := range free {
		keep.Options = append(keep.Options, option{f.Column, columnText(f.Column)})
	}
	what := choiceField("export_what", exportFHIR, exportFHIR, exportData, exportXLSX)
	hide := choiceField("export_hide", "deidentified", "deidentified", "study-days", "identified")
	what.Need, hide.Need = true, true
	return form{Fields: []field{what, hide, keep, manyField("export_fhir", "note", "plan", "no-names", "no-loinc"),
		{Name: "paper_to", Kind: "text", Most: 200, Need: true}, {Name: "paper_by", Kind: "text", Most: 80, Need: true}}}
}

// exporting shows which tests are meant and what can be made of them.
func (s *Server) exporting(w http.ResponseWriter, r *http.Request) error {
	filter := readFilter(r.URL.Query())
	tests, err := s.chosenTests(r, filter)
	if err != nil {
		return err
	}
	return s.showExport(w, r, http.StatusOK, filter, tests, exportForm(nil), nil)
}

func (s *Server) showExport(w http.ResponseWriter, r *http.Request, status int, filter exportFilter, tests []*exchange.Recorded, f form, made *studyMade) error {
	body := exportBody{Filter: s.filterForm(filter), Total: len(tests), Form: f}
	for name, values := range filter.values() {
		body.Sent = append(body.Sent, option{name, values[0]})
	}
	slices.SortFunc(body.Sent, func(a, b option) int { return strings.Compare(a.Value, b.Value) })
	for _, t := range tests[:min(len(tests), mostExportLines)] {
		who, err := s.personOf(r, t.Test)
		if err != nil {
			return err
		}
		standing := say("export.draft")
		if t.Final {
			standing = say("export.final", t.Said.Report, t.Said.By)
		}
		body.Tests = append(body.Tests, exportLine{t.Test.ID, who.Label, dayText(t.Day), t.Test.Title, standing})
	}
	body.More = max(0, len(tests)-mostExportLines)
	if made != nil {
		body.Looked, body.Free, body.Warnings = true, made.free, made.warnings
	}
	codes, err := s.store.StudyCodes(r.Context(), 0)
	if err != nil {
		return err
	}
	body.Codes = len(codes) > 0
	return s.show(w, status, frame{Page: "export", Title: say("export.title"), Purpose: say("export.purpose"), Section: "people", Token: s.token(w, r), Body: body})
}

// exported looks at what would leave the house, or makes the file.
func (s *Server) exported(w http.ResponseWriter, r *http.Request) error {
	filter := readFilter(r.PostForm)
	tests, err := s.chosenTests(r, filter)
	if err != nil {
		return err
	}
	what, hide := r.PostForm.Get("export_what"), r.PostForm.Get("export_hide")
	look := r.PostForm.Get("do") != "make"
	made := &studyMade{}
	f := exportForm(nil)
	if what == exportData || what == exportXLSX {
		if made, err = s.study(r, tests, what, hide, r.PostForm["export_keep"], !look && s.signed(r)); err != nil {
			f.General = err.Error()
			made = nil
		} else {
			f = exportForm(made.all)
		}
	} else if slices.Contains(r.PostForm["export_fhir"], "no-names") {
		made.warnings = append(made.warnings, say("export.nonames"))
	}
	f.take(r)
	f.signed(s.signed(r))
	if len(tests) == 0 {
		f.General = or(f.General, say("export.none"))
	}
	if look {
		status := http.StatusOK
		for i := range f.Fields {
			f.Fields[i].Fault = "" // who gets it need not be known yet
		}
		if f.Faults = nil; f.General != "" {
			status = http.StatusUnprocessableEntity
		}
		return s.showExport(w, r, status, filter, tests, f, made)
	}
	for _, name := range []string{"paper_to", "paper_by"} {
		if f.text(name) == "" {
			f.fault(name, say("form.empty"))
		}
	}
	if f.bad() {
		return s.showExport(w, r, http.StatusUnprocessableEntity, filter, tests, f, made)
	}
	var file bytes.Buffer
	if what == exportFHIR {
		err = s.fhirOf(r, &file, tests, f.at("export_fhir").Values)
	} else {
		err = made.write(&file)
	}
	if err != nil {
		return err
	}
	// The note comes first: no file leaves unnoted.
	for _, t := range tests {
		told, err := s.retellTest(r, t.Test)
		if err != nil {
			return err
		}
		if err := s.handOut(r, &told, exportText(what, hide, t), f.text("paper_to"), f.text("paper_by")); err != nil {
			return err
		}
	}
	noted := what
	if what != exportFHIR {
		noted += " " + hide
	}
	for _, t := range tests {
		if err := s.gave(r, "export", "test/"+t.Test.ID, noted); err != nil {
			return err
		}
	}
	kinds := map[string][2]string{exportFHIR: {"application/fhir+json", "json"}, exportData: {"application/zip", "zip"}, exportXLSX: {"application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", "xlsx"}}
	w.Header().Set("Content-Type", kinds[what][0])
	w.Header().Set("Content-Disposition", `attachment; filename="tests-`+s.now().Format(time.DateOnly)+"."+kinds[what][1]+`"`)
	_, _ = w.Write(file.Bytes()) // the browser has gone; the file is noted, which errs on the safe side
	return nil
}

// exportText says in the list of what was handed out what it was.
func exportText(what, hide string, t *exchange.Recorded) string {
	text := optionText("export_what", what)
	if what != exportFHIR {
		text += ", " + optionText("export_hide", hide)
	}
	if t.Final {
		return text + ", " + say("papers.asfinal", t.Said.Report)
	}
	return text + ", " + say("papers.asdraft")
}

// studyMade is a data package or a workbook before it is written.
type studyMade struct {
	write    func(io.Writer) error
	free     []exchange.Free // texts that are left out
	all      []exchange.Free // texts that are left out when none is kept
	warnings []string
}

// study makes a data package or a workbook of tests; draw keeps the study codes that are drawn for it.
func (s *Server) study(r *http.Request, tests []*exchange.Recorded, what, hide string, keep []string, draw bool) (*studyMade, error) {
	var cases []exchange.Case
	if err := exchange.AsOne(r.Context(), s.store, tests); err != nil {
		return nil, err
	}
	bySite := map[int64][]exchange.Case{}
	withdrawn := 0
	for _, t := range tests {
		if t.Research != nil && !t.Research.Given {
			withdrawn++
			continue
		}
		cases = append(cases, t.CaseOf())
		bySite[t.Stands().Site] = append(bySite[t.Stands().Site], cases[len(cases)-1])
	}
	made := &studyMade{}
	if len(cases) == 0 && withdrawn > 0 {
		return nil, errors.New(say("export.withdrawn", withdrawn))
	}
	choice := exchange.Choice{Identified: hide == "identified", StudyDays: hide == "study-days"}
	if choice.Identified {
		made.warnings = append(made.warnings, exchange.WarnIdentified)
	} else {
		codes, err := s.studyCodes(r.Context(), s.store, bySite, draw)
		if err != nil {
			return nil, err
		}
		choice.Codes = codes
		made.warnings = append(made.warnings, exchange.SafeHarbor)
		if choice.StudyDays {
			made.warnings = []string{exchange.WarnStudyDays}
		}
		if groups := exchange.SmallGroups(cases); len(groups) > 0 {
			made.warnings = append(made.warnings, say("export.small", strings.Join(groups, "; ")))
		}
	}
	if withdrawn > 0 {
		made.warnings = append(made.warnings, say("export.withdrawn", withdrawn))
	}
	build := func() (free []exchange.Free, err error) {
		if what == exportXLSX {
			book, free, err := exchange.Workbook(cases, choice)
			if err == nil {
				made.write = book.Write
			}
			return free, err
		}
		p, free, err := exchange.Study(cases, choice)
		if err == nil {
			made.write = p.Write
		}
		return free, err
	}
	var err error
	if made.all, err = build(); err != nil {
		return nil, err
	}
	choice.Keep = keep
	made.free, err = build()
	return made, err
}

// studyCodes are the codes of the people in tests. Those that are missing are drawn, and kept when the file is made.
func (s *Server) studyCodes(ctx context.Context, store record.Files, cases map[int64][]exchange.Case, keep bool) (map[string]string, error) {
	all := map[string]string{}
	for site, of := range cases {
		codes, err := codesOfSite(ctx, store, site, of, keep)
		if err != nil {
			return nil, err
		}
		for i := range of {
			who := of[i].Who()
			if code, there := all[who]; there && code != codes[who] {
				return nil, errors.New(say("export.two", who))
			}
			all[who] = codes[who]
		}
	}
	return all, nil
}

func codesOfSite(ctx context.Context, store record.Files, site int64, cases []exchange.Case, keep bool) (map[string]string, error) {
	codes, err := store.StudyCodes(ctx, site)
	if err != nil {
		return nil, err
	}
	// A code that was drawn may be somebody's at another site; then another one is drawn.
	for range drawAgain {
		added, err := exchange.AddCodes(codes, cases)
		if err != nil || added == 0 || !keep {
			return codes, err
		}
		if codes, err = store.KeepStudyCodes(ctx, site, codes); err != nil {
			return nil, err
		}
	}
	return nil, errors.New(say("export.undrawn"))
}

// fhirOf writes tests as one FHIR transaction.
func (s *Server) fhirOf(r *http.Request, out io.Writer, tests []*exchange.Recorded, with []string) error {
	has := func(word string) bool { return slices.Contains(with, word) }
	var all []fhir.Test
	for _, one := range tests {
		t := one.FHIR()
		if has("note") || has("plan") {
			told, err := s.retellTest(r, one.Test)
			if err != nil {
				return err
			}
			c, err := s.caseNow(r, &told)
			if err != nil {
				return err
			}
			if has("plan") {
				t.Plan, _ = c.Plan() // without one the file has none, as the page of the papers says
			}
			if has("note") {
				var pdf bytes.Buffer
				if err := c.Write(&pdf, report.KindNote, "pdf", "a4"); err != nil {
					return err
				}
				t.Report = pdf.Bytes()
			}
		}
		if has("no-names") {
			t.Person.Name, t.Person.BirthDate, t.Person.Identifiers = "", "", nil
		}
		all = append(all, t)
	}
	return fhir.Write(out, all, fhir.Options{Program: "gradus", NoLOINC: has("no-loinc")})
}

// caseNow is a test with all that its papers speak of, as they stand.
func (s *Server) caseNow(r *http.Request, t *told) (*report.Case, error) {
	all, err := s.reports(r, t.test)
	if err != nil {
		return nil, err
	}
	st := standingOf(all, t.state.Version(), t.test.Participant)
	return s.caseOf(r, t, &st.now, st.signing(t))
}
