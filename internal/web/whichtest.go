package web

import (
	"encoding/json"
	"net/http"
	"slices"
	"strings"

	"gradus/internal/record"
	protocols "gradus/protocol/library"
	"gradus/screen"
)

const factAbilities = "abilities"

// abilities is what a person can do and what is at hand, for the choice of a test.
type abilities struct {
	Ticked   []string `json:"can"`              // by id
	Asked    []string `json:"asked"`            // ids of all that was asked
	Machines []string `json:"machines"`         // at hand; null: not asked
	SpaceM   float64  `json:"space_m,omitzero"` // longest straight course at hand; 0: not asked
}

func readAbilities(f record.Fact) (a abilities) {
	_ = json.Unmarshal(f.JSON, &a) // what cannot be read is shown as nothing; the fact itself stays
	return a
}

// abilityGroups are the questions; each is answered by ticks.
var abilityGroups = []string{"mobility", "balance", "trunk", "hand", "language"}

func abilitiesOf(group string) (ids []string) {
	for _, a := range screen.Abilities() {
		if a.Group == group {
			ids = append(ids, a.ID)
		}
	}
	return ids
}

func whichForm(a abilities) form {
	var fields []field
	for _, group := range abilityGroups {
		f := field{Name: "can_" + group, Kind: "many", Options: []option{{none, say("screening.none")}}}
		asked := false
		for _, ability := range screen.Abilities() {
			if ability.Group != group {
				continue
			}
			f.Options = append(f.Options, option{ability.ID, ability.Text})
			asked = asked || slices.Contains(a.Asked, ability.ID)
			if slices.Contains(a.Ticked, ability.ID) {
				f.Values = append(f.Values, ability.ID)
			}
		}
		if asked && len(f.Values) == 0 {
			f.Values = []string{none}
		}
		fields = append(fields, f)
	}
	machines := field{Name: "machines_here", Kind: "many", Values: a.Machines, Options: []option{{none, say("screening.none")}}}
	for _, m := range screen.Machines() {
		if m.ID != "none" && m.ID != "course" { // a course is a matter of space
			machines.Options = append(machines.Options, option{m.ID, m.Text})
		}
	}
	if a.Machines != nil && len(a.Machines) == 0 {
		machines.Values = []string{none}
	}
	space := field{Name: "space_m", Kind: "number", Most: 8}
	if a.SpaceM > 0 {
		space.Value = num(a.SpaceM)
	}
	return form{Fields: append(fields, machines, space, textField("by", "", 80))}
}

func readWhich(f *form) (a abilities) {
	for _, group := range abilityGroups {
		if ticked := f.list("can_" + group); ticked != nil {
			a.Ticked = append(a.Ticked, ticked...)
			a.Asked = append(a.Asked, abilitiesOf(group)...)
		}
	}
	a.Machines = f.list("machines_here")
	a.SpaceM = f.within("space_m", 1, 1000)
	if f.text("by") == "" {
		f.fault("by", say("form.empty"))
	}
	return a
}

type whichBody struct {
	Visit         record.Visit
	Person        record.Participant
	Form          form
	Same          string
	Asked         bool // there is something to match
	Unscreened    bool
	Today         bool
	Yes, Ask, No  []screen.Match
	HeartRateLine string
}

func (s *Server) which(w http.ResponseWriter, r *http.Request) error {
	v, p, err := s.visitAt(r)
	if err != nil {
		return err
	}
	known, date, err := s.knownFact(r, v, p, factAbilities)
	if err != nil {
		return err
	}
	a := readAbilities(known)
	body := whichBody{Visit: v, Person: p, Asked: known.N > 0 && date == ""}
	if date != "" {
		body.Same = say("which.same", dayText(date))
	}
	if a.Machines == nil {
		if a.Machines, err = s.machinesHere(r); err != nil {
			return err
		}
	}
	body.Form = whichForm(a)
	body.Form.at("by").Value = known.By
	if body.Asked {
		if err := s.match(r, &body, a); err != nil {
			return err
		}
	}
	return s.showWhich(w, r, http.StatusOK, body)
}

