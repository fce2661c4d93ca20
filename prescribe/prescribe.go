package prescribe

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
)

// Person is what a prescription needs to know. Zero and "" mean not known.
type Person struct {
	AgeYears, MassKg float64
	VO2Peak, SEE     float64 // mL/kg/min
	RestHR, MaxHR    float64 // /min
	MaxHRSD          float64 // spread of a predicted maximal heart rate; 0: measured
	MaxHRSource      string
	Drug             string // rate-limiting: yes, no, unknown
	Rhythm           string // sinus, atrial-fibrillation, paced, heart-transplant, sci-t6-or-above, other
	Machine          string // recumbent stepper, cycle, arm or walk
	Stages           []Stage
	HighestHR        float64 // reached without symptoms; 0: that of the highest stage
	ICDRate          float64 // detection rate of an implanted defibrillator, /min
	IschaemiaHR      float64 // heart rate at which ischaemia began, /min
	Speed            float64 // m/min, for a walking grade
}

// Choice is what the clinician chose; zero means the recommendation.
type Choice struct {
	Condition              string
	ReserveFrom, ReserveTo float64 // %
	Weeks                  int
	Interval               string // id of a published interval session for one session a week; "" is continuous
}

// Target is one way to say how hard. Low and High are nil when it is withheld.
type Target struct {
	ID       string   `json:"id"`
	What     string   `json:"what"`
	Unit     string   `json:"unit"`
	Low      *float64 `json:"low"`
	High     *float64 `json:"high"`
	LowSD    *float64 `json:"low_sd"` // standard deviation of the lower end, where it is known
	HighSD   *float64 `json:"high_sd"`
	Leads    bool     `json:"leads"`
	Withheld string   `json:"withheld"` // why there is none
	Notes    []string `json:"notes"`
	Source   string   `json:"source"`
}

// Week is one week of a plan.
type Week struct {
	Week        int      `json:"week"`
	Sessions    float64  `json:"sessions"`
	Intervals   int      `json:"interval_sessions"` // how many of them
	Minutes     float64  `json:"minutes"`
	ReserveFrom float64  `json:"reserve_from"` // %
	ReserveTo   float64  `json:"reserve_to"`
	RPEFrom     float64  `json:"rpe_from"`
	RPETo       float64  `json:"rpe_to"`
	HRLow       *float64 `json:"heart_rate_low"`
	HRHigh      *float64 `json:"heart_rate_high"`
	WorkLow     *float64 `json:"work_w_low"`
	WorkHigh    *float64 `json:"work_w_high"`
	METMinutes  *float64 `json:"met_minutes"`
	KcalGross   *float64 `json:"kcal_gross"`
	KcalNet     *float64 `json:"kcal_net"`
	Edited      bool     `json:"edited"`  // set by the clinician, see [Edit]
	Changed     string   `json:"changed"` // what is new against the week before
}

// Continues reports that a week asks for the same as another and that the same person set it.
func (w *Week) Continues(before *Week) bool {
	a, b := *before, *w
	if b.Changed != "" && b.Changed != a.Changed || a.Edited != b.Edited {
		return false
	}
	for _, x := range [][2]*float64{{a.HRLow, b.HRLow}, {a.HRHigh, b.HRHigh}, {a.WorkLow, b.WorkLow}, {a.WorkHigh, b.WorkHigh}} {
		if (x[0] == nil) != (x[1] == nil) || x[0] != nil && *x[0] != *x[1] {
			return false
		}
	}
	return a.Sessions == b.Sessions && a.Intervals == b.Intervals && a.Minutes == b.Minutes && a.ReserveFrom == b.ReserveFrom && a.ReserveTo == b.ReserveTo && a.RPEFrom == b.RPEFrom && a.RPETo == b.RPETo
}

