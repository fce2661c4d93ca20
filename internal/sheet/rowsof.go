package sheet

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"gradus/conduct"
	"gradus/exact"
	"gradus/protocol"
)

// Phase is the part of a test a row belongs to.
type Phase uint8

// The parts of a test.
const (
	Stage Phase = iota
	CoolDown
	Recovery
)

// Row is a row of a sheet as it was understood. Numbers that are not there are nil.
type Row struct {
	Line        int
	Phase       Phase
	Stage       int         // from 1, with Phase Stage
	Minute      float64     // of the test, at its end
	StageMinute float64     // of the stage, at its end
	Began       float64     // minute of the test at which its stage began
	At          protocol.Ms // Minute as test time
	In          int         // index of the stage in the conductor's state; -1: none

	Work, Level, HR, RPE, SBP, DBP, SpO2, Cadence *float64
	Speed, Grade, Distance, Breathless            *float64 // km/h, %, m, 0 to 10
	Rest                                          *float64 // s, up to the row's minute

	Disturbed bool
	Symptoms  []Symptom
	Note      string
}

// Symptom is a stop sign that a row tells of; Text is what was written.
type Symptom struct{ Sign, Text string }

// Stop is the reason to stop as the sheet gives it.
type Stop struct {
	Code, Text string
	Given      bool
}

// rowReader reads the rows of a test in order.
type rowReader struct {
	t       *test
	p       *protocol.Protocol
	mets    bool // the machine shows no watts
	byStage bool // minutes count within the stage
	out     []Row
	stop    Stop
	stopAt  *line

	began float64 // minute at which the stage of the row before began
}

// readRows understands the rows of a test; what is wrong is noted in the test.
func readRows(t *test, p *protocol.Protocol, machine conduct.Shows) (all []Row, stop Stop) {
	r := &rowReader{t: t, p: p, mets: machine.NoWatts()}
	if !r.whichMinute() || !r.columns() {
		return nil, r.stop
	}
	for i := range t.lines {
		l := &t.lines[i]
		row := Row{Line: l.n, In: -1}
		if !r.stage(l, &row) || !r.minute(l, &row) {
			continue
		}
		r.values(l, &row)
		r.symptoms(l, &row)
		r.reason(l)
		row.Note = t.cell(l, "note")
		r.out = append(r.out, row)
	}
	return r.out, r.stop
}

// whichMinute finds out how the test counts minutes; it is one way or the other.
func (r *rowReader) whichMinute() bool {
	columns := []string{"minute", "stage_minute"}
	var first [2]*line
	for i := range r.t.lines {
		for k, column := range columns {
			if first[k] == nil && r.t.cell(&r.t.lines[i], column) != "" {
				first[k] = &r.t.lines[i]
			}
		}
	}
	switch {
	case first[0] != nil && first[1] != nil:
		r.t.faultAt(first[1], "stage_minute", "minute and stage_minute are both filled in; keep one of the two")
		return false
	case first[0] == nil && first[1] == nil:
		column := "minute"
		if _, ok := r.t.sheet.at[column]; !ok {
			column = "stage_minute"
		}
		r.t.faultAt(&r.t.lines[0], column, "is missing; say at the end of which minute the reading was taken")
		return false
	}
	r.byStage = first[1] != nil
	return true
}

// columns looks for the columns without which a test of this protocol cannot be read.
func (r *rowReader) columns() bool {
	need := map[string]bool{}
	for i := range r.p.Parts {
		need["work_w"] = need["work_w"] || !r.mets && watts(r.p.Parts[i].Work.Form())
		for _, planned := range r.p.SetOf(i) {
			need["hr_bpm"] = need["hr_bpm"] || planned.What == protocol.HeartRate && planned.Need == protocol.Required
		}
	}
	ok := true
	for _, column := range []string{"work_w", "hr_bpm"} {
		if _, there := r.t.sheet.at[column]; need[column] && !there {
			r.t.faultAt(&r.t.lines[0], column, "there is no column of this name; protocol %s needs it", r.p.ID)
			ok = false
		}
	}
	return ok
}

// watts reports whether a form of work is a power.
func watts(form string) bool {
	return form == "fixed" || form == "row" || form == "added" || form == "chosen"
}

func (r *rowReader) last() *Row {
	if len(r.out) == 0 {
		return nil
	}
	return &r.out[len(r.out)-1]
}

