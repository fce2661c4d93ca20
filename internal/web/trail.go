package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"gradus/internal/access"
	"gradus/internal/audit"
	"gradus/internal/record"
)

const (
	trailPage    = 50              // entries on one page
	trailFaults  = 50              // faults that are told
	verifyWithin = 2 * time.Minute // a record that takes longer is verified by the command
	fileWithin   = 30 * time.Minute
)

// trailKinds are the kinds of entries with the actions that belong to each, in the order in which they are offered.
var trailKinds = []struct {
	name    string
	actions []string
}{
	{"look", []string{"see"}},
	{"enter", []string{"add", "record", "consent"}},
	{"correct", []string{"correct", "change", "delete", "merge", "reassign", "erase"}},
	{"out", []string{"hand-out", "export", "print"}},
	{"sign", []string{"sign", "countersign"}},
	{"in", []string{record.SignIn, record.SignInFailed, record.SignOut}},
	{"refused", []string{"refused"}},
}

// trailAsk is what a page of the trail is asked for. It stands in addresses, so it names a person by number.
type trailAsk struct {
	person               int64
	test, account        string
	kind, from, to, code string
	before               int64
}

func readTrailAsk(q url.Values) trailAsk {
	number := func(name string) int64 {
		n, _ := strconv.ParseInt(q.Get(name), 10, 64) // what is no number asks for nothing
		return max(0, n)
	}
	return trailAsk{person: number("person"), test: q.Get("test"), account: q.Get("account"), kind: q.Get("kind"), from: q.Get("from"), to: q.Get("to"), before: number("before")}
}

func (a trailAsk) address(before int64) string {
	q := url.Values{}
	for name, value := range map[string]string{"person": strconv.FormatInt(a.person, 10), "test": a.test, "account": a.account, "kind": a.kind, "from": a.from, "to": a.to, "before": strconv.FormatInt(before, 10)} {
		if value != "" && value != "0" {
			q.Set(name, value)
		}
	}
	if len(q) == 0 {
		return "/trail"
	}
	return "/trail?" + q.Encode()
}

// filter is the question as the record takes it.
func (a trailAsk) filter() (record.TrailFilter, error) {
	f := record.TrailFilter{Person: a.person, Test: a.test, Actor: a.account, Before: a.before, Limit: trailPage + 1}
	for _, k := range trailKinds {
		if k.name == a.kind {
			f.Actions = k.actions
		}
	}
	for _, day := range []struct {
		text string
		to   *time.Time
		plus int
	}{{a.from, &f.From, 0}, {a.to, &f.To, 1}} {
		if day.text == "" {
			continue
		}
		at, err := time.ParseInLocation(time.DateOnly, day.text, time.Local)
		if err != nil {
			return f, &askError{http.StatusUnprocessableEntity, "trail", say("trail.day", shorten(day.text, 20)), say("form.again")}
		}
		*day.to = at.AddDate(0, 0, day.plus)
	}
	return f, nil
}

type trailBody struct {
	Form          form
	Entries       []trailLine
	Newest, Older string
	About         string // whose part it is
	Anonymous     bool   // people stand by number
	Check         form
	Verified      []string
	Faults        []string
	MoreFaults    int
	Whole         bool
	File          bool // whoever looks may take the whole trail along
	Narrow        bool // not all entries are asked for
}

type trailLine struct {
	Seq                         int64
	At, Who, What, Reason, Link string
}

// trail is who saw and did what.
func (s *Server) trail(w http.ResponseWriter, r *http.Request) error {
	return s.showTrail(w, r, http.StatusOK, readTrailAsk(r.URL.Query()), nil)
}

