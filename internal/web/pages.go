package web

import (
	"bytes"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"mime"
	"net/http"
	"reflect"
	"strconv"
	"strings"

	"gradus/internal/record"
)

//go:embed templates/*.html
var templateFiles embed.FS

// frame is what every page has around its body.
type frame struct {
	Page    string // name of the template, also a class of the body
	Title   string
	Purpose string // one sentence: what the page is for
	Demo    bool
	Plain   bool            // the record is not encrypted
	Locked  bool            // nothing but the gate can be reached
	Who     string          // who is signed in; "" when nobody has to
	SignIn  bool            // one has to sign in here
	May     map[string]bool // rights, for the menu
	OutKey  string          // token of the forms to lock and to sign out
	IdleMs  int64
	Built   bool
	Token   string
	Section string // which entry of the menu it belongs to
	Script  string // plain name of a script to load, or ""
	Body    any
}

func parsePages(a *assets) (*template.Template, error) {
	funcs := template.FuncMap{"say": sayHTML, "asset": a.link, "num": num, "fixed": fixed, "clock": clock, "minus": minus, "reading": reading, "date": dayText, "secret": secretOf, "pair": pairOf}
	return template.New("pages").Funcs(funcs).ParseFS(templateFiles, "templates/*.html")
}

// show writes a page whole: an error on the way leaves nothing half-written.
func (s *Server) show(w http.ResponseWriter, status int, f frame) error {
	f.Demo, f.Plain, f.Built = s.demo, s.vault == nil && s.shared == nil && !s.locked, s.assets.built()
	f.Locked = s.locked
	s.told(w, &f)
	if a, ok := w.(*seen); ok {
		if name := signerOf(a.r); name != "" {
			signFields(reflect.ValueOf(f.Body), name, 8)
		}
	}
	var b bytes.Buffer
	if err := s.pages.ExecuteTemplate(&b, f.Page+".html", f); err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes()) // the browser has gone; there is nobody to tell
	return nil
}

// page answers with a page, or with one that says what is wrong.
func (s *Server) page(do func(http.ResponseWriter, *http.Request) error) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if err := do(&seen{w, r}, r); err != nil {
			s.note(r, err)
			s.showFault(&seen{w, r}, err)
		}
	}
}

const maxForm = 64 << 10

// form takes a form that this server wrote for this browser.
func (s *Server) form(do func(http.ResponseWriter, *http.Request) error) http.HandlerFunc {
	return s.page(func(w http.ResponseWriter, r *http.Request) error {
		if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/x-www-form-urlencoded" {
			return &askError{http.StatusUnsupportedMediaType, "form", say("form.type"), say("form.again")}
		}
		r.Body = http.MaxBytesReader(w, r.Body, maxForm)
		if err := r.ParseForm(); err != nil {
			var large *http.MaxBytesError
			if errors.As(err, &large) {
				return &askError{http.StatusRequestEntityTooLarge, "form", say("api.large", maxForm), say("form.large.hint")}
			}
			return &askError{http.StatusBadRequest, "form", say("form.unread"), say("form.again")}
		}
		return do(w, r)
	})
}

// faultBody is a page that says what is wrong and what to do.
type faultBody struct{ Text, Hint string }

func (s *Server) showFault(w http.ResponseWriter, err error) {
	status, f := explain(err)
	if status == http.StatusInternalServerError {
		if n := w.Header().Get(numberHeader); n != "" {
			f.Hint += " " + say("error.number", n)
		}
	}
	title := say("error.title")
	if status == http.StatusNotFound {
		title = say("error.missing.title")
	}
	page := frame{Page: "fault", Title: title, Purpose: f.Error, Body: faultBody{f.Error, f.Hint}}
	if err := s.show(w, status, page); err != nil {
		s.log.Error("page of the fault", "error", err)
		http.Error(w, f.Error+" "+f.Hint, status)
	}
}

// personAt returns the person whom the address names, or who is shown in that person's place.
func (s *Server) personAt(r *http.Request) (record.Participant, error) {
	id, err := pathNumber(r, "person")
	if err != nil {
		return record.Participant{}, err
	}
	return s.keptPerson(r, id)
}

// shellBody is a page that its script draws.
type shellBody struct {
	Test   string
	Person string
	What   string
	Site   *siteCard // of the running page, which shows it while the server is away
}

// shell is the empty page of the running test or of a second screen; the script draws everything.
func (s *Server) shell(what string) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		t, err := s.store.Test(r.Context(), r.PathValue("test"))
		if err != nil {
			return err
		}
		body := shellBody{Test: t.ID, What: what}
		if what == "run" {
			card := s.own.card()
			body.Site = &card
		}
		f := frame{Page: "shell", Title: say("shell."+what) + " · " + t.Title, Purpose: say("shell." + what), Script: what + ".js", Body: body}
		return s.show(w, http.StatusOK, f)
	}
}

// say is a text in English with its values filled in.
func say(key string, values ...any) string {
	text, ok := english[key]
	if !ok {
		return key
	}
	if len(values) == 0 {
		return text
	}
	return fmt.Sprintf(text, values...)
}

// sayHTML is say for the pages, which escape what is filled in.
func sayHTML(key string, values ...any) string { return say(key, values...) }

const (
	thin = "\u2009" // between a number and its unit
	dash = "\u2013" // in a range
)

// num writes a number as briefly as it can be read, with a true minus sign.
func num(v float64) string { return minus(strconv.FormatFloat(v, 'f', -1, 64)) }

// fixed writes a number with one decimal.
func fixed(v float64) string { return minus(strconv.FormatFloat(v, 'f', 1, 64)) }

func minus(text string) string {
	if strings.HasPrefix(text, "-") {
		return "\u2212" + text[1:]
	}
	return text
}

// clock writes ms as m:ss.
func clock(ms int64) string {
	sign := ""
	if ms < 0 {
		sign, ms = "\u2212", -ms
	}
	return fmt.Sprintf("%s%d:%02d", sign, ms/60000, ms/1000%60)
}

// reading writes a value of the sheet, nothing when there is none.
func reading(v float64) string {
	if v == 0 {
		return ""
	}
	return num(v)
}

// secretField is a field for a secret: it is never filled in by the server.
type secretField struct{ Name, Type, Label, Complete, Help string }

func secretOf(name, label, complete, help string) secretField {
	return secretField{name, "password", label, complete, help}
}

// two are two values for a piece of a page.
type two struct{ A, B any }

func pairOf(a, b any) two { return two{a, b} }
