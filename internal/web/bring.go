package web

import (
	"errors"
	"net/http"
	"strconv"

	"gradus/internal/eventfile"
	"gradus/internal/record"
)

const maxFile = 4 << 20

func bringForm() form { return form{Fields: []field{{Name: "file", Kind: "file", Need: true}}} }

// bring takes a record that a running page saved as a file while the server could not store it. What is stored
// already stays; what is missing is added, all or nothing.
func (s *Server) bring(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, maxFile)
	f := bringForm()
	if err := r.ParseMultipartForm(maxFile); err != nil {
		var large *http.MaxBytesError
		if errors.As(err, &large) {
			return &askError{http.StatusRequestEntityTooLarge, "file", say("api.large", maxFile), say("bring.hint")}
		}
		return &askError{http.StatusBadRequest, "file", say("form.unread"), say("bring.hint")}
	}
	f.signed(s.signed(r))
	n, err := 0, error(nil)
	if !f.bad() {
		if n, err = s.bringFile(r, &f); err != nil {
			return err
		}
	}
	if f.bad() {
		return s.showResult(w, r, http.StatusUnprocessableEntity, reassignForm(), f)
	}
	http.Redirect(w, r, "/tests/"+r.PathValue("test")+"?brought="+strconv.Itoa(n), http.StatusSeeOther)
	return nil
}

// bringFile stores the events of the file and says how many are new. What is wrong with the file goes into the form.
func (s *Server) bringFile(r *http.Request, f *form) (int, error) {
	file, head, err := r.FormFile("file")
	if err != nil {
		f.fault("file", say("bring.none"))
		return 0, nil
	}
	defer file.Close()
	list, faults := eventfile.Read(head.Filename, file)
	if len(faults) > 0 {
		f.fault("file", faults[0].Error())
		return 0, nil
	}
	ask := eventsAsk{Events: list.Events}
	if err := ask.check(); err != nil {
		f.fault("file", err.Error())
		return 0, nil
	}
	l, err := s.liveTest(r.Context(), r.PathValue("test"))
	if err != nil {
		return 0, err
	}
	before := count(l.marksNow())
	marks, err := s.keep(r, l, list.Events)
	var conflict *record.ConflictError
	var gap *record.GapError
	switch {
	case errors.As(err, &conflict):
		f.fault("file", say("bring.conflict", conflict.ID))
		return 0, nil
	case errors.As(err, &gap):
		f.fault("file", say("bring.gap", gap.Want))
		return 0, nil
	}
	return count(marks) - before, err
}

func count(marks record.Marks) (n int) {
	for _, m := range marks {
		n += int(m.N)
	}
	return n
}
