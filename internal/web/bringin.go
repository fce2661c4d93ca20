package web

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"time"

	"gradus/estimate"
	"gradus/internal/exchange/grid"
	"gradus/internal/intake"
	"gradus/internal/mapping"
	"gradus/internal/record"
	"gradus/protocol"
)

// How many spreadsheets may be looked at, and for how long one is kept while nobody has accepted it. They are in the record,
// since the next page may be another server's.
const (
	mostUploads = 8
	uploadKept  = 2 * time.Hour
)

// Versions of an upload.
const (
	uploadFile    = "file"
	uploadMapping = "mapping" // as it was matched last
)

// upload is a spreadsheet that somebody looks at.
type upload struct {
	name string
	data []byte
	m    *mapping.Mapping // as it was matched last; nil: not yet
}

// keepUpload keeps a spreadsheet and how its columns are matched.
func (s *Server) keepUpload(ctx context.Context, id string, u *upload) error {
	if err := s.store.DropOldFiles(ctx, record.FileUpload, uploadKept, mostUploads-1); err != nil {
		return err
	}
	if _, err := s.store.KeepFile(ctx, record.File{Kind: record.FileUpload, Name: id, Version: uploadFile, Title: u.name, Content: u.data}, false); err != nil {
		return err
	}
	time.AfterFunc(uploadKept, s.dropUploads)
	return s.keepMatch(ctx, id, u.m)
}

// dropUploads removes the spreadsheets that nobody has accepted.
func (s *Server) dropUploads() {
	select {
	case <-s.done:
		return // the record may be closed; the next start does it
	default:
	}
	ctx, cancel := context.WithTimeout(context.Background(), shortly)
	defer cancel()
	if err := s.raw.DropOldFiles(ctx, record.FileUpload, uploadKept, mostUploads); err != nil {
		s.log.Warn("old spreadsheets stay", "error", err)
	}
}

func (s *Server) keepMatch(ctx context.Context, id string, m *mapping.Mapping) error {
	if m == nil {
		return nil
	}
	_, err := s.store.KeepFile(ctx, record.File{Kind: record.FileUpload, Name: id, Version: uploadMapping, Content: m.Text()}, true)
	return err
}

func (s *Server) uploadAt(r *http.Request) (u upload, err error) {
	id := r.PathValue("file")
	if err := s.store.DropOldFiles(r.Context(), record.FileUpload, uploadKept, mostUploads); err != nil {
		return u, err
	}
	f, err := s.store.File(r.Context(), record.FileUpload, id, uploadFile)
	if errors.Is(err, record.ErrNotFound) {
		return u, &askError{http.StatusNotFound, "file", say("bringin.gone"), say("bringin.gone.hint")}
	}
	if err != nil {
		return u, err
	}
	u.name, u.data = f.Title, f.Content
	match, err := s.store.File(r.Context(), record.FileUpload, id, uploadMapping)
	if errors.Is(err, record.ErrNotFound) {
		return u, nil
	}
	if err == nil {
		u.m, err = mapping.Read(say("bringin.matching"), match.Content)
	}
	return u, err
}

// keptMappings are the mappings that were kept here.
func (s *Server) keptMappings(r *http.Request) (all []*mapping.Mapping, err error) {
	files, err := s.store.FilesOf(r.Context(), record.FileMapping)
	for _, f := range files {
		if m, err := mapping.Read(f.Name+".yaml", f.Content); err == nil { // one that an older program wrote is not offered
			all = append(all, m)
		}
	}
	return all, err
}

func (s *Server) keptMapping(r *http.Request, id string) (*mapping.Mapping, error) {
	f, err := s.store.File(r.Context(), record.FileMapping, id, "")
	if err != nil {
		return nil, err
	}
	return mapping.Read(id+".yaml", f.Content)
}