// Volume is the dose of a week that is recommended for adults, and what the plan reaches of it.
type Volume struct {
	Low         float64  `json:"met_minutes_low"`
	High        float64  `json:"met_minutes_high"`
	MinutesLow  float64  `json:"minutes_low"` // of the band's middle that make the recommended dose
	MinutesHigh float64  `json:"minutes_high"`
	First       *float64 `json:"first_week"` // MET-min of the plan; nil: no plan, or not known
	Last        *float64 `json:"last_week"`
	Source      string   `json:"source"`
}

// Caution is a reason to think.
type Caution struct {
	ID     string `json:"id"`
	Text   string `json:"text"`
	Source string `json:"source"`
}

// Prescription is a proposal. Slices are never nil.
type Prescription struct {
	Condition   string     `json:"condition"`
	Title       string     `json:"title"`
	ReserveFrom float64    `json:"reserve_from"` // % of reserve
	ReserveTo   float64    `json:"reserve_to"`
	Level       string     `json:"level"`
	Leads       string     `json:"leads"` // heart rate, or exertion and work rate
	Targets     []Target   `json:"targets"`
	WorkRates   []Target   `json:"work_rates"` // those of the targets that are work rates
	Line        *Line      `json:"own_line"`
	Days        [2]float64 `json:"days_a_week"`
	Minutes     [2]float64 `json:"minutes_a_session"`
	Volume      *Volume    `json:"volume"` // nil: the peak oxygen uptake is not known
	Type        string     `json:"type"`
	Progression string     `json:"progression"`
	Weeks       []Week     `json:"weeks"`
	Sessions    []Planned  `json:"sessions"` // one by one
	Interval    string     `json:"interval"` // of [Choice]; "" is continuous
	Intervals   []Interval `json:"interval_sessions"`
	Sources     []string   `json:"sources"`
	Cautions    []Caution  `json:"cautions"`

	bouts        []Part // of an interval session
	boutsFrom    int    // first week with intervals
	boutsMETs    *float64
	massKg       float64
	cap, highest float64 // highest heart rate and work rate without symptoms; 0: not known
}

// An InputError is a value that cannot be taken.
type InputError struct{ Input, Msg string }

func (e *InputError) Error() string { return e.Input + ": " + e.Msg }

type writer struct {
	p     *Person
	rec   *Recommendation
	out   Prescription
	hold  string // why heart rate gives no target
	cap   float64
	capBy string
}

// For makes a prescription. An error is an *InputError.
func For(p Person, c Choice) (*Prescription, error) {
	w := &writer{p: &p}
	if err := w.begin(&c); err != nil {
		return nil, err
	}
	w.leads()
	w.caps()
	w.targets()
	w.weeks(&c)
	if err := w.intervals(c.Interval); err != nil {
		return nil, err
	}
	w.out.spread()
	w.finish()
	return &w.out, nil
}

func (w *writer) caution(id, source, format string, args ...any) {
	w.out.Cautions = append(w.out.Cautions, Caution{id, fmt.Sprintf(format, args...), source})
}

const ownChoice = "our own choice, no source"