func (r *rowReader) stage(l *line, row *Row) bool {
	text := r.t.cell(l, "stage")
	number := strings.TrimSpace(strings.TrimPrefix(strings.ToLower(text), "stage"))
	n, err := strconv.Atoi(strings.TrimSuffix(number, ".0"))
	means, phase := whole("stage", text)
	switch {
	case text == "":
		r.t.faultAt(l, "stage", "is missing; write its number, cool-down or recovery")
		return false
	case phase && means == "cool-down":
		row.Phase = CoolDown
	case phase:
		row.Phase = Recovery
	case err != nil || n < 1:
		r.t.faultAt(l, "stage", "%q is not known; write the number of the stage from 1, cool-down or recovery", text)
		return false
	case partOf(r.p, n) < 0:
		r.t.faultAt(l, "stage", "protocol %s has no stage %d", r.p.ID, n)
		return false
	default:
		row.Stage = n
	}
	if last := r.last(); last != nil && row.Phase < last.Phase {
		r.t.faultAt(l, "stage", "%s comes after %s in line %d; check the order", stageText(row), stageText(last), last.Line)
		return false
	}
	return true
}

// partOf is the part of a protocol that stage n is, or -1. Stages beyond the planned ones are the part that
// the examiner may ask for, repeated.
func partOf(p *protocol.Protocol, n int) int {
	planned := 0
	for i := range p.Parts {
		if p.Parts[i].If == "asked" {
			if n > planned && n <= planned+max(1, p.Parts[i].AtMost) {
				return i
			}
			return -1
		}
		if planned++; planned == n {
			return i
		}
	}
	return -1
}

func stageText(row *Row) string {
	switch row.Phase {
	case CoolDown:
		return "cool-down"
	case Recovery:
		return "recovery"
	}
	return fmt.Sprintf("stage %d", row.Stage)
}

// minute places a row in time. A stage begins where the one before ended.
func (r *rowReader) minute(l *line, row *Row) bool {
	column := "minute"
	if r.byStage {
		column = "stage_minute"
	}
	text := r.t.cell(l, column)
	if text == "" {
		r.t.faultAt(l, column, "is missing; say at the end of which minute the reading was taken")
		return false
	}
	v, msg := numberOf(text, r.t.sheet.decimalComma)
	if msg == "" && !(v > 0 && v <= limits["longest_test"]) {
		msg = fmt.Sprintf("%g is not between 0 and %g; minute 1 ends one minute after the start", v, limits["longest_test"])
	}
	if msg != "" {
		r.t.faultAt(l, column, "%s", msg)
		return false
	}
	last := r.last()
	next := last == nil || last.Phase != row.Phase || last.Stage != row.Stage
	if next && last != nil {
		r.began = r.begins(last, row, v)
	}
	row.Minute, row.Began = v, r.began
	if r.byStage {
		row.Minute += r.began
	}
	row.StageMinute = row.Minute - r.began
	switch {
	case last != nil && row.Minute < last.Minute:
		r.t.faultAt(l, column, "%s comes after %s in line %d; minutes must not go back, check the order", num(v), num(v+last.Minute-row.Minute), last.Line)
		return false
	case next && last != nil && row.Minute == last.Minute:
		r.t.faultAt(l, column, "%s is the last minute of %s, in line %d; the next one begins after it", num(v), stageText(last), last.Line)
		return false
	case row.Minute > limits["longest_test"]:
		r.t.faultAt(l, column, "the test would last %g minutes; check the entry", row.Minute)
		return false
	}
	row.At = testTime(row.Minute)
	return true
}

// testTime is a minute of the test as test time.
func testTime(minute float64) protocol.Ms {
	return protocol.Ms(math.Round(minute * float64(protocol.Minute)))
}

// begins is the minute at which a stage begins: where the rows of the one before end. Where those end before the
// planned end of their stage, and the next reading comes no earlier than if the stage had been ridden to it, the
// stage was ridden and its last reading is missing.
func (r *rowReader) begins(last, row *Row, v float64) float64 {
	if last.Phase != Stage || row.Phase != Stage {
		return last.Minute
	}
	planned := r.began + minutes(r.p.Parts[partOf(r.p, last.Stage)].Lasts)
	if last.Minute < planned && (r.byStage || v-planned >= r.firstReading(row)) {
		return planned
	}
	return last.Minute
}

// firstReading is the stage minute of the first planned heart rate of the stage of a row.
func (r *rowReader) firstReading(row *Row) float64 {
	for _, planned := range r.p.SetOf(partOf(r.p, row.Stage)) {
		if planned.What == protocol.HeartRate {
			return minutes(planned.At)
		}
	}
	return 0
}

