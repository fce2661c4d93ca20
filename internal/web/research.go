package web

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"gradus/internal/access"
	"gradus/internal/audit"
	"gradus/internal/exchange"
	tables "gradus/internal/exchange/table"
	"gradus/internal/record"
)

// fewest is the smallest number of people that a page of research tells. Ours: the rule of cells is common practice, no source.
const fewest = 5

// researched is what a researcher may have of the own site: tests as cases, of people who have not refused.
type researched struct {
	cases   map[int64][]exchange.Case // by site
	all     []exchange.Case
	refused int // tests left out
	unasked int // tests of people whom nobody has asked
}

// research reads the tests of the researcher's site with the server's own eyes: the role sees no person, and what is read here
// leaves this file as counts, or through the de-identification of package exchange.
func (s *Server) research(ctx context.Context, plan string) (*researched, access.Principal, error) {
	who, err := access.Need(ctx, access.Research)
	if err != nil {
		return nil, who, err
	}
	tests, err := s.raw.Tests(ctx, record.TestFilter{Site: who.Site})
	if err != nil {
		return nil, who, err
	}
	found := &researched{cases: map[int64][]exchange.Case{}}
	for _, t := range slices.Backward(tests) {
		if t.Running() || t.Participant == 0 || plan != "" && t.Protocol != plan {
			continue
		}
		if counts, err := record.Counts(ctx, s.raw, t); err != nil || !counts {
			if err != nil {
				return nil, who, err
			}
			continue
		}
		if len(found.all) >= mostExport {
			return nil, who, &askError{http.StatusUnprocessableEntity, "research", say("export.many", mostExport), say("research.many.hint")}
		}
		one, err := exchange.ReadTestBy(ctx, s.raw, t.ID, s.lib.estimator)
		if err != nil {
			return nil, who, err
		}
		switch c := one.Research; {
		case c == nil:
			found.unasked++
		case !c.Given:
			found.refused++
			continue
		}
		if who.Site == 0 { // the tests of several sites
			if err := exchange.AsOne(ctx, s.raw, []*exchange.Recorded{one}); err != nil {
				return nil, who, err
			}
		}
		found.all = append(found.all, one.CaseOf())
		site := one.Stands().Site
		found.cases[site] = append(found.cases[site], found.all[len(found.all)-1])
	}
	return found, who, nil
}

type researchBody struct {
	Plan   form
	Form   form
	Counts []slipLine
	Groups []researchGroup
	Tables []tables.Table
	Any    bool
	Sent   string // the protocol, for the form that makes the file
}

type researchGroup struct {
	Title string
	Lines []slipLine
}

func (s *Server) researchForms(plan string) (choose, give form) {
	choose = form{Fields: []field{{Name: "protocol", Kind: "choice", Value: or(plan, everyPlan), Options: append([]option{{everyPlan, say("export.all")}}, s.planOptions()...), Need: true}}}
	what := field{Name: "research_what", Kind: "choice", Value: exportData, Need: true, Options: []option{{exportData, say("research.data")}, {exportXLSX, say("research.xlsx")}}}
	return choose, form{Fields: []field{what, {Name: "research_why", Kind: "text", Most: 200, Need: true}}}
}

// researchPage shows a researcher how much there is and what each column means.
func (s *Server) researchPage(w http.ResponseWriter, r *http.Request) error {
	return s.showResearch(w, r, http.StatusOK, planAsked(r.URL.Query().Get("protocol")), nil)
}

func planAsked(plan string) string {
	if plan == everyPlan {
		return ""
	}
	return plan
}

func (s *Server) showResearch(w http.ResponseWriter, r *http.Request, status int, plan string, f *form) error {
	found, _, err := s.research(r.Context(), plan)
	if err != nil {
		return err
	}
	body := researchBody{Any: len(found.all) > 0, Sent: plan}
	body.Plan, body.Form = s.researchForms(plan)
	if f != nil {
		body.Form = *f
	}
	body.Counts = []slipLine{{say("research.tests"), strconv.Itoa(len(found.all))}, {say("research.people"), fewText(peopleIn(found.all))},
		{say("research.refused"), strconv.Itoa(found.refused)}, {say("research.unasked"), strconv.Itoa(found.unasked)}}
	if body.Any {
		body.Groups = []researchGroup{groupOf(say("research.byplan"), found.all, "protocol"), groupOf(say("research.bysex"), found.all, "sex")}
		if body.Tables, err = dictionary(found.all); err != nil {
			return err
		}
	}
	return s.show(w, status, frame{Page: "research", Title: say("research.title"), Purpose: say("research.purpose"), Section: "research", Token: s.token(w, r), Body: body})
}