// keepMapping keeps a mapping under a title; one of that title that is there already gets another version.
func (s *Server) keepMapping(r *http.Request, m *mapping.Mapping, title string) error {
	m.Title, m.Source, m.Version = title, say("bringin.source"), "1"
	m.ID = strings.Trim(regexp.MustCompile(`[^a-z0-9]+`).ReplaceAllString(strings.ToLower(title), "-"), "-")
	m.ID = strings.Trim(m.ID[:min(len(m.ID), 40)], "-")
	if m.ID == "" {
		m.ID = "sheet"
	}
	if old, err := s.keptMapping(r, m.ID); err == nil {
		n, _ := strconv.Atoi(old.Version)
		m.Version = strconv.Itoa(n + 1)
	}
	_, err := s.store.KeepFile(r.Context(), record.File{Kind: record.FileMapping, Name: m.ID, Title: title, Content: m.Text()}, true)
	return err
}

// mappingFile gives a kept mapping as a file, for the command line.
func (s *Server) mappingFile(w http.ResponseWriter, r *http.Request) error {
	m, err := s.keptMapping(r, r.PathValue("mapping"))
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/yaml")
	w.Header().Set("Content-Disposition", `attachment; filename="`+m.ID+`.yaml"`)
	_, _ = w.Write(m.Text()) // the browser has gone; there is nobody to tell
	return nil
}

type bringInBody struct {
	Form form
	Kept []option
	Done string
}

func bringInForm(mappings []*mapping.Mapping) form {
	kept := field{Name: "bring_mapping", Kind: "choice"}
	for _, m := range mappings {
		kept.Options = append(kept.Options, option{m.ID, m.Title})
	}
	kept.Hidden = len(kept.Options) == 0
	return form{Fields: []field{{Name: "bring_file", Kind: "file", Need: true}, kept}}
}

// bringIn asks for a clinic's spreadsheet.
func (s *Server) bringIn(w http.ResponseWriter, r *http.Request) error {
	mappings, err := s.keptMappings(r)
	if err != nil {
		return err
	}
	body := bringInBody{Form: bringInForm(mappings)}
	count := func(name string) int {
		n, _ := strconv.Atoi(r.URL.Query().Get(name)) // what is no number says nothing
		return n
	}
	if r.URL.Query().Has("tests") {
		body.Done = say("bringin.done", count("people"), count("visits"), count("tests"))
	}
	return s.showBringIn(w, r, http.StatusOK, body, mappings)
}

func (s *Server) showBringIn(w http.ResponseWriter, r *http.Request, status int, body bringInBody, mappings []*mapping.Mapping) error {
	for _, m := range mappings {
		body.Kept = append(body.Kept, option{m.ID, say("bringin.kept.line", m.Title, m.Version)})
	}
	return s.show(w, status, frame{Page: "bringin", Title: say("bringin.title"), Purpose: say("bringin.purpose"), Section: "people", Token: s.token(w, r), Body: body})
}

