package web

import (
	"errors"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"gradus/internal/record"
)

// nobodyCode is how the code of a person begins who stands for somebody in an emergency until it is known who it was.
const nobodyCode = "UNKNOWN-"

// nobodysEmergency opens a log with nobody chosen: a person is made who stands for whoever it is, and merged later.
func (s *Server) nobodysEmergency(w http.ResponseWriter, r *http.Request) error {
	since, ok := s.openedAt(r)
	if !ok {
		since = s.now()
	}
	if !s.signed(r) {
		http.Redirect(w, r, "/emergency?since="+strconv.FormatInt(since.Unix(), 10), http.StatusSeeOther)
		return nil
	}
	code := nobodyCode + since.In(s.now().Location()).Format("060102-150405")
	p, err := s.store.ParticipantByCode(r.Context(), code)
	if errors.Is(err, record.ErrNotFound) {
		p, err = s.store.AddParticipant(r.Context(), record.Participant{Code: code, Note: say("alarm.nobody.note", since.In(s.now().Location()).Format(time.DateTime))})
	}
	if err != nil {
		return err
	}
	http.Redirect(w, r, personAddress(p.ID)+"/emergency?since="+strconv.FormatInt(since.Unix(), 10), http.StatusSeeOther)
	return nil
}

// isNobody reports whether a person stands for somebody who is not known yet.
func isNobody(p record.Participant) bool { return strings.HasPrefix(p.Code, nobodyCode) }

// whose leads from somebody unknown to the page that merges with the person it was.
func (s *Server) whose(w http.ResponseWriter, r *http.Request) error {
	p, err := s.personAt(r)
	if err != nil {
		return err
	}
	code := strings.TrimSpace(r.URL.Query().Get("code"))
	known, err := s.store.ParticipantByCode(r.Context(), code)
	if errors.Is(err, record.ErrNotFound) {
		return &askError{http.StatusNotFound, "code", say("reassign.unknown", code), say("alarm.nobody.hint")}
	}
	if err != nil {
		return err
	}
	q := url.Values{"with": {strconv.FormatInt(p.ID, 10)}}
	http.Redirect(w, r, personAddress(known.ID)+"/merge?"+q.Encode(), http.StatusSeeOther)
	return nil
}
