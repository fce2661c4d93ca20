package web

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"gradus/conduct"
	estimators "gradus/estimate/library"
	"gradus/internal/aloud"
	"gradus/internal/record"
	"gradus/internal/web/core"
	"gradus/protocol"
	protocols "gradus/protocol/library"
	"gradus/prove"
	"gradus/simulate"
	"gradus/yamlread"
)

// listedPlan is a protocol in a list.
type listedPlan struct {
	ID, Title, Version, For, Needs string
	Maximal, Own                   bool
}

type planFamily struct {
	Title string
	Plans []listedPlan
}

type protocolsBody struct {
	Families []planFamily
	Fault    string
}

// protocolList shows the tests by family, the site's own first.
func (s *Server) protocolList(w http.ResponseWriter, r *http.Request) error {
	return s.showProtocols(w, r, http.StatusOK, "")
}

func (s *Server) showProtocols(w http.ResponseWriter, r *http.Request, status int, fault string) error {
	body := protocolsBody{Fault: fault}
	families := append([]string{""}, protocol.Families...)
	for _, family := range families {
		group := planFamily{Title: say("family." + or(family, "own"))}
		for _, id := range s.lib.ids() {
			p, err := s.lib.protocol(id)
			if err != nil {
				continue // a file of one's own that an older program wrote; its page says what is wrong
			}
			own := !slices.Contains(protocols.IDs(), id)
			if own != (family == "") || !own && p.Family != family {
				continue
			}
			group.Plans = append(group.Plans, listedPlan{p.ID, p.Title, p.Version, p.Population, strings.ReplaceAll(strings.Join(p.Suits.Needs, ", "), "_", " "), p.Suits.Effort == "symptom_limited_maximal", own})
		}
		if len(group.Plans) > 0 {
			body.Families = append(body.Families, group)
		}
	}
	return s.show(w, status, frame{Page: "protocols", Title: say("protocols.title"), Purpose: say("protocols.purpose"), Section: "protocols", Token: s.token(w, r), Body: body})
}

type protocolBody struct {
	ID, Title string
	Text      string
	Stairs    picture
	Versions  []string
	Own       bool
	People    []option
	Saved     bool
	Equations []link
}

// readProtocol reads one aloud.
func (s *Server) readProtocol(w http.ResponseWriter, r *http.Request) error {
	id := r.PathValue("protocol")
	p, text, err := s.lib.withText(id, r.URL.Query().Get("version"))
	if err != nil {
		return err
	}
	body := protocolBody{ID: id, Title: p.Title, Versions: s.lib.versions(id), Own: !slices.Contains(protocols.IDs(), id), People: inventedPeople(), Saved: r.URL.Query().Has("saved")}
	body.Equations = equationsOf(&p.Outcome)
	if body.Text, err = aloud.Text(p, id+".yaml", text); err != nil {
		return err
	}
	if body.Stairs, err = stairsOf(p); err != nil {
		return err
	}
	return s.show(w, http.StatusOK, frame{Page: "protocol", Title: p.Title, Purpose: say("protocol.purpose"), Section: "protocols", Body: body})
}

// equationsOf lead to the equations that a protocol names, the leading one first.
func equationsOf(o *protocol.Outcome) (out []link) {
	for _, id := range append([]string{o.Estimator, o.Women}, o.Also...) {
		if id != "" && id != "none" {
			out = append(out, equationLink(id))
		}
	}
	return out
}

func inventedPeople() (out []option) {
	for i, who := range simulate.Invented {
		out = append(out, option{strconv.Itoa(i), who.Label})
	}
	return out
}

// stairsOf draws a plan for somebody unremarkable.
func stairsOf(p *protocol.Protocol) (picture, error) {
	in := conduct.Inputs{AgeYears: 50, Sex: conduct.Female, MassKg: 70, HeightCm: 168, RestHR: 70}
	began := conduct.Event{Term: 1, N: 1, Kind: conduct.Began, Begin: &conduct.Begin{Format: conduct.FormatVersion, Protocol: p.ID, Version: p.Version, Hash: p.Hash, Inputs: in}}
	var c core.Core
	a := c.Answer(core.Ask{Op: "load", Load: &core.Load{Protocol: p, Events: []conduct.Event{began}}})
	if a.View == nil {
		return picture{}, &askError{Field: "protocol", Msg: a.Error, Hint: a.Hint}
	}
	return planPicture(p, a.View), nil
}