func (s *Server) showTrail(w http.ResponseWriter, r *http.Request, status int, ask trailAsk, b *trailBody) error {
	filter, err := ask.filter()
	if err != nil {
		return err
	}
	entries, err := s.store.Entries(r.Context(), filter)
	if err != nil {
		return err
	}
	if b == nil {
		b = &trailBody{}
	}
	words, err := s.trailWords(r)
	if err != nil {
		return err
	}
	if len(entries) > trailPage {
		entries = entries[:trailPage]
		b.Older = ask.address(entries[trailPage-1].Seq)
	}
	if ask.before > 0 {
		b.Newest = ask.address(0)
	}
	for _, e := range entries {
		b.Entries = append(b.Entries, words.line(r.Context(), e))
	}
	if ask.person != 0 {
		b.About = words.person(r.Context(), ask.person)
		if ask.code == "" {
			ask.code = words.code(r.Context(), ask.person)
		}
	} else if ask.test != "" {
		b.About = say("trail.test", ask.test)
	}
	who := visitorOf(r).who
	b.Anonymous, b.File, b.Narrow = !who.May(access.See), who.May(access.Accounts), ask.address(0) != "/trail"
	if b.Form.Fields == nil {
		b.Form = trailForm(ask, words, b.Anonymous)
	}
	if b.Check.Fields == nil {
		b.Check = checkForm()
	}
	if err := s.store.Note(r.Context(), audit.Entry{Action: "see", Entity: "trail", Note: aboutTrail(ask)}); err != nil {
		s.log.Error("a look at the trail could not be entered", "error", err)
	}
	return s.show(w, status, frame{Page: "trail", Title: say("trail.title"), Purpose: say("trail.purpose"), Section: "trail", Token: s.token(w, r), Body: b})
}

// aboutTrail is whose part of the trail was looked at, as an entry says it.
func aboutTrail(a trailAsk) string {
	switch {
	case a.person != 0:
		return fmt.Sprintf("person/%d", a.person)
	case a.test != "":
		return "test/" + shorten(a.test, 100)
	}
	return ""
}

func trailForm(a trailAsk, words *trailWords, anonymous bool) form {
	kind := field{Name: "trail_kind", Kind: "choice", Value: a.kind}
	for _, k := range trailKinds {
		kind.Options = append(kind.Options, option{k.name, optionText("trail_kind", k.name)})
	}
	account := field{Name: "trail_account", Kind: "choice", Value: a.account, Options: words.actors()}
	code := textField("trail_code", a.code, 64)
	code.Hidden = anonymous
	return form{Fields: []field{code, textField("trail_test", a.test, 100), account, kind, {Name: "from", Kind: "date", Value: a.from}, {Name: "to", Kind: "date", Value: a.to}}}
}

func checkForm() form { return form{Fields: []field{textField("trail_anchor", "", 200)}} }

// askedTrail finds the part of the trail that a form means, or verifies the whole.
func (s *Server) askedTrail(w http.ResponseWriter, r *http.Request) error {
	if r.PostForm.Get("do") == "verify" {
		return s.verifyTrail(w, r)
	}
	words, err := s.trailWords(r)
	if err != nil {
		return err
	}
	anonymous := !visitorOf(r).who.May(access.See)
	f := trailForm(trailAsk{}, words, anonymous)
	f.take(r)
	f.signed(s.signed(r))
	ask := trailAsk{test: f.text("trail_test"), account: f.text("trail_account"), kind: f.text("trail_kind"), from: f.text("from"), to: f.text("to"), code: f.text("trail_code")}
	if ask.code != "" && !f.bad() {
		p, err := s.store.ParticipantByCode(r.Context(), ask.code)
		switch {
		case errors.Is(err, record.ErrNotFound):
			f.fault("trail_code", say("erasures.unknown"))
		case err != nil:
			return err
		}
		ask.person = p.ID
	}
	if f.bad() {
		return s.showTrail(w, r, http.StatusUnprocessableEntity, trailAsk{code: ask.code}, &trailBody{Form: f})
	}
	http.Redirect(w, r, ask.address(0), http.StatusSeeOther)
	return nil
}

