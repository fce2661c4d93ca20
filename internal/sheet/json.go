package sheet

import (
	"encoding/json"
	"io"
	"strings"

	"gradus/conduct"
	"gradus/estimate"
	"gradus/protocol"
)

// WriteJSON writes the document {"tests": […]}: tests in the order of the files, numbers unrounded, absent
// parts null, lists never null. A test with faults has error in place of the rest.
func (s *Scores) WriteJSON(out io.Writer) error {
	tests := make([]any, len(s.Tests))
	for i, t := range s.Tests {
		if len(t.Faults) > 0 {
			tests[i] = failedJSON(t)
		} else {
			tests[i] = testJSON(t)
		}
	}
	enc := json.NewEncoder(out)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(struct {
		Tests []any `json:"tests"`
	}{tests})
}

type jsonFailed struct {
	Test   string      `json:"test"`
	File   string      `json:"file"`
	Error  string      `json:"error"` // the first
	Errors []jsonFault `json:"errors"`
	More   int         `json:"errors_not_listed"`
}

type jsonFault struct {
	Line   int    `json:"line"`
	Field  int    `json:"field"`
	Column string `json:"column"`
	Text   string `json:"text"`
}

func failedJSON(t *Scored) jsonFailed {
	out := jsonFailed{Test: t.ID, File: t.File, Error: t.Faults[0].Error(), More: t.Unsaid}
	for _, f := range t.Faults {
		out.Errors = append(out.Errors, jsonFault{f.Line, f.Field, f.Column, f.Msg})
	}
	return out
}

type jsonTest struct {
	Test           string              `json:"test"`
	File           string              `json:"file"`
	Participant    *string             `json:"participant"`
	Date           *string             `json:"date"`
	Time           *string             `json:"time"`
	Protocol       string              `json:"protocol"`
	ProtocolVer    string              `json:"protocol_version"`
	ProtocolHash   string              `json:"protocol_hash"`
	Inputs         jsonInputs          `json:"inputs"`
	Said           map[string]string   `json:"about"` // what else the sheet says about person and test, as written
	Stages         []jsonStage         `json:"stages"`
	Branch         *jsonBranch         `json:"branch"`
	End            *jsonEnd            `json:"end"`
	EndPoint       *float64            `json:"end_point_bpm"`
	EndBeat        *int                `json:"end_point_first_beat"`
	MaxHR          *float64            `json:"max_hr_bpm"`
	Formula        *string             `json:"max_hr_formula"`
	Limits         jsonLimits          `json:"limits"`
	Leads          string              `json:"leads"`
	Stop           *jsonStop           `json:"stop"`
	Ground         *jsonGround         `json:"ground"` // where the plan keeps a distance
	After          []jsonReading       `json:"after"`
	Estimate       *estimate.Result    `json:"estimate"`
	EstimateReason *string             `json:"estimate_reason"` // why estimate is null
	Estimates      []estimate.Compared `json:"estimates"`       // all, when the protocol names several; the leading one first
	Unfinished     *jsonUnfinished     `json:"unfinished"`
	Validity       jsonValidity        `json:"validity"`
	Departures     []jsonDeparture     `json:"departures"`
	Carried        map[string][]string `json:"carried"`
}

type jsonGround struct {
	DistanceM float64  `json:"distance_m"`
	CourseM   *float64 `json:"course_m"`
	LowSpO2   *float64 `json:"lowest_spo2_percent"`
	Rests     int      `json:"rests"`
	RestedS   float64  `json:"rested_s"`
}

type jsonInputs struct {
	Age       *float64 `json:"age_years"`
	Sex       *string  `json:"sex"`
	Mass      *float64 `json:"mass_kg"`
	Height    *float64 `json:"height_cm"`
	RestHR    *float64 `json:"rest_hr_bpm"`
	RestSBP   *float64 `json:"rest_sbp_mmhg"`
	RestDBP   *float64 `json:"rest_dbp_mmhg"`
	Drug      string   `json:"rate_limiting_drug"` // yes, no or unknown
	DrugName  *string  `json:"rate_limiting_drug_name"`
	Rhythm    *string  `json:"rhythm"`
	Condition []string `json:"condition"` // kinds: neurological, heart, lung, other
	Method    *string  `json:"hr_method"`
	Cadence   *float64 `json:"target_cadence_per_min"`
	Machine   *string  `json:"machine_id"`
	Shows     *string  `json:"machine_shows"`
}

