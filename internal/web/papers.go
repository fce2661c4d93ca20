package web

import (
	"bytes"
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"gradus/change"
	"gradus/conduct"
	"gradus/estimate"
	"gradus/internal/audit"
	"gradus/internal/record"
	"gradus/internal/report"
	"gradus/internal/sheet"
	"gradus/internal/signing"
	"gradus/interpret"
	"gradus/prescribe"
)

const factReport = signing.Fact

const paperRecall = "recall"

// reportFact is what was said for the papers of a test.
type reportFact = signing.Said

// reports are the facts about the papers of a test, the oldest first.
func (s *Server) reports(r *http.Request, t record.Test) ([]reportFact, error) {
	return signing.Of(r.Context(), s.store, t)
}

// dateOf is the day of a test: that of its visit, else of its making.
func (s *Server) dateOf(r *http.Request, t record.Test) (string, error) {
	return signing.DateOf(r.Context(), s.store, t)
}

// visitFor is the visit where something said of a test is kept. A test made before there were visits gets one of its day.
func (s *Server) visitFor(r *http.Request, t record.Test) (int64, error) {
	if t.Visit != 0 {
		return t.Visit, nil
	}
	date, err := s.dateOf(r, t)
	if err != nil {
		return 0, err
	}
	v, err := s.store.VisitOn(r.Context(), t.Participant, date)
	return v.ID, err
}

// standing is where the papers of a test stand: what was said last, and what was signed last.
type standing struct {
	now    reportFact
	signed *reportFact // nil: nothing yet
	old    *reportFact // the signed one before that
}

func standingOf(all []reportFact, version int, person int64) standing {
	now, signed, old := signing.Standing(all, version, person)
	return standing{now, signed, old}
}

// signing is the standing for the papers themselves.
func (s *standing) signing(t *told) report.Signing {
	n := &s.now
	out := report.Signing{Version: n.Report, Replaces: n.Why}
	if n.Final {
		out.By, out.On = n.By, n.At.Local().Format(time.DateOnly)
		return out
	}
	if out.Pending = s.signed != nil; out.Pending && out.Replaces == "" {
		if all := estimate.Replacements(t.load.Protocol, t.load.Events, t.load.Estimator); len(all) > 0 {
			out.Replaces = all[len(all)-1].What
		}
	}
	return out
}

// scored is a test as a data sheet would tell it; that is what papers and comparisons are made from.
func (s *Server) scored(r *http.Request, t record.Test, events []conduct.Event) (*sheet.Scored, error) {
	load, err := s.lib.loadOf(t, events)
	if err != nil {
		return nil, err
	}
	out := &sheet.Scored{ID: t.ID, Protocol: load.Protocol, Estimator: load.Estimator, Events: load.Events}
	if out.State, _, err = conduct.Replay(load.Protocol, load.Events); err != nil {
		return nil, err
	}
	out.Judged = estimate.Assess(load.Protocol, &out.State, load.Estimator)
	in := &out.State.In
	out.Person = sheet.Person{Date: t.Created.Local().Format(time.DateOnly), Protocol: t.Protocol, DrugName: in.DrugName, In: *in, Condition: strings.ReplaceAll(textOf(in.Condition), "+", ", "),
		Said: map[string]string{"time": hourOf(t), "ergometer": in.MachineID}}
	if in.DoseHours > 0 {
		out.Person.Said["hours_since_dose"] = strconv.FormatFloat(in.DoseHours, 'f', -1, 64)
	}
	for i := range load.Events {
		if e := &load.Events[i]; e.Kind == conduct.Began && e.By != "examiner" {
			out.Person.Said["examiner"] = e.By
		}
	}
	if out.Person.Date, err = s.dateOf(r, t); err != nil {
		return nil, err
	}
	if t.Participant == 0 {
		return out, nil
	}
	p, err := s.keptPerson(r, t.Participant)
	if err != nil {
		return nil, err
	}
	out.Person.Participant = p.Code
	if len(p.Conditions) > 0 && in.Condition != 0 {
		out.Person.Condition = strings.Join(p.Conditions, "; ")
	}
	return out, nil
}