// verifyTrail follows the trail from its beginning and holds the record against it.
func (s *Server) verifyTrail(w http.ResponseWriter, r *http.Request) error {
	b := &trailBody{Check: checkForm()}
	b.Check.take(r)
	b.Check.signed(s.signed(r))
	var anchors []audit.Anchor
	if text := b.Check.text("trail_anchor"); text != "" {
		a, err := audit.ParseAnchor(text)
		if err != nil {
			b.Check.fault("trail_anchor", say("trail.noanchor"))
		}
		anchors = append(anchors, a)
	}
	if b.Check.bad() {
		return s.showTrail(w, r, http.StatusUnprocessableEntity, trailAsk{}, b)
	}
	ctx, cancel := context.WithTimeout(r.Context(), verifyWithin)
	defer cancel()
	head, faults, err := s.store.VerifyTrail(ctx, anchors)
	if ctx.Err() != nil && r.Context().Err() == nil {
		b.Check.General = say("trail.long")
		return s.showTrail(w, r, http.StatusServiceUnavailable, trailAsk{}, b)
	}
	if err != nil {
		return err
	}
	if b.Whole = len(faults) == 0; b.Whole {
		b.Verified = append(b.Verified, say("trail.whole", head.Seq))
		if len(anchors) > 0 {
			b.Verified = append(b.Verified, say("trail.passed"))
		} else {
			b.Verified = append(b.Verified, say("trail.noend"))
		}
	}
	for _, f := range faults[:min(len(faults), trailFaults)] {
		b.Faults = append(b.Faults, f.String())
	}
	b.MoreFaults = len(faults) - len(b.Faults)
	b.Verified = append(b.Verified, say("trail.head", head.Anchor()))
	return s.showTrail(w, r, http.StatusOK, trailAsk{}, b)
}

// trailFile is the whole trail as a file that can be verified without this server.
func (s *Server) trailFile(w http.ResponseWriter, r *http.Request) error {
	if err := s.store.Note(r.Context(), audit.Entry{Action: "export", Entity: "trail"}); err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/jsonl")
	w.Header().Set("Content-Disposition", `attachment; filename="trail-`+s.now().Format(time.DateOnly)+`.jsonl"`)
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(fileWithin)) // without it the usual time holds
	out := audit.NewWriter(w)
	err := s.store.EachEntry(r.Context(), func(text []byte, hash audit.Hash) error {
		out.Add(text, hash)
		return nil
	})
	if err = errors.Join(err, out.End()); err != nil {
		s.note(r, err)
		panic(http.ErrAbortHandler) // a file that was cut must not look whole
	}
	return nil
}

// trailEnd is the end of the trail as papers print it.
func (s *Server) trailEnd(r *http.Request) (string, error) {
	head, err := s.store.Head(r.Context())
	return head.Short().String(), err
}

// gave enters that something left the record as a file or a paper.
func (s *Server) gave(r *http.Request, action, entity, what string) error {
	return s.store.Note(r.Context(), audit.Entry{Action: action, Entity: entity, Note: what})
}

// trailWords puts entries into words for whoever looks.
type trailWords struct {
	s        *Server
	who      access.Principal
	accounts map[string]string // name by actor, of those whom the reader may know
	order    []string
	people   map[int64]string // codes
}

func (s *Server) trailWords(r *http.Request) (*trailWords, error) {
	t := &trailWords{s: s, who: visitorOf(r).who, accounts: map[string]string{}, people: map[int64]string{}}
	list, err := s.raw.ListAccounts(r.Context())
	if err != nil {
		return nil, err
	}
	for _, a := range list {
		if t.who.Site != 0 && a.Site != t.who.Site && !t.who.May(access.Accounts) {
			continue
		}
		actor := fmt.Sprintf("account/%d", a.ID)
		t.accounts[actor] = a.Name + " (" + a.Login + ")"
		t.order = append(t.order, actor)
	}
	slices.SortFunc(t.order, func(a, b string) int { return strings.Compare(t.accounts[a], t.accounts[b]) })
	return t, nil
}