type jsonStage struct {
	Stage    int           `json:"stage"`
	Part     string        `json:"part"`
	Work     float64       `json:"work_w"`
	Planned  float64       `json:"planned_w"`
	Level    *float64      `json:"level"` // as the machine shows it
	Minutes  float64       `json:"minutes"`
	Extra    int           `json:"extra_minutes"`
	Readings []jsonReading `json:"readings"`
	SteadyHR *float64      `json:"steady_hr_bpm"`
	LastHR   *float64      `json:"last_hr_bpm"`
	Steady   bool          `json:"steady"`
	Complete bool          `json:"complete"`
	Counted  bool          `json:"counted"`
	Mark     *string       `json:"mark"`
}

type jsonReading struct {
	Phase       string   `json:"phase"`
	Minute      float64  `json:"minute"`
	StageMinute float64  `json:"stage_minute"`
	Work        *float64 `json:"work_w"`
	HR          *float64 `json:"hr_bpm"`     // whole beats, as every rule uses it
	RawHR       *float64 `json:"hr_raw_bpm"` // as it stands in the sheet
	Disturbed   bool     `json:"disturbed"`
	RPE         *float64 `json:"rpe"`
	SBP         *float64 `json:"sbp_mmhg"`
	DBP         *float64 `json:"dbp_mmhg"`
	SpO2        *float64 `json:"spo2_percent"`
	Cadence     *float64 `json:"cadence_per_min"`
	Symptoms    []string `json:"symptoms"`
	Note        *string  `json:"note"`
}

type jsonBranch struct {
	HR      float64   `json:"hr_bpm"`
	Row     int       `json:"row"` // the row the reading calls for, from 1
	Planned []float64 `json:"planned_w"`
	Near    *int      `json:"near_row"`
	Ridden  *int      `json:"ridden_row"`
	RiddenW []float64 `json:"ridden_row_w"`
}

type jsonEnd struct {
	Work  float64 `json:"work_w"`
	HR    float64 `json:"hr_bpm"`
	Stage int     `json:"stage"`
}

type jsonLimits struct {
	Percent *float64 `json:"end_point_percent"`
	HR      *float64 `json:"hr_limit_bpm"`
	SBP     *float64 `json:"sbp_limit_mmhg"`
	SpO2    *float64 `json:"spo2_limit_percent"`
	RPE     *float64 `json:"rpe_limit"`
	RPEEnd  *float64 `json:"rpe_end"`
	By      *string  `json:"limits_by"`
	On      *string  `json:"limits_on"`
	Device  *float64 `json:"device_rate_bpm"`
	Below   *float64 `json:"device_margin_bpm"` // with a device's rate: how far below it the test stays
	Ischaem *float64 `json:"ischaemia_hr_bpm"`
	HRFrom  *string  `json:"hr_limit_from"` // given, device or ischaemia: which one is in force
	HRWhy   *string  `json:"hr_limit_why"`  // and whose it is
	Cover   *string  `json:"medical_cover"`
}

type jsonStop struct {
	Minute float64 `json:"minute"`
	Code   string  `json:"code"`
	Text   string  `json:"text"`
	Given  *string `json:"given"` // as the sheet says it; null when it gives no reason
}

type jsonUnfinished struct {
	Stage int             `json:"stage"`
	Work  float64         `json:"work_w"`
	HR    float64         `json:"hr_bpm"`
	Value estimate.Number `json:"value"`
}

type jsonValidity struct {
	Verdict string             `json:"verdict"`
	Reasons []estimate.Caution `json:"reasons"`
}

type jsonDeparture struct {
	Minute int          `json:"minute"`
	Stage  *int         `json:"stage"`
	Text   string       `json:"text"`
	Rule   conduct.Rule `json:"rule"`
	Lowers bool         `json:"lowers"`
}