func (w *writer) begin(c *Choice) error {
	if c.Condition == "" {
		c.Condition = recommendations[0].ID
	}
	at := slices.IndexFunc(recommendations, func(r Recommendation) bool { return r.ID == c.Condition })
	if at < 0 {
		var known []string
		for _, r := range recommendations {
			known = append(known, r.ID)
		}
		return &InputError{"condition", fmt.Sprintf("no recommendation is called %q; known: %s", c.Condition, strings.Join(known, ", "))}
	}
	w.rec = &recommendations[at]
	r, o := w.rec, &w.out
	o.Condition, o.Title, o.ReserveFrom, o.ReserveTo = r.ID, r.Title, r.StartReserveFrom, r.StartReserveTo
	if c.ReserveFrom > 0 || c.ReserveTo > 0 {
		o.ReserveFrom, o.ReserveTo = c.ReserveFrom, c.ReserveTo
	}
	if !(o.ReserveFrom > 0 && o.ReserveTo > o.ReserveFrom && o.ReserveTo <= 100) {
		return &InputError{"reserve", fmt.Sprintf("%g to %g %% is no range between 0 and 100; write the lower end first", o.ReserveFrom, o.ReserveTo)}
	}
	p := w.p
	for _, x := range []struct {
		name      string
		v         float64
		low, high float64
		must      bool
	}{{"age", p.AgeYears, 1, 120, true}, {"mass", p.MassKg, 10, 400, false}, {"vo2peak", p.VO2Peak, 3.5, 100, false}, {"see", p.SEE, 0.1, 30, p.VO2Peak > 0},
		{"rest-hr", p.RestHR, 25, 200, false}, {"max-hr", p.MaxHR, 60, 250, false}, {"peak-hr", p.HighestHR, 25, 250, false}} {
		if (x.must || x.v != 0) && !(x.v >= x.low && x.v <= x.high) {
			return &InputError{x.name, fmt.Sprintf("%g is not between %g and %g; check the entry", x.v, x.low, x.high)}
		}
	}
	if p.RestHR > 0 && p.MaxHR > 0 && p.MaxHR <= p.RestHR {
		return &InputError{"max-hr", fmt.Sprintf("%g is not above the resting heart rate of %g; check both", p.MaxHR, p.RestHR)}
	}
	o.Targets, o.WorkRates, o.Weeks, o.Sessions, o.Cautions, o.Sources, o.massKg = []Target{}, []Target{}, []Week{}, []Planned{}, []Caution{}, []string{}, p.MassKg
	o.Intervals = []Interval{}
	for _, x := range intervals {
		if slices.Contains(x.conditions, r.ID) {
			o.Intervals = append(o.Intervals, x)
		}
	}
	o.Days, o.Minutes, o.Type, o.Progression = [2]float64{r.DaysFrom, r.DaysTo}, [2]float64{r.MinutesFrom, r.MinutesTo}, r.Type, r.Progression
	o.Level = LevelAt((o.ReserveFrom + o.ReserveTo) / 2).Name
	return nil
}

// LevelAt is the band of a percentage of reserve, judged before rounding.
func LevelAt(reserve float64) *Level {
	for i := range levels {
		if reserve < levels[i].ReserveBelow || levels[i].ReserveBelow == 0 {
			return &levels[i]
		}
	}
	return &levels[len(levels)-1]
}

// leads decides whether heart rate may give targets.
func (w *writer) leads() {
	switch p := w.p; {
	case p.Drug == "yes":
		w.hold = "a rate-limiting drug is taken: heart rate does not follow effort as the formulas expect"
	case p.Rhythm == "atrial-fibrillation", p.Rhythm == "paced", p.Rhythm == "heart-transplant", p.Rhythm == "sci-t6-or-above", p.Rhythm == "other":
		w.hold = "rhythm: " + strings.ReplaceAll(p.Rhythm, "-", " ") + "; heart rate does not follow effort"
	case p.Drug != "no":
		w.caution("drug-unknown", ownChoice, "whether a rate-limiting drug is taken is not recorded; if one is, heart-rate targets are too high")
	}
	w.out.Leads = "heart rate"
	if w.hold != "" || w.rec.Leads != "" || w.p.RestHR == 0 || w.p.MaxHR == 0 {
		w.out.Leads = "exertion and work rate" // without a heart-rate target something else has to lead
	}
}

// caps finds the highest heart rate that a target may have.
func (w *writer) caps() {
	p := w.p
	take := func(v float64, by string) {
		if v > 0 && (w.cap == 0 || v < w.cap) {
			w.cap, w.capBy = v, by
		}
	}
	highest := p.HighestHR
	if highest == 0 {
		for _, s := range p.Stages {
			highest = max(highest, s.HR)
		}
	}
	take(highest, "the highest heart rate reached without symptoms")
	if p.ICDRate > 0 {
		take(p.ICDRate-numbers["icd-margin"].value, "the margin below the defibrillator's detection rate")
	}
	if p.IschaemiaHR > 0 {
		take(p.IschaemiaHR-numbers["ischaemia-margin"].value, "the margin below the heart rate at which ischaemia began")
	}
}

