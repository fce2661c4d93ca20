package web

import (
	"errors"
	"net/http"

	"gradus/estimate"
	estimators "gradus/estimate/library"
	"gradus/internal/aloud"
	"gradus/internal/record"
)

type equationsBody struct{ Groups []equationGroup }

type equationGroup struct {
	Title string
	Lines []equationLine
}

type equationLine struct{ ID, Title, Unit, Verified string }

// equationKinds are the kinds of equations in the order of the list.
var equationKinds = []string{"submaximal", "maximal", "none", "group", "step"}

// equations lists every equation by what it needs.
func (s *Server) equations(w http.ResponseWriter, _ *http.Request) error {
	all, err := estimators.All()
	if err != nil {
		return err
	}
	body := equationsBody{}
	for _, kind := range equationKinds {
		group := equationGroup{Title: say("equations." + kind)}
		for _, e := range all {
			if or(e.Test, "submaximal") == kind {
				group.Lines = append(group.Lines, equationLine{e.ID, e.Title, e.Outcome.Unit, verifiedText(e)})
			}
		}
		body.Groups = append(body.Groups, group)
	}
	return s.show(w, http.StatusOK, frame{Page: "equations", Title: say("equations.title"), Purpose: say("equations.purpose"), Section: "protocols", Body: body})
}

type equationBody struct {
	ID, Text, Verified string
}

// equation shows an equation with every number of it, in the words of the command.
func (s *Server) equation(w http.ResponseWriter, r *http.Request) error {
	e, err := s.equationNamed(r.PathValue("estimator"))
	if err != nil {
		return err
	}
	return s.show(w, http.StatusOK, frame{Page: "equation", Title: e.Title, Purpose: say("equation.purpose"), Section: "protocols", Body: equationBody{e.ID, aloud.Estimator(e), verifiedText(e)}})
}

func (s *Server) equationNamed(id string) (*estimate.Estimator, error) {
	e, err := estimators.ByID(id)
	if errors.Is(err, estimators.ErrUnknown) {
		return nil, record.ErrNotFound
	}
	return e, err
}