// some is a value that is there unless it is zero.
func some[T comparable](v T) *T {
	var zero T
	if v == zero {
		return nil
	}
	return &v
}

func textOf(m interface{ MarshalText() ([]byte, error) }) string {
	text, err := m.MarshalText()
	if err != nil {
		return ""
	}
	return string(text)
}

func minutes(at protocol.Ms) float64 { return float64(at) / float64(protocol.Minute) }

func testJSON(t *Scored) *jsonTest {
	l := &t.State.Limits
	out := &jsonTest{
		Test: t.ID, File: t.File, Participant: some(t.Person.Participant), Date: some(t.Person.Date), Time: some(t.Person.Said["time"]),
		Protocol: t.Protocol.ID, ProtocolVer: t.Protocol.Version, ProtocolHash: t.Protocol.Hash,
		Inputs: inputsJSON(t), Said: alsoSaid(t), Stages: []jsonStage{}, Branch: branchJSON(t), EndPoint: some(l.EndPoint), EndBeat: some(l.EndBeat),
		MaxHR: some(l.MaxHR), Formula: some(l.Formula), Leads: conduct.Next(t.Protocol, &t.State, t.State.Now).Leads,
		Limits:   limitsJSON(&t.State),
		Estimate: t.Judged.Estimate, Estimates: t.Judged.Compared, Validity: jsonValidity{t.Judged.Verdict, t.Judged.Reasons}, Departures: []jsonDeparture{},
		Ground: groundJSON(t), After: []jsonReading{}, Carried: map[string][]string{},
	}
	for i := range t.State.Stages[:t.State.NStages] {
		out.Stages = append(out.Stages, stageJSON(t, i))
	}
	if end := t.Judged.End; end != nil {
		out.End = &jsonEnd{end.WorkW, end.HR, t.number(end.Stage)}
	}
	if t.State.Stop.Active {
		out.Stop = &jsonStop{minutes(t.State.Stop.At), t.State.Stop.Code, reasonText(t.Protocol, t.State.Stop.Code), nil}
		if t.Stop.Given {
			out.Stop.Given = &t.Stop.Text
		}
	}
	if out.Estimate == nil {
		out.EstimateReason = &t.Judged.NoEstimate
	}
	if u := t.Judged.Unfinished; u != nil {
		out.Unfinished = &jsonUnfinished{t.number(u.Stage), u.WorkW, u.HR, u.Value}
	}
	for _, d := range t.Judged.Departures {
		var stage *int
		if d.Stage > 0 {
			n := t.number(d.Stage - 1)
			stage = &n
		}
		out.Departures = append(out.Departures, jsonDeparture{d.Minute, stage, d.Text, d.Rule, d.Lowers})
	}
	for i := range t.Rows {
		if t.Rows[i].Phase != Stage {
			out.After = append(out.After, readingJSON(&t.Rows[i]))
		}
	}
	for _, c := range t.Carried {
		out.Carried[c.Column] = append([]string{}, c.Texts...)
	}
	return out
}

// groundJSON is the distance of a test; nil where the plan keeps none.
func groundJSON(t *Scored) *jsonGround {
	s := &t.State
	m, ok := s.DistanceM(t.Protocol, s.Now)
	if !ok {
		return nil
	}
	rests, rested := s.RestsAt(s.Now)
	return &jsonGround{m, some(s.CourseM(t.Protocol, int(s.Stages[0].Part))), some(s.LowestSpO2()), rests, float64(rested) / 1000}
}

func limitsJSON(s *conduct.State) jsonLimits {
	l, in := &s.Limits, &s.In
	out := jsonLimits{some(l.Percent), some(l.HRLimit), some(l.SBPLimit), some(l.SpO2Limit), some(l.RPELimit), some(l.RPEEnd), some(in.LimitsBy), some(in.LimitsOn),
		some(in.DeviceRate), nil, some(in.IschaemiaHR), some(l.HRLimitOf.String()), some(conduct.HRLimitWhy(in, l)), some(textOf(in.Cover))}
	if in.DeviceRate > 0 {
		out.Below = some(in.Margin())
	}
	return out
}