func some(v float64) *float64 { return &v }

func (w *writer) add(t Target) {
	if t.Notes == nil {
		t.Notes = []string{}
	}
	w.out.Targets = append(w.out.Targets, t)
	if t.Unit == "W" || t.Unit == "m/min" || t.Unit == "%" && strings.HasPrefix(t.ID, "walk") {
		w.out.WorkRates = append(w.out.WorkRates, t)
	}
}

func (w *writer) targets() {
	from, to := w.out.ReserveFrom/100, w.out.ReserveTo/100
	low, high := w.heartRate(from, to)
	w.share()
	level := LevelAt(100 * (from + to) / 2)
	rpe := Target{ID: "exertion", What: "exertion, 6 to 20", Low: some(w.rec.StartRPEFrom), High: some(w.rec.StartRPETo), Leads: w.out.Leads != "heart rate", Source: w.rec.Source}
	if w.out.ReserveFrom != w.rec.StartReserveFrom || w.out.ReserveTo != w.rec.StartReserveTo {
		rpe.Low, rpe.High, rpe.Source = some(level.RPEFrom), some(level.RPETo), level.Source
	}
	w.add(rpe)
	w.uptake(from, to, level)
	w.ownLine(low, high)
	w.byExertion(*rpe.Low, *rpe.High)
	w.equation(from, to)
}

// heartRate gives the target by reserve; nil when withheld.
func (w *writer) heartRate(from, to float64) (low, high *float64) {
	p := w.p
	t := Target{ID: "heart-rate-reserve", What: "heart rate by reserve", Unit: "/min", Leads: w.out.Leads == "heart rate", Source: "rest + share × (maximal - rest), as printed in the ACSM guidelines"}
	switch {
	case w.hold != "":
		t.Withheld = w.hold
	case p.RestHR == 0 || p.MaxHR == 0:
		t.Withheld = "resting and maximal heart rate are needed"
	default:
		l, _ := HeartRateAt(from, p.RestHR, p.MaxHR)
		h, _ := HeartRateAt(to, p.RestHR, p.MaxHR)
		t.Low, t.High = &l, &h
		if p.MaxHRSD > 0 {
			t.LowSD, t.HighSD = some(from*p.MaxHRSD), some(to*p.MaxHRSD)
		}
		w.lower(&t)
		t.Notes = append(t.Notes, "maximal heart rate: "+p.MaxHRSource)
	}
	w.add(t)
	return t.Low, t.High
}

// lower lowers a heart-rate target to the cap.
func (w *writer) lower(t *Target) {
	if w.cap == 0 || *t.High <= w.cap {
		return
	}
	t.Notes = append(t.Notes, fmt.Sprintf("upper end lowered from %.0f to %.0f: %s", *t.High, w.cap, w.capBy))
	t.High = some(w.cap)
	if *t.Low > w.cap {
		t.Low = some(w.cap)
		w.caution("band-above-cap", ownChoice, "the whole band lies above %.0f /min, %s: choose a lower band", w.cap, w.capBy)
	}
}

// share is the band of the level in percent of maximal heart rate.
func (w *writer) share() {
	level := LevelAt((w.out.ReserveFrom + w.out.ReserveTo) / 2)
	t := Target{ID: "heart-rate-max", What: "heart rate by percent of maximum (" + level.Name + ")", Unit: "/min", Source: level.Source}
	switch {
	case w.hold != "":
		t.Withheld = w.hold
	case w.p.MaxHR == 0:
		t.Withheld = "maximal heart rate is needed"
	default:
		below := level.HRMaxBelow
		if below == 0 {
			below = 100
		}
		t.Low, t.High = some(level.HRMaxFrom/100*w.p.MaxHR), some(below/100*w.p.MaxHR)
		if w.p.MaxHRSD > 0 {
			t.LowSD, t.HighSD = some(level.HRMaxFrom/100*w.p.MaxHRSD), some(below/100*w.p.MaxHRSD)
		}
		w.lower(&t)
	}
	w.add(t)
}