// caseOf is a test with all that its papers speak of. With a signed report it is told as it was known then.
func (s *Server) caseOf(r *http.Request, t *told, said *reportFact, signing report.Signing) (*report.Case, error) {
	events := t.load.Events
	if said.Marks != nil {
		events = slices.DeleteFunc(slices.Clone(events), func(e conduct.Event) bool { return e.N > said.Marks[e.Term] })
	}
	this, err := s.scored(r, t.test, events)
	if err != nil {
		return nil, err
	}
	all := []*sheet.Scored{this}
	if t.test.Participant != 0 {
		tests, err := s.store.Tests(r.Context(), record.TestFilter{Participant: t.test.Participant})
		if err != nil {
			return nil, err
		}
		if tests, err = s.counting(r, tests); err != nil {
			return nil, err
		}
		for _, other := range tests {
			if other.ID == t.test.ID || other.Running() || other.Created.After(t.test.Created) {
				continue
			}
			events, err := s.store.Events(r.Context(), other.ID)
			if err != nil {
				return nil, err
			}
			one, err := s.scored(r, other, events)
			if err != nil {
				return nil, err
			}
			all = append(all, one)
		}
	}
	c, err := report.OfSheet(this, all, change.Choice{ID: said.Matters})
	if err != nil {
		return nil, err
	}
	if c.Trail, err = s.trailEnd(r); err != nil {
		return nil, err
	}
	c.Participant, c.Invented = or(said.Label, t.person.Label), t.test.Demo
	c.Asks, c.Question, c.Referrer, c.Clinic, c.PlanFor, c.Weeks, c.Edits, c.Signing = said.Asks, said.Question, said.Referrer, said.Clinic, said.PlanFor, said.Weeks, said.Edits, signing
	c.Reference, c.Equation = said.Table, said.Equation
	c.ReserveFrom, c.ReserveTo, c.Interval, c.Changes = said.From, said.To, said.Interval, said.Changes
	if c.Visit, err = s.visitText(r, t.test); err != nil {
		return nil, err
	}
	before, err := s.screenedBefore(r, t.test)
	if err != nil {
		return nil, err
	}
	var lines []string
	for _, line := range before {
		lines = append(lines, line.Text)
	}
	c.Screening = strings.Join(lines, " ")
	return c, nil
}

// visitText is how long a visit took by the record's own clock: from the first entry of that day to the close of the test.
func (s *Server) visitText(r *http.Request, t record.Test) (string, error) {
	if t.Visit == 0 || t.Running() {
		return "", nil
	}
	facts, err := s.store.Facts(r.Context(), t.Visit)
	if err != nil {
		return "", err
	}
	first := t.Created
	for _, f := range facts {
		if f.At.Before(first) && t.Created.Sub(f.At) < visitLongest {
			first = f.At
		}
	}
	if t.Closed.Sub(t.Created) > visitLongest {
		return "", nil // it was brought in later: the clock of the record knows nothing of that sitting
	}
	minutes := int(t.Closed.Sub(first).Round(time.Minute).Minutes())
	return say("papers.visit", minutes, first.Local().Format("15:04"), t.Closed.Local().Format("15:04")), nil
}

// visitLongest is how long before a test an entry may lie, and after its beginning its end, and still belong to the same
// sitting: our own choice.
const visitLongest = 4 * time.Hour

type papersBody struct {
	Test     record.Test
	Person   personAnswer
	Standing string
	Final    bool
	Loose    bool // of no visit: there is nowhere to keep a signature
	Kinds    []option
	Answer   string // the first sentence
	NoPlan   string
	Paste    string   // the short text
	Old      []option // signed versions that were replaced
	Out      []paperLine
	Said     form
	Give     form
	Kept     bool
	Failed   bool
}

func saidForm(n *reportFact, again bool) form {
	conditions := make([]string, 0, 16)
	for _, one := range prescribe.Recommendations() {
		conditions = append(conditions, one.ID)
	}
	weeks := ""
	if n.Weeks > 0 {
		weeks = strconv.Itoa(n.Weeks)
	}
	f := form{Fields: []field{choiceField("asks", or(n.Asks, report.AskFitness), report.Questions...), textField("question", n.Question, 500), textField("referrer", n.Referrer, 200),
		textField("clinic", n.Clinic, 200), choiceField("plan_for", n.PlanFor, conditions...), {Name: "weeks", Kind: "number", Value: weeks, Most: 2},
		referenceField(n.Table), equationField(n.Equation), bandField("plan_from", n.From), bandField("plan_to", n.To), intervalField(n.Interval), mattersField(n.Matters),
		{Name: "plan_edits", Kind: "area", Value: strings.Join(n.Edits, "\n"), Most: 2000}}}
	for i := range f.at("plan_for").Options {
		for _, one := range prescribe.Recommendations() {
			if o := &f.at("plan_for").Options[i]; o.Value == one.ID {
				o.Label = one.Title
			}
		}
	}
	if again {
		f.Fields = append(f.Fields, field{Name: "report_why", Kind: "text", Most: 500, Value: n.Why})
	}
	f.Fields = append(f.Fields, field{Name: "by", Kind: "text", Most: 80, Need: true})
	return f
}

