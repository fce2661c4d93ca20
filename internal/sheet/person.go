package sheet

import (
	"fmt"
	"math"
	"math/big"
	"strings"
	"time"

	"gradus/conduct"
	"gradus/internal/rows"
	"gradus/physiology"
	"gradus/protocol"
	"gradus/screen"
)

// Person is what a sheet says about the participant and the test as a whole.
type Person struct {
	Participant string
	Date        string // year-month-day; "" when not recorded
	Protocol    string // its id
	DrugName    string // of the rate-limiting drug, where it is named
	Condition   string // as written
	Said        map[string]string
	In          conduct.Inputs
}

// personReader reads the cells about the person.
type personReader struct {
	t     *test
	today time.Time
	first map[string]*line // by column: the row where it stands
	out   Person
}

// readPerson collects the cells about the person; they need stand only once, and must agree.
func readPerson(t *test, today time.Time) *personReader {
	r := &personReader{t: t, today: today, first: map[string]*line{}}
	r.out.Said = map[string]string{}
	for _, column := range append(personColumns[:len(personColumns):len(personColumns)], conduct.AnswerNames()...) {
		for i := range t.lines {
			l := &t.lines[i]
			text := t.cell(l, column)
			if text == "" {
				continue
			}
			said := r.out.Said[column]
			switch {
			case said == "":
				r.first[column], r.out.Said[column] = l, text
			case said != text && !r.sameNumber(said, text):
				r.disagree(column, said, text, l)
			}
		}
	}
	return r
}

func (r *personReader) sameNumber(a, b string) bool {
	x, okX := rows.Number([]byte(a), r.t.sheet.decimalComma)
	y, okY := rows.Number([]byte(b), r.t.sheet.decimalComma)
	return okX && okY && x == y
}

func (r *personReader) disagree(column, said, text string, l *line) {
	if column == "participant" {
		r.t.faultAt(l, column, "two participants under one test: %q here, %q in line %d; give each test an id of its own", text, said, r.first[column].n)
		return
	}
	r.t.faultAt(l, column, "%q here, %q in line %d of the same test; it is said once, in the first row", text, said, r.first[column].n)
}

// fault names the cell in which a column stands, else the first row of the test.
func (r *personReader) fault(column, format string, args ...any) {
	l := r.first[column]
	if l == nil {
		l = &r.t.lines[0]
	}
	r.t.faultAt(l, column, format, args...)
}

func (r *personReader) notice(column, format string, args ...any) {
	r.t.notice(r.first[column].n, r.t.sheet.at[column], column, format, args...)
}

// number reads a cell as a number; ok is false when it is blank or wrong.
func (r *personReader) number(column string) (v float64, ok bool) {
	text := r.out.Said[column]
	if text == "" {
		return 0, false
	}
	v, msg := numberOf(text, r.t.sheet.decimalComma)
	if msg != "" {
		r.fault(column, "%s", msg)
		return 0, false
	}
	return v, true
}

// numberOf reads a number; msg says what is wrong with it.
func numberOf(text string, decimalComma bool) (v float64, msg string) {
	v, ok := rows.Number([]byte(text), decimalComma)
	switch {
	case ok:
		return v, ""
	case strings.Contains(text, ",") && !decimalComma:
		return 0, fmt.Sprintf("%q is not a number; write it with a decimal point", text)
	}
	return 0, fmt.Sprintf("%q is not a number; check the entry", text)
}