// protocolFile gives the file of a protocol, to be kept or sent.
func (s *Server) protocolFile(w http.ResponseWriter, r *http.Request) error {
	id := r.PathValue("protocol")
	_, text, err := s.lib.withText(id, r.URL.Query().Get("version"))
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/yaml; charset=utf-8")
	w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", id+".yaml"))
	_, _ = w.Write(text) // the browser has gone; there is nobody to tell
	return nil
}

type tryBody struct {
	ID, Person string
	View       *core.View
	Stairs     picture
	Outcome    string
	Lines      []slipLine
	Ground     string
}

// tryProtocol runs a plan on an invented participant.
func (s *Server) tryProtocol(w http.ResponseWriter, r *http.Request) error {
	id := r.PathValue("protocol")
	p, _, err := s.lib.withText(id, r.URL.Query().Get("version"))
	if err != nil {
		return err
	}
	body, err := s.tried(p, r.URL.Query().Get("person"))
	if err != nil {
		return err
	}
	return s.show(w, http.StatusOK, frame{Page: "tryout", Title: say("try.title", p.Title), Purpose: say("try.purpose"), Section: "protocols", Body: body})
}

func (s *Server) tried(p *protocol.Protocol, person string) (tryBody, error) {
	n, err := strconv.Atoi(person)
	if err != nil || n < 0 || n >= len(simulate.Invented) {
		n = 0
	}
	e, err := s.lib.estimator(&p.Outcome)
	if err != nil {
		return tryBody{}, err
	}
	v, events, err := tryout(p, e, n)
	if err != nil {
		return tryBody{}, err
	}
	state, _, err := conduct.Replay(p, events)
	if err != nil {
		return tryBody{}, err
	}
	body := tryBody{ID: p.ID, Person: simulate.Invented[n].Label, View: v, Stairs: testPicture(v, &state.Limits, nil)}
	if v.Ground != nil {
		body.Ground = say("try.ground", num(v.Ground.DistanceM))
	}
	if o := v.Result; o != nil && o.Estimate != nil && o.Estimate.Value.Present() {
		body.Outcome = say("try.estimate", fixed(float64(o.Estimate.Value)), o.Estimate.Unit)
	} else if o != nil {
		body.Outcome = say("try.none", o.NoEstimate)
	}
	for i := range events {
		if line := core.Tell(p, &events[i]); line != "" {
			body.Lines = append(body.Lines, slipLine{clock(int64(events[i].At)), line})
		}
	}
	return body, nil
}

// checkedPlan is what the editor shows of a text as it stands.
type checkedPlan struct {
	OK     bool        `json:"ok"`
	Errors []planError `json:"errors"`
	Title  string      `json:"title"`
	Stairs string      `json:"stairs"` // the picture as markup, written by this server
}

type planError struct {
	Line int    `json:"line"`
	Col  int    `json:"col"`
	Text string `json:"text"`
	Hint string `json:"hint"`
}

// checkPlan reads a text as a protocol and says what is wrong with it, by line.
func checkPlan(text string) (*protocol.Protocol, []planError) {
	p, errs := protocols.Parse("protocol", []byte(text), estimators.LineOf)
	out := []planError{}
	for _, err := range errs {
		var at *yamlread.Error
		if errors.As(err, &at) {
			out = append(out, planError{at.Line, at.Col, at.Msg, at.Hint})
		} else {
			out = append(out, planError{Text: err.Error()})
		}
	}
	if p == nil {
		return nil, out
	}
	if _, err := estimators.Of(&p.Outcome); err != nil {
		out = append(out, planError{Text: err.Error(), Hint: say("protocol.estimators")})
	}
	return p, out
}

// checkProtocol answers the editor while somebody types.
func (s *Server) checkProtocol(r *http.Request) (any, error) {
	var ask struct {
		Text string `json:"text"`
	}
	if err := readJSON(r, maxProtocol, &ask); err != nil {
		return nil, err
	}
	p, faults := checkPlan(ask.Text)
	out := checkedPlan{OK: len(faults) == 0, Errors: faults}
	if len(faults) > 0 {
		return out, nil
	}
	stairs, err := stairsOf(p)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	if err := s.pages.ExecuteTemplate(&b, "picture", stairs); err != nil {
		return nil, err
	}
	out.Title, out.Stairs = p.Title, b.String()
	return out, nil
}