// value reads a number and checks that it can be true.
func (r *rowReader) value(l *line, column string, what protocol.Quantity, name string) *float64 {
	text := r.t.cell(l, column)
	if text == "" {
		return nil
	}
	v, msg := numberOf(text, r.t.sheet.decimalComma)
	fence := protocol.FenceOf(what)
	unit := fence.Unit
	if unit != "" {
		unit = " " + unit
	}
	switch {
	case msg != "":
	case v > fence.High:
		msg = fmt.Sprintf("%s %s%s is above %s; check the entry", name, num(v), unit, num(fence.High))
	case !(v >= fence.Low):
		msg = fmt.Sprintf("%s %s%s is below %s; check the entry", name, num(v), unit, num(fence.Low))
	}
	if msg != "" {
		r.t.faultAt(l, column, "%s", msg)
		return nil
	}
	return &v
}

// level reads what the machine shows beside the watts.
func (r *rowReader) level(l *line) *float64 {
	text := r.t.cell(l, "level")
	if text == "" {
		return nil
	}
	v, msg := numberOf(text, r.t.sheet.decimalComma)
	if msg == "" && !(v > 0 && v <= limits["highest_level"]) {
		msg = fmt.Sprintf("level %s is not between 0 and %s; check the entry", num(v), num(limits["highest_level"]))
	}
	if msg != "" {
		r.t.faultAt(l, "level", "%s", msg)
		return nil
	}
	return &v
}

// rest reads how long the participant stood still up to the minute of the row, in s. Only a plan whose clock runs on
// through a rest has them.
func (r *rowReader) rest(l *line, row *Row) *float64 {
	text := r.t.cell(l, "rest_s")
	if text == "" {
		return nil
	}
	since := row.Began
	if last := r.last(); last != nil && last.Phase == Stage && last.Stage == row.Stage {
		since = last.Minute
	}
	longest := math.Round((row.Minute - since) * 60)
	v, msg := numberOf(text, r.t.sheet.decimalComma)
	switch {
	case msg != "":
	case row.Phase != Stage || r.p.Breaks.Is():
		msg = "a rest is counted where the clock runs on through it, as in walks; leave it blank and write a note"
	case !(v >= 0):
		msg = fmt.Sprintf("%s s cannot be; check the entry", num(v))
	case v > longest:
		msg = fmt.Sprintf("a rest of %s s is longer than the %s s since the row before; write it in the row at whose minute it ended", num(v), num(longest))
	}
	if msg != "" {
		r.t.faultAt(l, "rest_s", "%s", msg)
		return nil
	}
	if v == 0 {
		return nil
	}
	return &v
}

func (r *rowReader) values(l *line, row *Row) {
	row.Work = r.value(l, "work_w", protocol.WorkRate, "work rate")
	row.Level = r.level(l)
	row.HR = r.value(l, "hr_bpm", protocol.HeartRate, "heart rate")
	row.RPE = r.value(l, "rpe", protocol.RPE, "exertion")
	row.SBP = r.value(l, "sbp_mmhg", protocol.BloodPressure, "systolic pressure")
	row.DBP = r.value(l, "dbp_mmhg", protocol.BloodPressure, "diastolic pressure")
	row.SpO2 = r.value(l, "spo2_percent", protocol.SpO2, "oxygen saturation")
	row.Cadence = r.value(l, "cadence_per_min", protocol.CadenceRate, "cadence")
	row.Distance = r.value(l, "distance_m", protocol.Distance, "distance")
	row.Breathless = r.value(l, "breathlessness", protocol.Breathless, "breathlessness")
	r.speed(l, row)
	row.Rest = r.rest(l, row)
	switch {
	case row.DBP != nil && r.t.cell(l, "sbp_mmhg") == "":
		r.t.faultAt(l, "sbp_mmhg", "systolic pressure is missing beside the diastolic; enter both")
	case row.DBP != nil && row.SBP != nil && *row.DBP >= *row.SBP:
		r.t.faultAt(l, "dbp_mmhg", "diastolic pressure %s is not below systolic %s; were the two swapped?", num(*row.DBP), num(*row.SBP))
	}
	if text := r.t.cell(l, "disturbed"); text != "" {
		means, ok := whole("yes-no", text)
		if !ok {
			r.t.faultAt(l, "disturbed", "%q is neither yes nor no", text)
		}
		row.Disturbed = means == "yes"
	}
	r.firstOfStage(l, row)
	r.twice(l, row)
}

// speed reads the speed and grade of a treadmill.
func (r *rowReader) speed(l *line, row *Row) {
	bounded := func(column string, low, high float64) *float64 {
		text := r.t.cell(l, column)
		if text == "" {
			return nil
		}
		v, msg := numberOf(text, r.t.sheet.decimalComma)
		if msg == "" && !(v >= low && v <= high) {
			msg = fmt.Sprintf("%g is not between %g and %g; check the entry", v, low, high)
		}
		if msg != "" {
			r.t.faultAt(l, column, "%s", msg)
			return nil
		}
		return &v
	}
	row.Speed, row.Grade = bounded("speed_kmh", limits["lowest_speed"], limits["highest_speed"]), bounded("grade_percent", 0, limits["highest_grade"])
	if mph := bounded("speed_mph", limits["lowest_speed"], limits["highest_speed"]/protocol.KmhPerMph); mph != nil {
		if row.Speed != nil {
			r.t.faultAt(l, "speed_mph", "speed_kmh and speed_mph are both filled in; keep one of the two")
		}
		v := *mph * protocol.KmhPerMph
		row.Speed = &v
	}
}

