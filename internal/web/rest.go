package web

import (
	"encoding/json"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"gradus/internal/record"
	"gradus/screen"
)

// restFact is what was measured seated before the test.
type restFact struct {
	Arm       string   `json:"arm,omitempty"` // left, right, or none: pressure is not taken
	NeverArms []string `json:"arms_never,omitempty"`
	ArmWhy    string   `json:"arm_why,omitempty"`
	SeatedS   float64  `json:"seated_s,omitempty"`
	HR        float64  `json:"hr_bpm,omitempty"`
	Method    string   `json:"hr_method,omitempty"`
	Irregular string   `json:"irregular_per_min,omitempty"` // a number, as it was entered: 0 is one
	SBP       float64  `json:"sbp_mmhg,omitempty"`
	DBP       float64  `json:"dbp_mmhg,omitempty"`
	SpO2      float64  `json:"spo2_percent,omitempty"`
	Note      string   `json:"note,omitempty"`
}

// seated is how long a person sits before the resting values are taken: 5 min.
const seated = 5 * time.Minute

func readRest(f record.Fact) (rest restFact) {
	_ = json.Unmarshal(f.JSON, &rest) // what cannot be read is shown as nothing; the fact itself stays
	return rest
}

func (rest restFact) lines() (lines []slipLine) {
	add := func(name, text string) {
		if text != "" {
			lines = append(lines, slipLine{say("field." + name), text})
		}
	}
	if rest.HR > 0 {
		add("rest_hr_bpm", num(rest.HR)+thin+"/min")
	}
	if rest.SBP > 0 {
		add("rest_pressure", num(rest.SBP)+"/"+num(rest.DBP)+thin+"mmHg")
	}
	if rest.SpO2 > 0 {
		add("rest_spo2", num(rest.SpO2)+thin+"%")
	}
	if rest.Irregular != "" {
		add("rest_irregular", rest.Irregular+thin+"/min")
	}
	if rest.Arm != "" {
		add("rest_arm", optionText("rest_arm", rest.Arm))
	}
	for _, arm := range rest.NeverArms {
		add("rest_never", optionText("rest_never", arm))
	}
	add("rest_why", rest.ArmWhy)
	if rest.SeatedS > 0 {
		add("rest_seated_min", clock(int64(rest.SeatedS*1000))+" min")
	}
	add("rest_note", rest.Note)
	return lines
}

func (rest restFact) sentence() string {
	var parts []string
	for _, line := range rest.lines() {
		parts = append(parts, line.Name+" "+line.Text)
	}
	return strings.Join(parts, ", ") + "."
}

func (rest restFact) cautions() (list []string) {
	if rest.SeatedS < seated.Seconds() {
		list = append(list, say("rest.early", clock(int64(rest.SeatedS*1000))))
	}
	return list
}

// armText says at which arm pressure is taken in the whole test.
func (rest restFact) armText() string {
	if rest.Arm == "" {
		return ""
	}
	return say("rest.arm."+rest.Arm) + " " + rest.ArmWhy
}

// leadsNot reports whether heart rate may not lead a test under a class of drugs, by the screening table.
func leadsNot(class string) bool {
	drugs := screen.Shipped().Drugs
	i := slices.IndexFunc(drugs, func(d screen.Drug) bool { return d.Word == class })
	return i >= 0 && !drugs[i].Leads && class != "unknown"
}

func restForm(rest restFact) form {
	n := func(name string, v float64) field {
		f := field{Name: name, Kind: "number", Most: 8}
		if v != 0 {
			f.Value = strconv.FormatFloat(v, 'f', -1, 64)
		}
		return f
	}
	never := manyField("rest_never", "left", "right")
	never.Values = rest.NeverArms
	return form{Fields: []field{never, textField("rest_why", rest.ArmWhy, 200), choiceField("rest_arm", rest.Arm, "left", "right", "none"),
		n("rest_hr_bpm", rest.HR), choiceField("hr_method", or(rest.Method, "strap"), "strap", "optical", "ecg", "palpated-15s", "palpated-30s", "palpated-10s"),
		{Name: "rest_irregular", Kind: "number", Value: rest.Irregular, Most: 8}, n("rest_sbp_mmhg", rest.SBP), n("rest_dbp_mmhg", rest.DBP), n("rest_spo2", rest.SpO2),
		n("rest_seated_min", rest.SeatedS/60), textField("rest_note", rest.Note, 1000), textField("by", "", 80)}}
}

// rest asks for the resting values, and counts the minutes the person has sat.
func (s *Server) rest(w http.ResponseWriter, r *http.Request) error {
	v, p, err := s.visitAt(r)
	if err != nil {
		return err
	}
	known, date, err := s.knownFact(r, v, p, factRest)
	if err != nil {
		return err
	}
	body := visitFormBody{Visit: v, Person: p}
	rest := readRest(known)
	if date != "" {
		body.Same = say("rest.same", dayText(date))
		rest = restFact{Arm: rest.Arm, NeverArms: rest.NeverArms, ArmWhy: rest.ArmWhy, Method: rest.Method} // the values are of each day
	}
	body.Form = restForm(rest)
	return s.showRest(w, r, http.StatusOK, body, r.URL.Query().Get("sat"))
}