// read makes the inputs of the conductor.
func (r *personReader) read() Person {
	o := &r.out
	o.Participant, o.Condition, o.Protocol = o.Said["participant"], o.Said["condition"], o.Said["protocol"]
	date := r.date()
	r.age(date)
	r.sex()
	r.measure("mass_kg", "mass_lb", "lb", 0.5)
	r.measure("height_cm", "height_in", "in", 1)
	for _, column := range []string{"rest_hr_bpm", "rest_sbp_mmhg", "rest_dbp_mmhg", "max_hr_bpm", "hr_limit_bpm", "sbp_limit_mmhg",
		"spo2_limit_percent", "rpe_limit", "rpe_end", "rpe_alert", "target_cadence_per_min", "device_rate_bpm", "device_margin_bpm", "ischaemia_hr_bpm"} {
		if v, ok := r.number(column); ok {
			r.set(column, "", v)
		}
	}
	if in := &o.In; in.RestSBP > 0 && in.RestDBP >= in.RestSBP {
		r.fault("rest_dbp_mmhg", "diastolic pressure %g is not below systolic %g; were the two swapped?", in.RestDBP, in.RestSBP)
	}
	o.In.LimitsBy, o.In.RPEReason = o.Said["limits_by"], o.Said["rpe_reason"]
	for _, column := range conduct.AnswerNames() {
		if v, ok := r.number(column); ok {
			if err := o.In.Set(column, "", v); err != nil {
				r.fault(column, "%s", strings.TrimPrefix(err.Error(), column+" "))
			}
		}
	}
	o.In.Aid = o.Said["walking_aid"]
	if text := o.Said["hand_rail"]; text != "" {
		r.set("hand_rail", plainText(text), 0)
	}
	r.site()
	r.endPoint()
	r.drug()
	r.condition()
	r.rhythm()
	r.method()
	return *o
}

// set gives an input to the conductor's own check. A typed 0 is a slip, not "not recorded".
func (r *personReader) set(column, word string, v float64) {
	err := r.out.In.Set(column, word, v)
	if err == nil && word == "" && v == 0 {
		err = fmt.Errorf("%s 0 cannot be; check the entry, or leave the cell blank", column)
	}
	if err != nil {
		r.fault(column, "%s", strings.TrimPrefix(err.Error(), column+" "))
	}
}

// site reads what the site says of the limits, the cover and the machine.
func (r *personReader) site() {
	o := &r.out
	o.In.MachineID = o.Said["machine_id"]
	if on := o.Said["limits_on"]; on != "" {
		if _, err := time.Parse(isoDate, on); err != nil {
			r.fault("limits_on", "%q is not a date written year-month-day, such as 2026-03-02", on)
		}
		o.In.LimitsOn = on
	}
	if text := o.Said["medical_cover"]; text != "" {
		means, ok := whole("yes-no", text)
		if !ok {
			r.fault("medical_cover", "%q is neither yes nor no", text)
		} else {
			r.set("medical_cover", means, 0)
		}
	}
	if text := o.Said["machine_shows"]; text != "" {
		r.set("machine_shows", plainText(text), 0)
	}
}

const isoDate = "2006-01-02"

func (r *personReader) date() (date time.Time) {
	text := r.out.Said["date"]
	if text == "" {
		return date
	}
	date, err := time.Parse(isoDate, text)
	if err != nil {
		r.fault("date", "%q is not a date written year-month-day, such as 2026-03-02", text)
		return date
	}
	if today := r.today.Format(isoDate); text > today {
		r.fault("date", "%s is in the future; today is %s", text, today)
	}
	r.out.Date = text
	return date
}

// age takes the age as written, or the years completed on the day of the test.
func (r *personReader) age(date time.Time) {
	years, given := r.number("age_years")
	if given {
		r.set("age_years", "", years)
	}
	text := r.out.Said["birth_date"]
	if text == "" {
		return
	}
	birth, err := time.Parse(isoDate, text)
	switch {
	case err != nil:
		r.fault("birth_date", "%q is not a date written year-month-day, such as 1958-03-02", text)
		return
	case date.IsZero():
		r.fault("birth_date", "the age on the day of the test is not known without the date of the test; enter date, or age_years")
		return
	case birth.After(date):
		r.fault("birth_date", "%s is after the day of the test, %s", text, r.out.Date)
		return
	}
	completed := completedYears(birth, date)
	switch {
	case given && math.Floor(years) != completed:
		r.fault("birth_date", "%s makes %g years on the day of the test, age_years says %g", text, completed, years)
	case !given:
		if err := r.out.In.Set("age_years", "", completed); err != nil || completed == 0 {
			r.fault("birth_date", "%s makes %g years on the day of the test; check the entry", text, completed)
		}
	}
}

// completedYears counts birthdays. Who was born on 29 February completes a year on 1 March of a common year.
func completedYears(birth, date time.Time) float64 {
	years := date.Year() - birth.Year()
	if date.Month() < birth.Month() || date.Month() == birth.Month() && date.Day() < birth.Day() {
		years--
	}
	return float64(years)
}