// tookFile keeps the file and goes on to its columns, or, with a kept mapping, to what it holds.
func (s *Server) tookFile(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, grid.MostBytes+1<<20)
	mappings, err := s.keptMappings(r)
	if err != nil {
		return err
	}
	f := bringInForm(mappings)
	if err := r.ParseMultipartForm(grid.MostBytes + 1<<20); err != nil {
		var large *http.MaxBytesError
		if errors.As(err, &large) {
			return &askError{http.StatusRequestEntityTooLarge, "file", say("bringin.large", grid.MostBytes>>20), say("bringin.large.hint")}
		}
		return &askError{http.StatusBadRequest, "file", say("form.unread"), say("form.again")}
	}
	f.signed(s.signed(r))
	one := &upload{}
	file, head, err := r.FormFile("bring_file")
	switch {
	case f.bad():
	case err != nil:
		f.fault("bring_file", say("bring.none"))
	default:
		defer file.Close()
		one.name = filepath.Base(strings.ReplaceAll(head.Filename, `\`, "/"))
		if one.data, err = io.ReadAll(file); err != nil {
			return err
		}
		if id := r.PostFormValue("bring_mapping"); id != "" {
			if one.m, err = s.keptMapping(r, id); err != nil {
				f.fault("bring_mapping", err.Error())
			}
		}
		if _, err := s.tableOf(one); err != nil && !f.bad() {
			f.fault("bring_file", err.Error())
		}
	}
	if f.bad() {
		return s.showBringIn(w, r, http.StatusUnprocessableEntity, bringInBody{Form: f}, mappings)
	}
	id, where := randomHex(12), ""
	if one.m != nil {
		where = "?look"
	}
	if err := s.keepUpload(r.Context(), id, one); err != nil {
		return err
	}
	http.Redirect(w, r, "/bring-in/"+id+where, http.StatusSeeOther)
	return nil
}

// tableOf reads an upload as its mapping says.
func (s *Server) tableOf(u *upload) (*grid.Table, error) {
	sheet, head := "", 0
	if u.m != nil {
		sheet, head = u.m.Sheet, u.m.Head
	}
	return grid.Read(u.name, u.data, sheet, head)
}

// sheetPlans gives shipped protocols and the site's own.
func (s *Server) sheetPlans(id string) (*protocol.Protocol, *estimate.Estimator, error) {
	p, err := s.lib.protocol(id)
	if err != nil {
		return nil, nil, err
	}
	e, err := s.lib.estimator(&p.Outcome)
	return p, e, err
}

// bringInFile shows the columns of a file, or what it holds.
func (s *Server) bringInFile(w http.ResponseWriter, r *http.Request) error {
	u, err := s.uploadAt(r)
	if err != nil {
		return err
	}
	if u.m != nil && r.URL.Query().Has("look") {
		return s.showLook(w, r, http.StatusOK, &u, lookForm())
	}
	return s.showMatch(w, r, http.StatusOK, &u, "", nil)
}

// matched takes the columns as they were matched and looks, or stores what was looked at.
func (s *Server) matched(w http.ResponseWriter, r *http.Request) error {
	u, err := s.uploadAt(r)
	if err != nil {
		return err
	}
	do := r.PostForm.Get("do")
	if do == "store" {
		return s.storeLook(w, r, &u)
	}
	if !s.signed(r) {
		return s.showMatch(w, r, http.StatusUnprocessableEntity, &u, say("form.unsigned"), nil)
	}
	m, faults := readMatch(r)
	plan, err := s.lib.protocol(m.Protocol.Is)
	if err != nil {
		return err
	}
	placeMoments(m, plan)
	if do == "again" {
		u.m = m
		return s.showMatch(w, r, http.StatusOK, &u, "", r)
	}
	for _, need := range []string{"participant", "date"} {
		if m.Columns[need].Column == "" {
			faults = append(faults, say("bringin.need", columnText(need)))
		}
	}
	checked, err := mapping.Read(say("bringin.matching"), m.Text())
	if err != nil && len(faults) == 0 {
		faults = append(faults, err.Error())
	}
	u.m = m
	if len(faults) == 0 {
		u.m = checked
		_, err := s.look(r, &u)
		if err != nil {
			faults = append(faults, err.Error())
		}
	}
	if len(faults) > 0 {
		return s.showMatch(w, r, http.StatusUnprocessableEntity, &u, strings.Join(faults, " "), r)
	}
	if title := strings.TrimSpace(r.PostForm.Get("mapping_title")); title != "" {
		if len(title) > 200 {
			title = title[:200]
		}
		if err := s.keepMapping(r, checked, strings.ToValidUTF8(title, "")); err != nil {
			return err
		}
	}
	if err := s.keepMatch(r.Context(), r.PathValue("file"), checked); err != nil {
		return err
	}
	http.Redirect(w, r, "/bring-in/"+r.PathValue("file")+"?look", http.StatusSeeOther)
	return nil
}

func (s *Server) look(r *http.Request, u *upload) (*intake.Look, error) {
	t, err := s.tableOf(u)
	if err != nil {
		return nil, err
	}
	return intake.Sheets(r.Context(), s.store, t, intake.Digest(u.data), u.m, s.sheetPlans, s.now())
}

// lookBody is what a file holds, before it is stored.
type lookBody struct {
	ID       string
	File     string
	Counts   string
	Nothing  bool
	People   []lookPerson
	Problems []lookLine
	Notes    []lookLine
	More     int // problems that are not listed
	Form     form
}

type lookPerson struct {
	Who   string
	New   bool
	Tests []lookTest
}

type lookTest struct {
	When, Plan, Row, Readings, Estimate string
	There                               bool
}

type lookLine struct{ Cell, Heading, Text string }

const mostLookLines = 200

func lookForm() form {
	return form{Fields: []field{{Name: "bring_by", Kind: "text", Most: 80, Need: true}, manyField("leave_out", "yes")}}
}

func (s *Server) showLook(w http.ResponseWriter, r *http.Request, status int, u *upload, f form) error {
	l, err := s.look(r, u)
	if err != nil {
		return s.showMatch(w, r, http.StatusUnprocessableEntity, u, err.Error(), nil)
	}
	n := l.Counts()
	body := lookBody{ID: r.PathValue("file"), File: u.name, Counts: say("bringin.counts", n.People, n.NewPeople, n.Tests, n.NewTests, n.Readings, n.Estimates), Nothing: n.NewTests == 0, Form: f}
	f.at("leave_out").Hidden = len(l.Problems) == 0
	for i := range l.People {
		p := &l.People[i]
		one := lookPerson{Who: p.Code, New: p.New()}
		if p.Name != "" {
			one.Who += " · " + p.Name
		}
		for k := range p.Tests {
			t := &p.Tests[k]
			one.Tests = append(one.Tests, lookTest{When: dayText(t.Person.Date), Plan: t.Protocol.Title, Row: say("bringin.row", t.Row), Readings: say("bringin.readings", t.Readings), Estimate: lookEstimate(&t.Judged), There: t.There})
		}
		if len(one.Tests) > 0 {
			body.People = append(body.People, one)
		}
	}
	body.Problems, body.Notes = lookLines(l.Problems), lookLines(l.Notes)
	if body.More = len(l.Problems) - mostLookLines; body.More < 0 {
		body.More = 0
	}
	return s.show(w, status, frame{Page: "bringlook", Title: say("bringin.look.title", u.name), Purpose: say("bringin.look.purpose"), Section: "people", Token: s.token(w, r), Body: body})
}

func lookEstimate(a *estimate.Assessment) string {
	e := a.Estimate
	switch {
	case e == nil:
		return a.NoEstimate
	case !e.Value.Present():
		return e.Why
	}
	of := e.NoError
	if of == "" {
		of = say("bringin.range", rangeText(e.Low95Text(1), fixed(float64(e.High95))))
	}
	return fixed(float64(e.Value)) + thin + e.Unit + ", " + of + "; " + a.Verdict
}

func lookLines(list []grid.Place) (out []lookLine) {
	for _, p := range list[:min(len(list), mostLookLines)] {
		out = append(out, lookLine{p.Cell(), p.Heading, p.Msg})
	}
	return out
}

// storeLook stores what was looked at, all or nothing.
func (s *Server) storeLook(w http.ResponseWriter, r *http.Request, u *upload) error {
	if u.m == nil {
		return s.showMatch(w, r, http.StatusUnprocessableEntity, u, "", nil)
	}
	f := lookForm()
	f.take(r)
	f.signed(s.signed(r))
	if f.text("bring_by") == "" {
		f.fault("bring_by", say("form.empty"))
	}
	l, err := s.look(r, u)
	if err != nil {
		return err
	}
	if len(l.Problems) > 0 && !f.at("leave_out").Has("yes") {
		f.fault("leave_out", say("bringin.leaveout"))
	}
	if f.bad() {
		return s.showLook(w, r, http.StatusUnprocessableEntity, u, f)
	}
	b, err := l.Batch(f.text("bring_by"), s.now())
	if err != nil {
		return err
	}
	for i := range b.People {
		for k := range b.People[i].Days {
			for n := range b.People[i].Days[k].Tests {
				b.People[i].Days[k].Tests[n].Demo = s.demo
			}
		}
	}
	added, err := s.store.BringIn(r.Context(), b)
	var code *record.CodeTakenError
	var taken *record.TestTakenError
	if errors.As(err, &code) || errors.As(err, &taken) {
		f.General = say("bringin.meanwhile", err.Error())
		return s.showLook(w, r, http.StatusConflict, u, f)
	}
	if err != nil {
		return err
	}
	if err := s.store.DropFiles(r.Context(), record.FileUpload, r.PathValue("file")); err != nil {
		s.log.Warn("a spreadsheet that was brought in stays until it is too old", "error", err)
	}
	http.Redirect(w, r, fmt.Sprintf("/bring-in?people=%d&visits=%d&tests=%d", added.People, added.Visits, added.Tests), http.StatusSeeOther)
	return nil
}