// firstOfStage wants the work rate of a stage in its first row.
func (r *rowReader) firstOfStage(l *line, row *Row) {
	last := r.last()
	if row.Phase != Stage || last != nil && last.Phase == Stage && last.Stage == row.Stage {
		return
	}
	if row.Work == nil && !r.mets && r.t.cell(l, "work_w") == "" && watts(r.p.Parts[partOf(r.p, row.Stage)].Work.Form()) {
		r.t.faultAt(l, "work_w", "is missing; the first row of a stage must say its work rate")
	}
}

// twice refuses a second heart rate at the same minute, unless the first was disturbed.
func (r *rowReader) twice(l *line, row *Row) {
	for i := len(r.out) - 1; i >= 0 && r.out[i].Minute == row.Minute; i-- {
		if before := &r.out[i]; row.HR != nil && before.HR != nil && !row.Disturbed && !before.Disturbed {
			r.t.faultAt(l, "hr_bpm", "line %d has a heart rate for the same minute already; mark one of them disturbed, or put the minute right", before.Line)
			return
		}
	}
}

// symptoms reads the signs a row tells of; several are separated by semicolon, comma, plus or stroke.
func (r *rowReader) symptoms(l *line, row *Row) {
	text := r.t.cell(l, "symptom")
	for _, piece := range strings.FieldsFunc(text, func(c rune) bool { return c == ';' || c == ',' || c == '+' || c == '/' }) {
		piece = strings.TrimSpace(piece)
		if plainText(piece) == "" {
			continue
		}
		for _, id := range r.signsIn(l, piece) {
			row.Symptoms = append(row.Symptoms, Symptom{id, piece})
		}
	}
}

func (r *rowReader) signsIn(l *line, piece string) []string {
	if id := signNamed(r.p, piece); id != "" {
		return []string{id}
	}
	if means, ok := whole("symptom", piece); ok && means == "none" {
		return nil
	}
	if denies(piece) {
		r.t.notice(l.n, r.t.sheet.at["symptom"], "symptom", "%q is read as no symptom", piece)
		return nil
	}
	var ids []string
	for _, id := range within("symptom", piece) {
		if r.p.SignIndex(id) >= 0 {
			ids = append(ids, id)
		}
	}
	if len(ids) == 0 && r.p.SignIndex("other-symptom") >= 0 {
		ids = []string{"other-symptom"}
	}
	if len(ids) == 0 {
		r.t.notice(l.n, r.t.sheet.at["symptom"], "symptom", "%q is no sign of protocol %s; it is kept as a note", piece, r.p.ID)
	}
	return ids
}

// signNamed finds a stop sign by its id or its own words.
func signNamed(p *protocol.Protocol, text string) string {
	want := plainText(text)
	for i := range p.Table {
		if plainText(p.Table[i].ID) == want || plainText(p.Table[i].Text) == want {
			return p.Table[i].ID
		}
	}
	return ""
}

// reason reads why the test was stopped.
func (r *rowReader) reason(l *line) {
	text := r.t.cell(l, "stop_reason")
	if text == "" {
		return
	}
	if r.stop.Given {
		if text != r.stop.Text {
			r.t.faultAt(l, "stop_reason", "%q here, %q in line %d; a test is stopped once", text, r.stop.Text, r.stopAt.n)
		}
		return
	}
	r.stop, r.stopAt = Stop{Code: reasonCode(r.p, text), Text: text, Given: true}, l
}

// reasonCode finds the code of a reason: a code itself, a stop sign, a known phrase, or other.
func reasonCode(p *protocol.Protocol, text string) string {
	want := plainText(text)
	for _, reason := range protocol.Reasons {
		if plainText(reason.Code) == want || plainText(reason.Text) == want {
			return reason.Code
		}
	}
	if id := signNamed(p, text); id != "" {
		return id
	}
	for _, code := range within("stop", text) {
		if _, ok := protocol.ReasonOf(code); ok || p.SignIndex(code) >= 0 {
			return code
		}
	}
	return "other"
}

// num prints a number without needless digits.
func num(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// beats is a heart rate as every rule uses it: a whole beat, halves upwards.
func beats(v float64) float64 { return exact.HalfUp(v) }