// maxProtocol is the longest text of a protocol as JSON: every byte of it may be escaped.
const maxProtocol = 2 * yamlread.MaxBytes

type editBody struct {
	ID, Text string
	Faults   []planError
	Findings []string
	General  string
	Try      *tryBody
	Lines    string
}

// editProtocol opens the editor on the text of a protocol.
func (s *Server) editProtocol(w http.ResponseWriter, r *http.Request) error {
	id := r.PathValue("protocol")
	_, text, err := s.lib.withText(id, r.URL.Query().Get("version"))
	if err != nil {
		return err
	}
	return s.showEditor(w, r, http.StatusOK, editBody{ID: id, Text: string(text)})
}

func (s *Server) showEditor(w http.ResponseWriter, r *http.Request, status int, body editBody) error {
	return s.show(w, status, frame{Page: "editor", Title: say("editor.title"), Purpose: say("editor.purpose"), Section: "protocols", Script: "editor.js", Token: s.token(w, r), Body: body})
}

// saveProtocol takes the text of the editor: it checks it, tries it, or keeps it as a version that never changes again.
func (s *Server) saveProtocol(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, 4*yamlread.MaxBytes)
	if err := r.ParseForm(); err != nil {
		return &askError{http.StatusBadRequest, "form", say("form.unread"), say("form.again")}
	}
	body := editBody{ID: r.PathValue("protocol"), Text: strings.ReplaceAll(r.PostForm.Get("text"), "\r\n", "\n")}
	if !s.signed(r) {
		body.General = say("form.unsigned")
		return s.showEditor(w, r, http.StatusUnprocessableEntity, body)
	}
	p, faults := checkPlan(body.Text)
	if body.Faults = faults; len(faults) > 0 {
		return s.showEditor(w, r, http.StatusUnprocessableEntity, body)
	}
	if r.PostForm.Get("do") == "try" {
		t, err := s.tried(p, r.PostForm.Get("person"))
		if err != nil {
			return err
		}
		body.Try = &t
		return s.showEditor(w, r, http.StatusOK, body)
	}
	body.Findings = s.lib.findings(p)
	if r.PostForm.Get("do") != "save" || len(body.Findings) > 0 {
		if len(body.Findings) == 0 {
			body.General = say("editor.sound")
		}
		return s.showEditor(w, r, http.StatusOK, body)
	}
	if err := s.keepProtocol(r.Context(), p, body.Text); err != nil {
		body.General = err.Error()
		return s.showEditor(w, r, http.StatusUnprocessableEntity, body)
	}
	http.Redirect(w, r, "/protocols/"+p.ID+"?saved", http.StatusSeeOther)
	return nil
}

// importProtocol opens the editor on a file; nothing is kept before it is looked at.
func (s *Server) importProtocol(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, 2*yamlread.MaxBytes)
	if err := r.ParseMultipartForm(2 * yamlread.MaxBytes); err != nil {
		return &askError{http.StatusBadRequest, "file", say("form.unread"), say("protocols.import.hint")}
	}
	if !s.signed(r) {
		return s.showProtocols(w, r, http.StatusUnprocessableEntity, say("form.unsigned"))
	}
	file, _, err := r.FormFile("file")
	if err != nil {
		return s.showProtocols(w, r, http.StatusUnprocessableEntity, say("protocols.import.none"))
	}
	defer file.Close()
	text, err := io.ReadAll(io.LimitReader(file, yamlread.MaxBytes+1))
	if err != nil {
		return err
	}
	body := editBody{ID: "imported", Text: strings.ToValidUTF8(string(text), "?")}
	_, body.Faults = checkPlan(body.Text)
	return s.showEditor(w, r, http.StatusOK, body)
}

// ids are the shipped protocols and the site's own.
func (s *shelf) ids() []string {
	all := slices.Clone(protocols.IDs())
	for _, f := range s.own.of(record.FileProtocol) {
		if !slices.Contains(all, f.Name) {
			all = append(all, f.Name)
		}
	}
	return all
}