// referenceField offers the tables against which the estimate can be read.
func referenceField(value string) field {
	f := field{Name: "reference", Kind: "choice", Value: value}
	for _, t := range interpret.References() {
		f.Options = append(f.Options, option{t.ID, t.Title + ", " + t.Mode})
	}
	return f
}

// equationField offers the equations for the percent of predicted.
func equationField(value string) field {
	f := field{Name: "equation", Kind: "choice", Value: value}
	for _, e := range interpret.Equations() {
		f.Options = append(f.Options, option{e.ID, e.Title})
	}
	return f
}

func bandField(name string, v float64) field {
	f := field{Name: name, Kind: "number", Most: 3}
	if v > 0 {
		f.Value = num(v)
	}
	return f
}

// intervalField offers the published interval sessions with whom they were made for.
func intervalField(value string) field {
	f := field{Name: "plan_interval", Kind: "choice", Value: value}
	for _, x := range prescribe.IntervalSessions() {
		f.Options = append(f.Options, option{x.ID, x.Text + " (" + x.People + ")"})
	}
	return f
}

func giveForm() form {
	f := form{Fields: []field{choiceField("paper_kind", report.KindNote, append(slices.Clone(report.Kinds), paperRecall)...), choiceField("paper_format", "pdf", report.Formats...),
		choiceField("paper_size", "a4", report.Papers...), {Name: "paper_to", Kind: "text", Most: 200, Need: true}, {Name: "paper_by", Kind: "text", Most: 80, Need: true}}}
	for i := range 3 {
		f.Fields[i].Need = true
	}
	return f
}

// papers is the page from which papers are looked at, signed and handed out.
func (s *Server) papers(w http.ResponseWriter, r *http.Request) error {
	t, st, err := s.standingAt(r)
	if err != nil {
		return err
	}
	return s.showPapers(w, r, http.StatusOK, t, st, saidForm(&st.now, st.signed != nil), giveForm())
}

func (s *Server) standingAt(r *http.Request) (*told, *standing, error) {
	t, err := s.retell(r)
	if err != nil {
		return nil, nil, err
	}
	if t.test.Running() {
		return nil, nil, &askError{http.StatusConflict, "papers", say("paper.running"), say("papers.running")}
	}
	all, err := s.reports(r, t.test)
	if err != nil {
		return nil, nil, err
	}
	st := standingOf(all, t.state.Version(), t.test.Participant)
	return &t, &st, nil
}

func (s *Server) showPapers(w http.ResponseWriter, r *http.Request, status int, t *told, st *standing, said, give form) error {
	c, err := s.caseOf(r, t, &st.now, st.signing(t))
	if err != nil {
		return err
	}
	body := papersBody{Test: t.test, Person: t.person, Standing: c.Signing.Text(), Final: st.now.Final, Loose: t.test.Participant == 0, Answer: c.Answer(), Said: said, Give: give,
		Kept: r.URL.Query().Has("kept"), Failed: said.bad() || give.bad()}
	_, body.NoPlan = c.Plan()
	body.Paste = c.Chart()
	for _, kind := range report.Kinds {
		if _, err := c.Paper(kind); err == nil {
			body.Kinds = append(body.Kinds, option{kind, optionText("paper_kind", kind)})
		}
	}
	if c.Signing.Version > 1 {
		body.Kinds = append(body.Kinds, option{paperRecall, optionText("paper_kind", paperRecall)})
	}
	all, err := s.reports(r, t.test)
	if err != nil {
		return err
	}
	for _, one := range all {
		if one.Final && !(st.now.Final && one.Report == st.now.Report) {
			body.Old = append(body.Old, option{strconv.Itoa(one.Report), say("papers.old.line", one.Report, one.By, day(one.At.Local()))})
		}
	}
	if body.Out, err = s.papersOf(r, t); err != nil {
		return err
	}
	return s.show(w, status, frame{Page: "papers", Title: say("papers.title", t.person.Label), Purpose: say("papers.purpose"), Section: "people", Token: s.token(w, r), Body: body})
}