func (t *trailWords) actors() (all []option) {
	for _, actor := range t.order {
		all = append(all, option{actor, t.accounts[actor]})
	}
	for _, actor := range []string{"owner", "command", "system"} {
		all = append(all, option{actor, say("trail.who." + actor)})
	}
	return all
}

func (t *trailWords) actor(actor string) string {
	if name := t.accounts[actor]; name != "" {
		return name
	}
	if number, ok := strings.CutPrefix(actor, "account/"); ok {
		return say("trail.account", number)
	}
	if user, ok := strings.CutPrefix(actor, "command/"); ok {
		return say("trail.who.user", user)
	}
	return or(english["trail.who."+actor], actor)
}

// code is the code of a person of the reader's site; "" for anybody else.
func (t *trailWords) code(ctx context.Context, id int64) string {
	code, known := t.people[id]
	if known || !t.who.May(access.See) {
		return code
	}
	// The raw record is asked: that the trail was looked at is entered once, not as a look at each person in it.
	if p, err := t.s.raw.Participant(ctx, id); err == nil && (t.who.Site == 0 || p.Site == t.who.Site) {
		code = p.Code
	}
	t.people[id] = code
	return code
}

func (t *trailWords) person(ctx context.Context, id int64) string {
	if code := t.code(ctx, id); code != "" {
		return say("trail.coded", code)
	}
	return say("trail.person", id)
}

func (t *trailWords) line(ctx context.Context, e audit.Entry) trailLine {
	l := trailLine{Seq: e.Seq, At: e.At, Who: t.actor(e.Actor)}
	if at, err := time.Parse(time.RFC3339, e.At); err == nil {
		l.At = day(at.Local()) + ", " + at.Local().Format("15:04:05")
	}
	about, link := t.about(ctx, e)
	if t.who.May(access.See) {
		l.Link = link
	}
	l.What = sayOf("trail.do.", e.Action, about)
	switch {
	case e.Action == "refused":
		l.Reason = say("trail.missing", e.Note)
	case e.Entity == "people" && e.Action == "see":
		if n := len(strings.Fields(e.Note)); n > 0 && !strings.Contains(e.Note, "(") {
			l.Reason = say("trail.listed", n)
		}
	case e.Entity == "trail" && e.Note != "":
		text, _ := t.about(ctx, audit.Entry{Entity: e.Note})
		l.Reason = say("trail.partof", text)
	default:
		l.Reason = strings.TrimSpace(strings.Join([]string{e.Meaning, e.Reason, e.Note}, " "))
	}
	return l
}

// sayOf is the text of a word that an entry holds; of one without a text, the word itself.
func sayOf(of, word string, values ...any) string {
	if english[of+word] != "" {
		return say(of+word, values...)
	}
	return word + ": " + fmt.Sprint(values[0])
}

// about says what an entry is about, with the page of it.
func (t *trailWords) about(ctx context.Context, e audit.Entry) (text, link string) {
	parts := strings.Split(e.Entity, "/")
	if len(parts) < 2 {
		return or(english["trail.of."+e.Entity], e.Entity), ""
	}
	id, _ := strconv.ParseInt(parts[1], 10, 64)
	switch parts[0] {
	case "person":
		text, link = t.person(ctx, id), personAddress(id)
	case "visit":
		text, link = say("trail.visit", parts[1]), visitAddress(id)
	case "test":
		text, link = say("trail.test", parts[1]), "/tests/"+parts[1]
	case "machine":
		text, link = say("trail.machine", parts[1]), "/machines/"+parts[1]
	case "account":
		text = t.actor("account/" + parts[1])
	default:
		return sayOf("trail.of.", parts[0], strings.Join(parts[1:], "/")), ""
	}
	if len(parts) > 2 {
		text = sayOf("trail.in.", parts[2], text, strings.ReplaceAll(strings.Join(parts[3:], "/"), "-", dash))
	}
	return text, link
}