// fileName are ids and versions that may be part of a file's name.
var fileName = regexp.MustCompile(`^[0-9a-z][0-9a-z.-]{0,39}$`)

// versions are those of one of the site's own protocols, the newest first.
func (s *shelf) versions(id string) (out []string) {
	if !fileName.MatchString(id) || slices.Contains(protocols.IDs(), id) {
		return nil
	}
	for range 2 {
		for _, f := range s.own.of(record.FileProtocol) {
			if f.Name == id {
				out = append(out, f.Version)
			}
		}
		if len(out) > 0 {
			break
		}
		s.own.forget() // another server may have kept it a moment ago
	}
	slices.SortFunc(out, func(a, b string) int { return compareVersions(b, a) })
	return out
}

// compareVersions orders "1.9" before "1.10".
func compareVersions(a, b string) int {
	x, y := strings.Split(a, "."), strings.Split(b, ".")
	for i := range min(len(x), len(y)) {
		m, err1 := strconv.Atoi(x[i])
		n, err2 := strconv.Atoi(y[i])
		switch {
		case err1 == nil && err2 == nil && m != n:
			return m - n
		case x[i] != y[i] && (err1 != nil || err2 != nil):
			return strings.Compare(x[i], y[i])
		}
	}
	return len(x) - len(y)
}

func (s *shelf) ownProtocol(id, version string) (*protocol.Protocol, error) {
	p, _, err := s.ownText(id, version)
	return p, err
}

func (s *shelf) ownText(id, version string) (*protocol.Protocol, []byte, error) {
	f, there := s.own.one(record.FileProtocol, id, version)
	if !there {
		return nil, nil, record.ErrNotFound
	}
	p, errs := protocols.Parse(id+"/"+version+".yaml", f.Content, estimators.LineOf)
	if len(errs) > 0 {
		return nil, nil, errs[0]
	}
	return p, f.Content, nil
}

// withText is a protocol with its file; version "" is the newest.
func (s *shelf) withText(id, version string) (*protocol.Protocol, []byte, error) {
	if versions := s.versions(id); len(versions) > 0 {
		return s.ownText(id, or(version, versions[0]))
	}
	text, err := protocols.Text(id)
	if err != nil {
		return nil, nil, record.ErrNotFound
	}
	p, err := s.protocol(id)
	return p, text, err
}

// findings are what a proof has against a plan: a test by it that would go astray.
func (s *shelf) findings(p *protocol.Protocol) (out []string) {
	e, err := s.estimator(&p.Outcome)
	if err != nil {
		return []string{err.Error()}
	}
	var needs []string
	if e != nil {
		for _, in := range e.Inputs {
			needs = append(needs, or(in.Role, in.ID))
		}
	}
	for _, f := range prove.Check(p, needs).Findings {
		out = append(out, f.String())
	}
	return out
}

// keepProtocol keeps a text as a new version. A version that was kept never changes: tests may have been run by it.
func (s *Server) keepProtocol(ctx context.Context, p *protocol.Protocol, text string) error {
	switch {
	case slices.Contains(protocols.IDs(), p.ID):
		return errors.New(say("editor.shipped", p.ID))
	case !fileName.MatchString(p.ID) || !fileName.MatchString(p.Version):
		return errors.New(say("editor.name", p.ID, p.Version))
	}
	if have, there := s.lib.own.one(record.FileProtocol, p.ID, p.Version); there && string(have.Content) != text {
		return errors.New(say("editor.kept", p.Version, p.ID))
	}
	err := s.keepFile(ctx, record.File{Kind: record.FileProtocol, Name: p.ID, Version: p.Version, Title: p.Title, Content: []byte(text)}, false)
	if taken := new(record.FileTakenError); errors.As(err, &taken) {
		return errors.New(say("editor.kept", p.Version, p.ID))
	}
	return err
}

// keepFile keeps a file of the site for whoever acts, and tells the other servers.
func (s *Server) keepFile(ctx context.Context, f record.File, over bool) error {
	_, err := s.store.KeepFile(ctx, f, over)
	s.lib.own.forget()
	if err == nil {
		s.tell(toldFiles, "", nil)
	}
	return err
}