// alsoSaid is what the sheet says that no other part of the document holds.
func alsoSaid(t *Scored) map[string]string {
	said := map[string]string{}
	for _, column := range []string{"condition", "rhythm", "drug_dose", "hours_since_dose", "ergometer", "examiner", "rpe_reason"} {
		if text := t.Person.Said[column]; text != "" {
			said[column] = text
		}
	}
	return said
}

func inputsJSON(t *Scored) jsonInputs {
	in := &t.State.In
	out := jsonInputs{some(in.AgeYears), some(textOf(in.Sex)), some(in.MassKg), some(in.HeightCm), some(in.RestHR), some(in.RestSBP), some(in.RestDBP),
		textOf(in.Drug), some(t.Person.DrugName), some(textOf(in.Rhythm)), kindsOf(in.Condition), some(textOf(in.HRMethod)), some(in.Cadence), some(in.MachineID), some(textOf(in.Machine))}
	if in.Drug == conduct.DrugNotRecorded {
		out.Drug = textOf(conduct.DrugNotKnown)
	}
	return out
}

func kindsOf(c conduct.Condition) []string {
	return strings.FieldsFunc(textOf(c), func(r rune) bool { return r == '+' })
}

func stageJSON(t *Scored, i int) jsonStage {
	st := &t.State.Stages[i]
	j := t.State.Judge(t.Protocol, i)
	part := &t.Protocol.Parts[st.Part]
	out := jsonStage{Stage: t.number(i), Part: part.ID, Work: st.Set, Planned: st.Planned, Level: some(st.Level), Minutes: minutes(st.Ended - st.Began),
		Readings: []jsonReading{}, Steady: j.Steady, Complete: j.Complete, Counted: j.Counts, Mark: some(part.Mark)}
	for _, extra := range st.Extra {
		out.Extra += int(extra)
	}
	if hr, _, ok := t.State.LastHeart(t.Protocol, i); ok {
		out.LastHR = &hr
		if j.Steady {
			out.SteadyHR = &hr
		}
	}
	for _, row := range t.rowsIn(i) {
		out.Readings = append(out.Readings, readingJSON(row))
	}
	return out
}

func readingJSON(row *Row) jsonReading {
	r := jsonReading{Phase: [...]string{"stage", "cool-down", "recovery"}[row.Phase], Minute: row.Minute, StageMinute: row.StageMinute,
		Work: row.Work, RawHR: row.HR, Disturbed: row.Disturbed, RPE: row.RPE, SBP: row.SBP, DBP: row.DBP, SpO2: row.SpO2, Cadence: row.Cadence,
		Symptoms: []string{}, Note: some(row.Note)}
	if row.HR != nil {
		whole := beats(*row.HR)
		r.HR = &whole
	}
	for _, s := range row.Symptoms {
		r.Symptoms = append(r.Symptoms, s.Sign)
	}
	return r
}

func branchJSON(t *Scored) *jsonBranch {
	row, hr, near := t.State.RowCalled(t.Protocol)
	if row == 0 {
		return nil
	}
	b := &jsonBranch{HR: hr, Row: row, Planned: rowWatts(t.Protocol, row), Near: some(near), RiddenW: []float64{}}
	if t.State.Row > 0 {
		ridden := int(t.State.Row)
		b.Ridden, b.RiddenW = &ridden, rowWatts(t.Protocol, ridden)
	}
	return b
}

func rowWatts(p *protocol.Protocol, row int) []float64 {
	watts := []float64{}
	for _, w := range p.Choose.It.Rows[row-1].Work {
		watts = append(watts, *w.Watts)
	}
	return watts
}

// reasonText says a reason to stop in words.
func reasonText(p *protocol.Protocol, code string) string {
	if r, ok := protocol.ReasonOf(code); ok {
		return r.Text
	}
	if i := p.SignIndex(code); i >= 0 {
		return p.Table[i].Text
	}
	return code
}

// Document is the test as WriteJSON writes it.
func (t *Scored) Document() any {
	if len(t.Faults) > 0 {
		return failedJSON(t)
	}
	return testJSON(t)
}