func (r *personReader) sex() {
	text := r.out.Said["sex"]
	if text == "" {
		return
	}
	means, ok := whole("sex", text)
	if !ok {
		r.fault("sex", "%q is not known; write female or male, as the equation is coded", text)
		return
	}
	r.set("sex", means, 0)
}

// measure reads a size given in one unit or the other; given in both, the two must agree within a slack.
func (r *personReader) measure(column, otherColumn, unit string, slack float64) {
	v, ok := r.number(column)
	if ok {
		r.set(column, "", v)
	}
	other, there := r.number(otherColumn)
	if !there {
		return
	}
	converted := other * perUnit[unit]
	switch {
	case !ok:
		if err := r.out.In.Set(column, "", converted); err != nil || other == 0 {
			r.fault(otherColumn, "%g %s cannot be; check the entry", other, unit)
		}
	case math.Abs(converted-v) > slack:
		r.fault(otherColumn, "%g %s is %.1f, but %s says %g; keep one of the two", other, unit, converted, column, v)
	}
}

// endPoint reads the fraction as a decimal text, so that 0.85 is 85 percent and not a hair beside it.
func (r *personReader) endPoint() {
	in := &r.out.In
	if text := r.out.Said["end_point_fraction"]; text != "" {
		percent, ok := percentOf(text, r.t.sheet.decimalComma)
		if !ok {
			r.fault("end_point_fraction", "%q is not a fraction from 0.30 to 1, such as 0.85", text)
		} else if err := in.Set("end_point_percent", "", percent); err != nil {
			r.fault("end_point_fraction", "%q is not a fraction from 0.30 to 1, such as 0.85", text)
		}
	}
	formula := r.out.Said["max_hr_formula"]
	if formula == "" {
		return
	}
	if _, ok := physiology.FormulaFor(formula); !ok {
		r.fault("max_hr_formula", "%q is not known; write for example 220-age or 208-0.7age, or enter max_hr_bpm", formula)
		return
	}
	in.Formula = formula
	if in.MaxHR > 0 {
		r.notice("max_hr_formula", "max_hr_bpm is given too and is used instead")
		return
	}
	if in.AgeYears > 0 && in.Sex != conduct.SexUnknown {
		if _, _, err := physiology.MaxHR(formula, in.AgeYears, in.Sex == conduct.Female, in.RestHR); err != nil {
			r.fault("max_hr_formula", "%s", err.Error())
		}
	}
}

// percentOf turns a fraction up to 1 into percent, exactly.
func percentOf(text string, decimalComma bool) (percent float64, ok bool) {
	if decimalComma {
		text = strings.Replace(text, ",", ".", 1)
	}
	if len(text) > 12 || strings.Trim(text, "0123456789.") != "" {
		return 0, false
	}
	fraction, ok := new(big.Rat).SetString(text)
	if !ok || fraction.Sign() <= 0 || fraction.Cmp(big.NewRat(1, 1)) > 0 {
		return 0, false
	}
	percent, _ = fraction.Mul(fraction, big.NewRat(100, 1)).Float64()
	return percent, true
}

// drug reads yes, no, unknown, or the name of a drug, which means yes. A blank cell is not recorded.
func (r *personReader) drug() {
	text := r.out.Said["rate_limiting_drug"]
	if text == "" {
		return
	}
	means, ok := whole("drug", text)
	switch {
	case ok:
	case plainText(text) == "":
		means = "unknown" // a dash or a question mark
	case strings.Trim(text, "0123456789.,") == "":
		r.fault("rate_limiting_drug", "%q is not known; write yes, no, unknown or the name of the drug", text)
		return
	case denies(text):
		r.notice("rate_limiting_drug", "%q is read as unknown; write yes, no, unknown or the name of the drug", text)
		means = "unknown"
	default:
		means, r.out.DrugName = "yes", text
		r.set("rate_limiting_drug_name", text, 0)
	}
	r.set("rate_limiting_drug", means, 0)
}