func peopleIn(cases []exchange.Case) int {
	seen := map[string]bool{}
	for i := range cases {
		seen[cases[i].Who()] = true
	}
	return len(seen)
}

// fewText tells a number of people; a small one might tell who they are.
func fewText(n int) string {
	if n > 0 && n < fewest {
		return say("research.few", fewest)
	}
	return strconv.Itoa(n)
}

// groupOf counts people by what a column says.
func groupOf(title string, cases []exchange.Case, column string) researchGroup {
	by := map[string][]exchange.Case{}
	for i := range cases {
		word := or(cases[i].Cells[column], say("research.nothing"))
		by[word] = append(by[word], cases[i])
	}
	g := researchGroup{Title: title}
	for word, of := range by {
		g.Lines = append(g.Lines, slipLine{word, fewText(peopleIn(of))})
	}
	slices.SortFunc(g.Lines, func(a, b slipLine) int { return strings.Compare(a.Name, b.Name) })
	return g
}

// dictionary is what each column of a package means, without its rows.
func dictionary(cases []exchange.Case) ([]tables.Table, error) {
	codes := map[string]string{}
	if _, err := exchange.AddCodes(codes, cases); err != nil {
		return nil, err
	}
	p, _, err := exchange.Study(cases, exchange.Choice{Codes: codes})
	if err != nil {
		return nil, err
	}
	list := slices.Clone(p.Tables)
	for i := range list {
		list[i].Rows = nil
	}
	return list, nil
}

// researchFile makes a de-identified file. Who took which tests and what for is entered before it leaves.
func (s *Server) researchFile(w http.ResponseWriter, r *http.Request) error {
	plan := planAsked(r.PostForm.Get("protocol"))
	_, f := s.researchForms(plan)
	f.take(r)
	f.signed(s.signed(r))
	what := f.text("research_what")
	if f.text("research_why") == "" {
		f.fault("research_why", say("form.empty"))
	}
	if what != exportData && what != exportXLSX {
		f.fault("research_what", say("form.empty"))
	}
	if f.bad() {
		return s.showResearch(w, r, http.StatusUnprocessableEntity, plan, &f)
	}
	found, _, err := s.research(r.Context(), plan)
	if err != nil {
		return err
	}
	if len(found.all) == 0 {
		f.General = say("export.none")
		return s.showResearch(w, r, http.StatusUnprocessableEntity, plan, &f)
	}
	codes, err := s.studyCodes(r.Context(), s.raw, found.cases, true)
	if err != nil {
		return err
	}
	file, err := deidentified(found.all, codes, what)
	if err != nil {
		return err
	}
	var ids []string
	for i := range found.all {
		ids = append(ids, found.all[i].ID)
	}
	if err := s.raw.Note(r.Context(), audit.Entry{Action: "export", Entity: "research/" + what, Note: f.text("research_why") + ": " + strings.Join(ids, " ")}); err != nil {
		return err
	}
	kind, tail := "application/zip", "zip"
	if what == exportXLSX {
		kind, tail = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", "xlsx"
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Content-Disposition", fmt.Sprintf(`attachment; filename="research-%s.%s"`, s.now().Format(time.DateOnly), tail))
	_, _ = w.Write(file) // the browser has gone; the file is entered, which errs on the safe side
	return nil
}

// deidentified is a package or a workbook under study codes; free text is always left out, since nobody here may read it.
func deidentified(cases []exchange.Case, codes map[string]string, what string) ([]byte, error) {
	var write func(io.Writer) error
	choice := exchange.Choice{Codes: codes}
	if what == exportXLSX {
		book, _, err := exchange.Workbook(cases, choice)
		if err != nil {
			return nil, err
		}
		write = book.Write
	} else {
		p, _, err := exchange.Study(cases, choice)
		if err != nil {
			return nil, err
		}
		write = p.Write
	}
	var b bytes.Buffer
	err := write(&b)
	if err == nil && b.Len() == 0 {
		err = errors.New("nothing was written")
	}
	return b.Bytes(), err
}