// tookPapers keeps what the papers say, or signs them.
func (s *Server) tookPapers(w http.ResponseWriter, r *http.Request) error {
	t, st, err := s.standingAt(r)
	if err != nil {
		return err
	}
	sign := r.PostForm.Get("do") == "sign"
	f := saidForm(&st.now, st.signed != nil)
	f.take(r)
	f.signed(s.signed(r))
	one := reportFact{Test: t.test.ID, Report: st.now.Report, Result: t.state.Version(), Asks: f.text("asks"), Question: f.text("question"), Referrer: f.text("referrer"), Clinic: f.text("clinic"), PlanFor: f.text("plan_for"),
		Weeks: int(f.within("weeks", 1, prescribe.MostWeeks)), Edits: linesOf(f.text("plan_edits")), Table: f.text("reference"), Equation: f.text("equation"), From: f.within("plan_from", 10, 95), To: f.within("plan_to", 15, 100), Interval: f.text("plan_interval"), Changes: st.now.Changes, Matters: f.text("matters")}
	if _, why := s.planWith(r, t, &one); why != "" && !f.bad() && (one.From > 0 || one.To > 0 || one.Interval != "") {
		f.General = say("papers.noplan", why)
	}
	if st.signed != nil {
		if one.Why = f.text("report_why"); one.Why == "" {
			f.fault("report_why", say("papers.why"))
		}
		if st.now.Final {
			one.Report++ // a change after it was final makes a version of its own
		}
	}
	switch {
	case f.text("by") == "":
		f.fault("by", say("form.empty"))
	case t.test.Participant == 0:
		f.General = say("papers.loose")
	}
	by := f.text("by") // of whoever signed in, as [form.take] has it
	if sign {
		counts, err := record.Counts(r.Context(), s.store, t.test)
		switch {
		case err != nil:
			return err
		case !counts:
			f.General = say("student.paper")
		case !s.proved(visitorOf(r)):
			f.General = say("access.prove.sign")
		}
	}
	if f.bad() {
		return s.showPapers(w, r, http.StatusUnprocessableEntity, t, st, f, giveForm())
	}
	if sign {
		if err := s.keepResults(r, t); err != nil {
			return err
		}
		if err := s.finish(r, t, &one, by); err != nil {
			return err
		}
	}
	if err := s.keepReport(r, t, &one, by); err != nil {
		return err
	}
	if sign {
		if err := s.store.Note(r.Context(), audit.Entry{Action: "sign", Entity: "test/" + t.test.ID, Meaning: say("trail.signed", one.Report)}); err != nil {
			return err
		}
	}
	http.Redirect(w, r, "/tests/"+t.test.ID+"/papers?kept", http.StatusSeeOther)
	return nil
}

func (s *Server) keepReport(r *http.Request, t *told, one *reportFact, by string) error {
	text, err := json.Marshal(one)
	if err != nil {
		return err
	}
	visit, err := s.visitFor(r, t.test)
	if err != nil {
		return err
	}
	_, err = s.store.AddFact(r.Context(), record.Fact{Visit: visit, Kind: factReport, JSON: text, By: by})
	return err
}

// planWith is the plan as a report would have it, or why there is none.
func (s *Server) planWith(r *http.Request, t *told, said *reportFact) (*prescribe.Prescription, string) {
	c, err := s.caseOf(r, t, said, report.Signing{})
	if err != nil {
		return nil, err.Error()
	}
	return c.Plan()
}

// finish makes a report final: it remembers the events it knew and what it said.
func (s *Server) finish(r *http.Request, t *told, one *reportFact, by string) error {
	one.Final, one.Marks, one.Person, one.Label = true, map[uint32]uint32{}, t.test.Participant, t.person.Label
	for i := range t.load.Events {
		e := &t.load.Events[i]
		one.Marks[e.Term] = max(one.Marks[e.Term], e.N)
	}
	c, err := s.caseOf(r, t, one, report.Signing{Version: one.Report, By: by, Replaces: one.Why})
	if err != nil {
		return err
	}
	one.Said = c.Short()
	return nil
}

// documentOf makes a paper as it stands, or as a signed version had it.
func (s *Server) documentOf(r *http.Request, t *told, st *standing, kind string, version int) (*report.Document, *report.Case, error) {
	said, signing := &st.now, st.signing(t)
	if version > 0 && !(st.now.Final && version == st.now.Report) {
		all, err := s.reports(r, t.test)
		if err != nil {
			return nil, nil, err
		}
		at := slices.IndexFunc(all, func(f reportFact) bool { return f.Final && f.Report == version })
		if at < 0 {
			return nil, nil, record.ErrNotFound
		}
		said = &all[at]
		signing = report.Signing{Version: said.Report, By: said.By, On: said.At.Local().Format(time.DateOnly), Replaces: said.Why, Superseded: true}
	}
	c, err := s.caseOf(r, t, said, signing)
	if err != nil {
		return nil, nil, err
	}
	if kind == paperRecall {
		d, err := s.recallOf(r, t, st, c)
		return d, c, err
	}
	if !slices.Contains(report.Kinds, kind) {
		return nil, nil, record.ErrNotFound
	}
	d, err := c.Paper(kind)
	if err != nil {
		return nil, nil, &askError{http.StatusConflict, "paper", ended(err.Error()), say("papers.back")}
	}
	return d, c, nil
}