func (s *Server) showRest(w http.ResponseWriter, r *http.Request, status int, body visitFormBody, sat string) error {
	if since, ok := s.satSince(sat); ok {
		body.Sat = sat
		body.Wait = s.countdown(since)
	}
	return s.show(w, status, frame{Page: "rest", Title: say("rest.title", label(body.Person)), Purpose: say("rest.purpose"), Section: "people", Token: s.token(w, r), Body: body})
}

// satSince reads when the person sat down; false when it is no moment of the last three hours.
func (s *Server) satSince(text string) (time.Time, bool) {
	seconds, err := strconv.ParseInt(text, 10, 64)
	if err != nil {
		return time.Time{}, false
	}
	since := time.Unix(seconds, 0)
	ago := s.now().Sub(since)
	return since, ago >= -time.Second && ago < 3*time.Hour
}

// wait is the rest that is left, in words that hold without scripts.
type wait struct {
	Since, Left string
	LeftMs      int64 // 0 when it is over
}

func (s *Server) countdown(since time.Time) *wait {
	at := func(t time.Time) string { return t.In(s.now().Location()).Format("15:04:05") }
	w := &wait{Since: say("rest.since", at(since), at(since.Add(seated))), Left: say("rest.now")}
	if left := seated - s.now().Sub(since); left > 0 {
		w.Left, w.LeftMs = say("rest.left", clock(left.Milliseconds())), left.Milliseconds()
	}
	return w
}

func (s *Server) rested(w http.ResponseWriter, r *http.Request) error {
	v, p, err := s.visitAt(r)
	if err != nil {
		return err
	}
	f := restForm(restFact{})
	f.take(r)
	f.signed(s.signed(r))
	sat := r.PostForm.Get("sat")
	body := visitFormBody{Visit: v, Person: p}
	if r.PostForm.Get("do") == "sit" && f.General == "" {
		q := url.Values{"sat": {strconv.FormatInt(s.now().Unix(), 10)}}
		http.Redirect(w, r, visitAddress(v.ID)+"/rest?"+q.Encode(), http.StatusSeeOther)
		return nil
	}
	rest := s.readRestForm(&f, sat)
	if f.bad() {
		body.Form = f
		return s.showRest(w, r, http.StatusUnprocessableEntity, body, sat)
	}
	if err := s.rejudge(r, v, rest, f.text("by")); err != nil {
		return err
	}
	return s.addFact(w, r, v, factRest, rest, f.text("by"))
}

func (s *Server) readRestForm(f *form, sat string) restFact {
	rest := restFact{Arm: f.text("rest_arm"), NeverArms: f.at("rest_never").Values, ArmWhy: f.text("rest_why"), SeatedS: f.within("rest_seated_min", 0.1, 180) * 60,
		HR: f.within("rest_hr_bpm", 25, 200), Method: f.text("hr_method"), Irregular: f.text("rest_irregular"),
		SBP: f.within("rest_sbp_mmhg", 50, 300), DBP: f.within("rest_dbp_mmhg", 20, 200), SpO2: f.within("rest_spo2", 40, 100), Note: f.text("rest_note")}
	if since, ok := s.satSince(sat); ok && rest.SeatedS == 0 {
		rest.SeatedS = max(s.now().Sub(since).Seconds(), 1)
	}
	if rest.Irregular != "" {
		if n, err := strconv.Atoi(rest.Irregular); err != nil || n < 0 || n > 200 {
			f.fault("rest_irregular", say("rest.irregular.bad"))
		}
	}
	pressure := rest.SBP > 0 || rest.DBP > 0
	switch {
	case rest.Arm != "" && slices.Contains(rest.NeverArms, rest.Arm):
		f.fault("rest_arm", say("rest.arm.never"))
	case pressure && (rest.Arm == "" || rest.Arm == "none"):
		f.fault("rest_arm", say("rest.arm.which"))
	}
	if len(rest.NeverArms) > 0 && rest.ArmWhy == "" {
		f.fault("rest_why", say("rest.arm.why"))
	}
	switch {
	case pressure && (rest.SBP == 0 || rest.DBP == 0):
		f.fault("rest_dbp_mmhg", say("rest.pressure.both"))
	case pressure && rest.DBP >= rest.SBP:
		f.fault("rest_dbp_mmhg", say("plan.pressure"))
	}
	if rest.HR == 0 {
		f.fault("rest_hr_bpm", say("form.empty"))
	}
	if f.text("by") == "" {
		f.fault("by", say("form.empty"))
	}
	return rest
}