func (w *writer) uptake(from, to float64, level *Level) {
	t := Target{ID: "uptake-reserve", What: "oxygen uptake by reserve", Unit: "mL/kg/min", Source: "3.5 + share × (peak - 3.5), as printed in the ACSM guidelines"}
	m := Target{ID: "mets", What: "METs", Unit: "MET", Source: "uptake / 3.5"}
	l, err := UptakeAt(from, w.p.VO2Peak)
	h, _ := UptakeAt(to, w.p.VO2Peak)
	switch {
	case w.p.VO2Peak == 0:
		t.Withheld = "a peak oxygen uptake is needed"
	case err != nil:
		t.Withheld = err.Error()
	default:
		met := numbers["rest-vo2"].value
		t.Low, t.High, t.LowSD, t.HighSD = &l, &h, some(from*w.p.SEE), some(to*w.p.SEE)
		m.Low, m.High, m.LowSD, m.HighSD = some(l/met), some(h/met), some(from*w.p.SEE/met), some(to*w.p.SEE/met)
		bandFrom, bandBelow := level.METs(w.p.AgeYears)
		m.Notes = []string{fmt.Sprintf("lists of activities print %s as %.1f to below %.1f METs at this age (from memory); the own capacity counts", level.Name, bandFrom, bandBelow)}
	}
	m.Withheld = t.Withheld
	w.add(t)
	w.add(m)
}

// ownLine reads the work rate from the person's own heart rate on the tested machine.
func (w *writer) ownLine(low, high *float64) {
	t := Target{ID: "work-own-line", What: "work rate on the tested machine by the own heart-rate line", Unit: "W", Leads: w.out.Leads == "heart rate", Source: "least squares through the own steady stages"}
	line, err := OwnLine(w.p.Stages)
	switch {
	case w.hold != "":
		t.Withheld = w.hold
	case len(w.p.Stages) == 0:
		t.Withheld = "the steady stages of the test are needed"
	case err != nil:
		t.Withheld = err.Error()
	case low == nil:
		t.Withheld = "a heart-rate target is needed"
	default:
		l, outL := line.WorkAt(*low)
		h, outH := line.WorkAt(*high)
		t.Low, t.High = &l, &h
		sd := func(hrSD *float64) *float64 {
			s := 0.0
			if hrSD != nil {
				s = *hrSD
			}
			return some(math.Hypot(s, line.SD) / line.B)
		}
		hr := w.out.Targets[0]
		t.LowSD, t.HighSD = sd(hr.LowSD), sd(hr.HighSD)
		if outL || outH {
			t.Notes = append(t.Notes, fmt.Sprintf("extrapolated: the line gives %.0f to %.0f W, tested were %g to %g W", l, h, line.Lowest, line.Highest))
		}
		w.withinTested(&t, line.Lowest, line.Highest)
	}
	if err == nil {
		w.out.Line = &line
	}
	w.add(t)
}

// withinTested starts no higher than the highest tested stage, and at no work rate below 0.
func (w *writer) withinTested(t *Target, lowest, highest float64) {
	if *t.High > highest {
		t.High = some(highest)
		t.Notes = append(t.Notes, fmt.Sprintf("start no higher than the highest tested stage, %g W", highest))
	}
	if *t.Low > highest {
		t.Low = some(highest)
	}
	if *t.Low < 0 {
		t.Low = some(0)
	}
	if *t.High < lowest {
		w.caution("below-tested", ownChoice, "the target lies below the lightest tested stage of %g W; begin there only if it is felt as light", lowest)
	}
	if *t.High < 0 {
		t.Low, t.High, t.Withheld = nil, nil, "the heart-rate target is below that of the machine without load"
	}
}