// recallOf lists what was handed out before the report that stands was signed.
func (s *Server) recallOf(r *http.Request, t *told, st *standing, c *report.Case) (*report.Document, error) {
	was := st.signed
	if st.now.Final {
		was = st.old
	}
	if was == nil {
		return nil, &askError{http.StatusConflict, "paper", say("papers.norecall"), say("papers.back")}
	}
	papers, err := s.store.Papers(r.Context(), t.test.ID)
	if err != nil {
		return nil, err
	}
	var out []report.HandedOut
	for _, p := range papers {
		if !st.now.Final || p.At.Before(st.now.At) {
			out = append(out, report.HandedOut{Version: p.Version, What: p.What, To: p.To, By: p.By, On: p.At.Local().Format(time.DateOnly)})
		}
	}
	return c.Recall(out, report.Was{Version: was.Report, Text: was.Said}), nil
}

// paper shows a paper as a page: the accessible version, which can be printed.
func (s *Server) paper(w http.ResponseWriter, r *http.Request) error {
	t, st, err := s.standingAt(r)
	if err != nil {
		return err
	}
	version, _ := strconv.Atoi(r.URL.Query().Get("report")) // without a number: the one that stands
	d, _, err := s.documentOf(r, t, st, r.PathValue("kind"), version)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := report.WriteHTML(&b, d, "/papers.css"); err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	_, _ = w.Write(b.Bytes()) // the browser has gone; there is nobody to tell
	return nil
}

// paperFonts lets the papers on the pages have the type of the printed ones.
const paperFonts = `@font-face { font-family: "Atkinson Hyperlegible Next"; font-weight: 400; src: url(/papers-regular.ttf) format("truetype"); }
@font-face { font-family: "Atkinson Hyperlegible Next"; font-weight: 700; src: url(/papers-bold.ttf) format("truetype"); }
`

func servePaperStyle(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/css; charset=utf-8")
	_, _ = w.Write([]byte(paperFonts + report.Style())) // the browser has gone; there is nobody to tell
}

func servePaperFont(bold bool) http.HandlerFunc {
	return func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "font/ttf")
		w.Header().Set("Cache-Control", "max-age=86400")
		_, _ = w.Write(report.Font(bold)) // the browser has gone; there is nobody to tell
	}
}

var paperTypes = map[string]string{"pdf": "application/pdf", "html": "text/html; charset=utf-8", "txt": "text/plain; charset=utf-8"}

// givePaper gives a paper as a file, and notes to whom it goes. The note comes first: no paper leaves unnoted.
func (s *Server) givePaper(w http.ResponseWriter, r *http.Request) error {
	t, st, err := s.standingAt(r)
	if err != nil {
		return err
	}
	f := giveForm()
	f.take(r)
	f.signed(s.signed(r))
	for _, name := range []string{"paper_to", "paper_by"} {
		if f.text(name) == "" {
			f.fault(name, say("form.empty"))
		}
	}
	kind, format := f.text("paper_kind"), f.text("paper_format")
	var file bytes.Buffer
	if !f.bad() {
		d, c, err := s.documentOf(r, t, st, kind, 0)
		var ask *askError
		switch {
		case errors.As(err, &ask):
			f.fault("paper_kind", ask.Msg)
		case err != nil:
			return err
		case kind == report.KindNote:
			err = c.Write(&file, kind, format, f.text("paper_size"))
		default:
			err = d.Write(&file, format, f.text("paper_size"))
		}
		if err != nil && ask == nil {
			return err
		}
	}
	if f.bad() {
		return s.showPapers(w, r, http.StatusUnprocessableEntity, t, st, saidForm(&st.now, st.signed != nil), f)
	}
	standing := say("papers.asdraft")
	if st.now.Final {
		standing = say("papers.asfinal", st.now.Report)
	}
	if err := s.handOut(r, t, optionText("paper_kind", kind)+", "+format+", "+standing, f.text("paper_to"), f.text("paper_by")); err != nil {
		return err
	}
	if err := s.gave(r, "print", "test/"+t.test.ID, kind+" "+format); err != nil {
		return err
	}
	w.Header().Set("Content-Type", paperTypes[format])
	w.Header().Set("Content-Disposition", `attachment; filename="`+kind+"-"+t.test.ID+"."+format+`"`)
	_, _ = w.Write(file.Bytes()) // the browser has gone; the paper is noted, which errs on the safe side
	return nil
}