// machinesHere takes the machines of the record as those at hand; nil when there are none.
func (s *Server) machinesHere(r *http.Request) (kinds []string, err error) {
	list, err := s.store.Machines(r.Context())
	for _, m := range list {
		kind := strings.ReplaceAll(m.Kind, "-", "_")
		if !m.Retired && !slices.Contains(kinds, kind) && slices.ContainsFunc(screen.Machines(), func(k screen.Machine) bool { return k.ID == kind }) {
			kinds = append(kinds, kind)
		}
	}
	return kinds, err
}

// match judges every shipped protocol for the person.
func (s *Server) match(r *http.Request, body *whichBody, a abilities) error {
	person, screened, err := s.fitPerson(r, body.Person, a)
	if err != nil {
		return err
	}
	if body.Unscreened = !screened; screened {
		body.HeartRateLine = heartRateText(person.HeartRate)
	}
	var plans []screen.Plan
	for _, id := range protocols.IDs() {
		p, err := s.lib.protocol(id)
		if err != nil {
			return err
		}
		plans = append(plans, screen.PlanOf(p))
	}
	for _, m := range screen.Fit(person, plans) {
		switch m.Fits {
		case "yes":
			body.Yes = append(body.Yes, m)
		case "ask":
			body.Ask = append(body.Ask, m)
		default:
			body.No = append(body.No, m)
		}
	}
	return nil
}

// fitPerson is what is known of a person for the choice of a test; screened says whether the check of today knows of
// the heart rate.
func (s *Server) fitPerson(r *http.Request, p record.Participant, a abilities) (person screen.Person, screened bool, err error) {
	person = screen.Person{Can: screen.CanOf(a.Ticked, a.Asked), Machines: a.Machines, HeartRate: screen.HeartRate{Leads: true}}
	if a.SpaceM > 0 {
		person.SpaceM = &a.SpaceM
	}
	have, err := s.screenedToday(r, p)
	if err != nil || have == nil {
		return person, false, err
	}
	person.HeartRate = have.Result.HeartRate
	return person, true, nil
}

func (s *Server) showWhich(w http.ResponseWriter, r *http.Request, status int, body whichBody) error {
	body.Today = body.Visit.Date == s.day()
	return s.show(w, status, frame{Page: "which", Title: say("which.title", label(body.Person)), Purpose: say("which.purpose"), Section: "people", Token: s.token(w, r), Body: body})
}

func (s *Server) whichAsked(w http.ResponseWriter, r *http.Request) error {
	v, p, err := s.visitAt(r)
	if err != nil {
		return err
	}
	f := whichForm(abilities{})
	s.readForm(r, &f)
	a := readWhich(&f)
	if f.bad() {
		return s.showWhich(w, r, http.StatusUnprocessableEntity, whichBody{Visit: v, Person: p, Form: f})
	}
	text, err := json.Marshal(a)
	if err != nil {
		return err
	}
	if _, err := s.store.AddFact(r.Context(), record.Fact{Visit: v.ID, Kind: factAbilities, JSON: text, By: f.text("by")}); err != nil {
		return err
	}
	http.Redirect(w, r, visitAddress(v.ID)+"/which#fits", http.StatusSeeOther)
	return nil
}

// abilitiesSentence is what the person can do, for the way through the visit.
func abilitiesSentence(f record.Fact) string {
	a := readAbilities(f)
	var can []string
	for _, ability := range screen.Abilities() {
		if slices.Contains(a.Ticked, ability.ID) {
			can = append(can, ability.Text)
		}
	}
	if len(can) == 0 {
		return say("which.nothing")
	}
	return ended(strings.ToUpper(can[0][:1]) + strings.Join(can, "; ")[1:])
}