// byExertion reads the work rate between the stages whose exertion lies around the target.
func (w *writer) byExertion(from, to float64) {
	t := Target{ID: "work-exertion", What: "work rate on the tested machine by exertion", Unit: "W", Leads: w.out.Leads != "heart rate", Source: "read between the own stages"}
	rated := w.rated()
	if len(rated) == 0 || rated[0].RPE > to {
		t.Withheld = "no stage of the test was felt like this"
		w.add(t)
		return
	}
	t.Low, t.High = some(workAtRPE(rated, from)), some(workAtRPE(rated, to))
	if perW := exertionPerW(rated); perW > 0 {
		sd := numbers["exertion-sem"].value / perW
		t.LowSD, t.HighSD = &sd, some(sd)
		t.Notes = append(t.Notes, "a rating differs from day to day; its error is from memory")
	} else {
		t.Notes = append(t.Notes, "a rating differs from day to day; one stage does not tell by how many watts")
	}
	w.add(t)
}

// exertionPerW is how much the rating rises for each W over the rated stages; 0 when it cannot be told.
func exertionPerW(rated []Stage) float64 {
	first, last := rated[0], rated[len(rated)-1]
	if last.WorkW > first.WorkW && last.RPE > first.RPE {
		return (last.RPE - first.RPE) / (last.WorkW - first.WorkW)
	}
	return 0
}

// rated are the stages with a rating, the lightest first.
func (w *writer) rated() (all []Stage) {
	for _, s := range w.p.Stages {
		if s.RPE > 0 {
			all = append(all, s)
		}
	}
	slices.SortStableFunc(all, func(a, b Stage) int { return cmp.Compare(a.WorkW, b.WorkW) })
	return all
}

// workAtRPE is the work rate at a rating, between two stages; never beyond those that were ridden.
func workAtRPE(rated []Stage, rpe float64) float64 {
	for i := len(rated) - 1; i >= 0; i-- {
		s := rated[i]
		if s.RPE > rpe {
			continue
		}
		if i+1 < len(rated) {
			next := rated[i+1]
			return s.WorkW + (next.WorkW-s.WorkW)*(rpe-s.RPE)/(next.RPE-s.RPE)
		}
		return s.WorkW
	}
	return rated[0].WorkW
}

// equation inverts a metabolic equation where one is valid.
func (w *writer) equation(from, to float64) {
	p := w.p
	t := Target{ID: "work-equation", What: "work rate by the metabolic equation", Unit: "W", Source: numbers["cycle-base"].source}
	l, errL := UptakeAt(from, p.VO2Peak)
	h, errH := UptakeAt(to, p.VO2Peak)
	switch {
	case p.Machine != Cycle && p.Machine != Arm && p.Machine != Walk:
		t.Withheld = "no metabolic equation exists for the " + orMachine(p.Machine) + "; a percentage of a treadmill uptake sets no load there"
	case errL != nil || errH != nil || p.VO2Peak == 0:
		t.Withheld = "a peak oxygen uptake is needed"
	case p.Machine == Walk:
		w.walk(l, h)
		return
	case p.MassKg == 0:
		t.Withheld = "body mass is needed"
	default:
		low, errLow := WorkFor(p.Machine, l, p.MassKg)
		high, errHigh := WorkFor(p.Machine, h, p.MassKg)
		for _, err := range []error{errLow, errHigh} {
			if err != nil && !errors.Is(err, ErrOutside) {
				t.Withheld = err.Error()
			} else if err != nil {
				t.Notes = append(t.Notes, err.Error())
			}
		}
		if t.Withheld == "" {
			per := numbers[p.Machine+"-per-w"].value
			sd := func(f, uptake float64) *float64 {
				return some(math.Hypot(f*p.SEE, numbers["cycle-error"].value/100*uptake) * p.MassKg / per)
			}
			t.Low, t.High, t.LowSD, t.HighSD = &low, &high, sd(from, l), sd(to, h)
			w.belowHighest(&t)
		}
	}
	w.add(t)
}

