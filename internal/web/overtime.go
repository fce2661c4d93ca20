package web

import (
	"bytes"
	"html/template"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"gradus/change"
	"gradus/internal/record"
	"gradus/internal/report"
	"gradus/internal/sheet"
	"gradus/prescribe"
)

// overTimeBody is all tests of a person over time. What it says is the paper itself, so that page and print cannot differ.
type overTimeBody struct {
	Person  record.Participant
	Label   string
	Said    template.HTML
	Tests   []testLine
	Waits   []testLine // of students, in no comparison until somebody countersigns them
	Matters form
	Give    form
}

// mattersField asks which change counts as large enough.
func mattersField(value string) field {
	f := field{Name: "matters", Kind: "choice", Value: value}
	for _, m := range change.MeaningfulChanges() {
		f.Options = append(f.Options, option{m.ID, m.Text})
	}
	return f
}

// mattersFrom reads the choice out of an address; what is not known counts as none.
func mattersFrom(r *http.Request) change.Choice {
	f := mattersField("")
	if id := r.FormValue("matters"); f.offers(id) {
		return change.Choice{ID: id}
	}
	return change.Choice{}
}

func overTimeForm(matters string) form {
	f := form{Fields: []field{mattersField(matters), choiceField("paper_format", "pdf", report.Formats...), choiceField("paper_size", "a4", report.Papers...),
		{Name: "paper_to", Kind: "text", Most: 200, Need: true}, {Name: "paper_by", Kind: "text", Most: 80, Need: true}}}
	f.at("paper_format").Need, f.at("paper_size").Need, f.at("matters").Hidden = true, true, true
	return f
}

func (s *Server) coursePage(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personAt(r)
	if err != nil {
		return err
	}
	return s.showCourse(w, r, http.StatusOK, p, overTimeForm(mattersFrom(r).ID))
}

func (s *Server) showCourse(w http.ResponseWriter, r *http.Request, status int, p record.Participant, f form) error {
	choice := mattersFrom(r)
	course, tests, err := s.courseOf(r, p, choice)
	if err != nil {
		return err
	}
	body := overTimeBody{Person: p, Label: label(p), Give: f, Matters: form{Fields: []field{mattersField(or(choice.ID, change.DefaultMeaningful))}}}
	if body.Said, err = report.HTML(course.Blocks()); err != nil {
		return err
	}
	if body.Tests, err = s.lines(r, tests); err != nil {
		return err
	}
	all, err := s.store.Tests(r.Context(), record.TestFilter{Participant: p.ID})
	if err != nil {
		return err
	}
	if body.Waits, err = s.lines(r, all); err != nil {
		return err
	}
	body.Waits = slices.DeleteFunc(body.Waits, func(t testLine) bool { return !t.Waits })
	return s.show(w, status, frame{Page: "over-time", Title: say("overtime.title", label(p)), Purpose: say("overtime.purpose"), Section: "people", Token: s.token(w, r), Body: body})
}

// courseOf is the closed tests of a person as their papers tell them, the newest first, with the training between them.
func (s *Server) courseOf(r *http.Request, p record.Participant, choice change.Choice) (report.Course, []record.Test, error) {
	all, err := s.store.Tests(r.Context(), record.TestFilter{Participant: p.ID})
	if err != nil {
		return report.Course{}, nil, err
	}
	tests := slices.DeleteFunc(all, func(t record.Test) bool { return t.Running() })
	if tests, err = s.counting(r, tests); err != nil {
		return report.Course{}, nil, err
	}
	var told []*sheet.Scored
	for i := len(tests) - 1; i >= 0; i-- {
		t, err := s.store.Test(r.Context(), tests[i].ID) // a list holds no plans
		if err != nil {
			return report.Course{}, nil, err
		}
		events, err := s.store.Events(r.Context(), t.ID)
		if err != nil {
			return report.Course{}, nil, err
		}
		one, err := s.scored(r, t, events)
		if err != nil {
			return report.Course{}, nil, err
		}
		told = append(told, one)
	}
	course, err := report.CourseOf(told, choice)
	if err != nil {
		return report.Course{}, nil, err
	}
	course.Participant, course.Invented = label(p), s.demo
	if course.Trail, err = s.trailEnd(r); err != nil {
		return report.Course{}, nil, err
	}
	if course.Training, err = s.periodsOf(r, p.ID); err != nil {
		return report.Course{}, nil, err
	}
	return course, tests, nil
}

// periodsOf are the stretches of training in the log of a person.
func (s *Server) periodsOf(r *http.Request, person int64) (all []report.Training, err error) {
	sessions, err := s.sessionsOf(r, person)
	if err != nil {
		return nil, err
	}
	var done []prescribe.Session
	for _, x := range sessions {
		done = append(done, prescribe.Session{Day: dayNumber(x.Day), Minutes: x.Minutes})
	}
	for _, period := range prescribe.Periods(done) {
		all = append(all, report.Training{From: dayOf(period.FromDay), To: dayOf(period.ToDay), Sessions: period.Sessions, Minutes: period.Minutes})
	}
	return all, nil
}

const daySeconds = 24 * 60 * 60

// dayNumber counts the days of a date; 0 for what is no date.
func dayNumber(date string) int {
	t, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return 0
	}
	return int(t.Unix() / daySeconds)
}

func dayOf(number int) string {
	return time.Unix(int64(number)*daySeconds, 0).UTC().Format(time.DateOnly)
}

// coursePaper is the same as a paper that a browser prints.
func (s *Server) coursePaper(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personAt(r)
	if err != nil {
		return err
	}
	course, _, err := s.courseOf(r, p, mattersFrom(r))
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := report.WriteHTML(&b, course.Paper(), "/papers.css"); err != nil {
		return err
	}
	w.Header().Set("Content-Type", paperTypes["html"])
	_, _ = w.Write(b.Bytes()) // the browser has gone; there is nobody to tell
	return nil
}

// giveCourse gives it as a file and notes with each of its tests to whom it goes: a correction of any of them calls it back.
func (s *Server) giveCourse(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personAt(r)
	if err != nil {
		return err
	}
	f := overTimeForm(mattersFrom(r).ID)
	f.take(r)
	f.signed(s.signed(r))
	for _, name := range []string{"paper_to", "paper_by"} {
		if f.text(name) == "" {
			f.fault(name, say("form.empty"))
		}
	}
	course, _, err := s.courseOf(r, p, mattersFrom(r))
	if err != nil {
		return err
	}
	if len(course.Lines) == 0 {
		f.General = say("overtime.none")
	}
	if f.bad() {
		return s.showCourse(w, r, http.StatusUnprocessableEntity, p, f)
	}
	format := f.text("paper_format")
	var file bytes.Buffer
	if err := course.Paper().Write(&file, format, f.text("paper_size")); err != nil {
		return err
	}
	for _, id := range course.Tests() {
		r.SetPathValue("test", id)
		t, err := s.retell(r)
		if err != nil {
			return err
		}
		if err := s.handOut(r, &t, say("overtime.link")+", "+format, f.text("paper_to"), f.text("paper_by")); err != nil {
			return err
		}
	}
	if err := s.gave(r, "print", "person/"+strconv.FormatInt(p.ID, 10), report.KindOverTime+" "+format); err != nil {
		return err
	}
	w.Header().Set("Content-Type", paperTypes[format])
	w.Header().Set("Content-Disposition", `attachment; filename="over-time-`+strconv.FormatInt(p.ID, 10)+"."+strings.ToLower(format)+`"`)
	_, _ = w.Write(file.Bytes()) // the browser has gone; the paper is noted, which errs on the safe side
	return nil
}