// condition reads kinds of disease out of a text. What is not known counts as a recorded condition.
func (r *personReader) condition() {
	text := r.out.Said["condition"]
	if text == "" || plainText(text) == "" {
		return
	}
	found := within("condition", text)
	if len(found) == 1 && found[0] == "none" {
		return
	}
	if len(found) == 0 {
		r.notice("condition", "%q is of no kind that is known here; it counts as a recorded condition", text)
		found = []string{"other"}
	}
	r.set("condition", strings.Join(found, "+"), 0)
}

// rhythm reads the rhythm, and looks for one in the condition: "stroke, pacemaker".
func (r *personReader) rhythm() {
	text := r.out.Said["rhythm"]
	found := within("rhythm", text)
	switch {
	case text == "" || plainText(text) == "":
	case len(found) == 0:
		r.notice("rhythm", "%q is not known here; it counts as a rhythm other than sinus", text)
		r.set("rhythm", "other", 0)
	case found[0] != "not-recorded":
		r.set("rhythm", found[0], 0)
	}
	r.lesion()
	told := within("rhythm", r.out.Condition)
	if rhythm := r.out.In.Rhythm; len(told) == 0 || rhythm != conduct.RhythmNotRecorded && rhythm != conduct.Sinus {
		return
	}
	var means conduct.Rhythm
	if err := means.UnmarshalText([]byte(told[0])); err != nil || means == conduct.Sinus {
		return
	}
	r.notice("condition", "%q says %s; it is taken as the rhythm", r.out.Condition, strings.ReplaceAll(told[0], "-", " "))
	r.out.In.Rhythm = means
}

// lesion looks for a spinal lesion and its level: at T6 or above heart rate does not follow effort.
func (r *personReader) lesion() {
	for _, column := range []string{"rhythm", "condition"} {
		text := r.out.Said[column]
		if r.out.In.Rhythm > conduct.Sinus && r.out.In.Rhythm != conduct.OtherRhythm || len(within("lesion", text)) == 0 {
			continue
		}
		levels := within("level", text)
		switch {
		case len(levels) == 0 && column == "condition":
			r.notice(column, "%q does not say the level of the lesion; at T6 or above write rhythm sci-t6-or-above, since heart rate does not lead there", text)
		case len(levels) > 0 && levels[0] == "high":
			r.notice(column, "%q is read as a spinal lesion at T6 or above", text)
			r.out.In.Rhythm = conduct.SpinalLesionT6
		}
	}
}

func (r *personReader) method() {
	text := r.out.Said["hr_method"]
	if text == "" {
		return
	}
	means, ok := whole("method", text)
	if !ok {
		r.fault("hr_method", "%q is not known; write strap, optical, ecg, palpated-10s, palpated-15s or palpated-30s", text)
		return
	}
	r.set("hr_method", means, 0)
}

// offers names the formulas of maximal heart rate made for people on the drug that the sheet names. None is taken without
// being written there: exertion ends the test.
func (r *personReader) offers(p *protocol.Protocol) {
	if !screen.BetaBlocker(r.out.DrugName) {
		return
	}
	var all []string
	for _, f := range conduct.DrugFormulas(p, &r.out.In, "beta-blocker") {
		gives := "needs rest_hr_bpm"
		if f.MaxHR > 0 {
			gives = fmt.Sprintf("%.4g /min, spread %g", f.MaxHR, f.SD)
		}
		all = append(all, f.ID+" ("+f.Note+"; "+gives+")")
	}
	if len(all) > 0 {
		r.notice("rate_limiting_drug", "formulas for people on this drug may be written in max_hr_formula: %s; none is taken by itself", strings.Join(all, " or "))
	}
}

// required looks for what the protocol needs and the sheet does not say.
func (r *personReader) required(p *protocol.Protocol) {
	other := map[string]string{"age_years": "birth_date", "mass_kg": "mass_lb", "height_cm": "height_in"}
	for _, name := range r.out.In.Missing(p) {
		if r.first[name] != nil || r.first[other[name]] != nil {
			continue // it is there and has been found wrong
		}
		if _, there := r.t.sheet.at[name]; !there {
			if _, there := r.t.sheet.at[other[name]]; there {
				name = other[name]
			}
		}
		r.fault(name, "is missing; protocol %s needs it", p.ID)
	}
}