// belowHighest starts no higher than the highest stage of the test, where there is one.
func (w *writer) belowHighest(t *Target) {
	highest := 0.0
	for _, s := range w.p.Stages {
		highest = max(highest, s.WorkW)
	}
	if highest == 0 || *t.High <= highest {
		return
	}
	t.Notes = append(t.Notes, fmt.Sprintf("the equation gives %.0f to %.0f W; start no higher than the highest tested stage, %g W", *t.Low, *t.High, highest))
	t.Low, t.High = some(min(*t.Low, highest)), some(highest)
}

func orMachine(name string) string {
	if name == "" {
		return "machine, which is not named"
	}
	return name
}

func (w *writer) walk(l, h float64) {
	t := Target{ID: "walk-speed", What: "walking speed on the level", Unit: "m/min", Source: numbers["walk-speed"].source}
	low, errL := WalkSpeedFor(l)
	high, errH := WalkSpeedFor(h)
	t.Low, t.High = &low, &high
	for _, err := range []error{errL, errH} {
		if err != nil {
			t.Notes = append(t.Notes, err.Error()+"; use a grade")
		}
	}
	w.add(t)
	if w.p.Speed == 0 {
		return
	}
	g := Target{ID: "walk-grade", What: fmt.Sprintf("grade at %g m/min", w.p.Speed), Unit: "%", Source: t.Source}
	gl, errL := WalkGradeFor(l, w.p.Speed)
	gh, errH := WalkGradeFor(h, w.p.Speed)
	if errH != nil {
		g.Withheld = errH.Error()
	} else {
		if errL != nil {
			gl = 0
			g.Notes = []string{"the lower end is on the level"}
		}
		g.Low, g.High = some(100*gl), some(100*gh)
	}
	w.add(g)
}

// volume holds the dose of the plan against the recommended one.
func (w *writer) volume() {
	middle, err := UptakeAt((w.out.ReserveFrom+w.out.ReserveTo)/200, w.p.VO2Peak)
	if err != nil {
		return
	}
	mets, from, to := middle/numbers["rest-vo2"].value, numbers["week-from"], numbers["week-to"]
	v := &Volume{Low: from.value, High: to.value, MinutesLow: from.value / mets, MinutesHigh: to.value / mets, Source: from.source}
	if n := len(w.out.Weeks); n > 0 {
		v.First, v.Last = w.out.Weeks[0].METMinutes, w.out.Weeks[n-1].METMinutes
		if v.Last != nil && *v.Last < v.Low {
			w.caution("volume", from.source, "the plan ends with about %.0f MET-min a week, below the %g to %g recommended for adults; with a low capacity METs tell little of the effort, the share of reserve counts", *v.Last, v.Low, v.High)
		}
	}
	w.out.Volume = v
}

// finish adds what always holds.
func (w *writer) finish() {
	r := w.rec
	w.volume()
	if r.Cautions != "" {
		w.caution("condition", r.Source, "%s: %s", r.Title, r.Cautions)
	}
	if w.hold != "" {
		w.caution("heart-rate-withheld", "order of targets with rate-limiting drugs or an irregular rhythm: ACSM guidelines and trials", "no heart-rate target: %s. Exertion and the work rate of the test lead", w.hold)
	}
	w.caution("adapt", ownChoice, "a proposal: adapt it to local policy and to the person")
	w.out.Sources = append(w.out.Sources, r.Title+": "+r.Source+" ("+r.How+")")
	for _, t := range w.out.Targets {
		if t.Low != nil && t.Source != r.Source && !slices.Contains(w.out.Sources, t.Source) {
			w.out.Sources = append(w.out.Sources, t.Source)
		}
	}
}
