package web

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"gradus/internal/record"
	"gradus/screen"
)

func isMissing(err error) bool { return errors.Is(err, record.ErrNotFound) }

// none is the tick that says "asked, none of these".
const none = "none"

// screeningLists are the questions answered by a list of words, screeningNumbers those answered by a number.
var (
	screeningLists   = []string{"known_disease", "symptoms", "contraindications", "contraindications_unsure", "drugs", "rhythm_devices"}
	screeningNumbers = []string{"days_since_heart_attack", "days_since_stroke", "rest_sbp_mmhg", "rest_dbp_mmhg", "rest_hr_bpm", "spo2_percent",
		"standing_sbp_drop_mmhg", "temperature_c", "glucose_mg_dl", "glucose_mmol_l", "inr", "haemoglobin_g_dl", "platelets_per_mm3", "icd_detection_bpm", "upper_pacing_rate_bpm"}
	screeningWords = map[string][]string{"consent": {"yes", "no"}, "regular_exercise": {"yes", "no"}, "intended_intensity": {"light", "moderate", "vigorous"},
		"on_oxygen": {"no", "yes"}, "standing_symptoms": {"no", "yes"}, "ketones": {"none", "small", "moderate", "large"}, "severe_low_glucose_24h": {"no", "yes"}}
	toldWords = []string{"all", "food", "caffeine", "smoking", "exercise", "drugs"}
)

// irregularSteps are the answers about irregular beats: a count of none, of 1 to 3, of more.
var irregularSteps = []string{"0", "3", "4"}

// screeningForm asks what a screening needs, most of it by one tap.
func screeningForm() form {
	var fields []field
	for _, name := range []string{"consent", "regular_exercise", "intended_intensity", "on_oxygen", "standing_symptoms", "ketones", "severe_low_glucose_24h"} {
		fields = append(fields, choiceField(name, "", screeningWords[name]...))
	}
	tables := screen.Shipped()
	for _, name := range screeningLists {
		fields = append(fields, listField(tables, name))
	}
	for _, name := range screeningNumbers {
		fields = append(fields, field{Name: name, Kind: "number", Most: 12})
	}
	fields = append(fields, manyField("told", toldWords...), choiceField("irregular_beats_per_min", "", irregularSteps...),
		textField("q_version", "", 80), field{Name: "q_date", Kind: "date"},
		choiceField("q_outcome", "", "no_follow_up_needed", "cleared", "follow_up_needed"), textField("q_cleared_by", "", 120), textField("by", "", 80))
	return form{Fields: fields}
}

func listField(tables screen.Tables, name string) field {
	f := field{Name: name, Kind: "many"}
	if name != "contraindications_unsure" {
		f.Options = append(f.Options, option{none, say("screening.none")})
	}
	for _, q := range tables.Fields {
		if q.Name != name {
			continue
		}
		for _, w := range q.Words {
			text := w.Text
			if name == "drugs" {
				text = say("drug." + w.Word)
				if w.Text != "" {
					text += " (" + w.Text + ")"
				}
			}
			f.Options = append(f.Options, option{w.Word, text})
		}
	}
	return f
}

// readAnswers takes the answers out of the form and notes what cannot be read.
func readAnswers(f *form) (a screen.Answers) {
	a.Consent, a.RegularExercise, a.IntendedIntensity = f.text("consent"), f.text("regular_exercise"), f.text("intended_intensity")
	a.OnOxygen, a.StandingSymptoms, a.Ketones, a.SevereLowGlucose24h = f.text("on_oxygen"), f.text("standing_symptoms"), f.text("ketones"), f.text("severe_low_glucose_24h")
	lists := answerLists(&a)
	for _, name := range screeningLists {
		*lists[name] = f.list(name)
	}
	numbers := answerNumbers(&a)
	for _, name := range append(slices.Clone(screeningNumbers), "irregular_beats_per_min") {
		*numbers[name] = f.maybe(name)
	}
	readTold(f, &a)
	q := screen.Questionnaire{Version: f.text("q_version"), Date: f.text("q_date"), Outcome: f.text("q_outcome"), ClearedBy: f.text("q_cleared_by")}
	if q != (screen.Questionnaire{}) {
		a.Questionnaire = &q
	}
	return a
}

// fillAnswers is the way back.
func fillAnswers(f *form, a screen.Answers) {
	for name, word := range map[string]string{"consent": a.Consent, "regular_exercise": a.RegularExercise, "intended_intensity": a.IntendedIntensity, "on_oxygen": a.OnOxygen,
		"standing_symptoms": a.StandingSymptoms, "ketones": a.Ketones, "severe_low_glucose_24h": a.SevereLowGlucose24h} {
		f.at(name).Value = word
	}
	for name, list := range answerLists(&a) {
		e := f.at(name)
		if e.Values = slices.Clone(*list); *list != nil && len(*list) == 0 && name != "contraindications_unsure" {
			e.Values = []string{none}
		}
	}
	for name, v := range answerNumbers(&a) {
		switch {
		case *v == nil:
		case name == "irregular_beats_per_min":
			f.at(name).Value = irregularStep(**v)
		default:
			f.at(name).Value = strconv.FormatFloat(**v, 'f', -1, 64)
		}
	}
	f.at("told").Values = toldOf(a)
	if q := a.Questionnaire; q != nil {
		for name, text := range map[string]string{"q_version": q.Version, "q_date": q.Date, "q_outcome": q.Outcome, "q_cleared_by": q.ClearedBy} {
			f.at(name).Value = text
		}
	}
}

// irregularStep is the answer of the form that a count belongs to.
func irregularStep(beats float64) string {
	switch {
	case beats <= 0:
		return "0"
	case beats <= 3:
		return "3"
	}
	return "4"
}

func answerLists(a *screen.Answers) map[string]*[]string {
	return map[string]*[]string{"known_disease": &a.KnownDisease, "symptoms": &a.Symptoms, "contraindications": &a.Contraindications,
		"contraindications_unsure": &a.ContraindicationsUnsure, "drugs": &a.Drugs, "rhythm_devices": &a.RhythmDevices}
}

func answerNumbers(a *screen.Answers) map[string]**float64 {
	return map[string]**float64{"days_since_heart_attack": &a.DaysSinceHeartAttack, "days_since_stroke": &a.DaysSinceStroke, "rest_sbp_mmhg": &a.RestSBPmmHg,
		"rest_dbp_mmhg": &a.RestDBPmmHg, "rest_hr_bpm": &a.RestHRBPM, "irregular_beats_per_min": &a.IrregularPerMin, "spo2_percent": &a.SpO2Percent,
		"standing_sbp_drop_mmhg": &a.StandingSBPDropmmHg, "temperature_c": &a.TemperatureC, "glucose_mg_dl": &a.GlucoseMgDL, "glucose_mmol_l": &a.GlucoseMmolL,
		"inr": &a.INR, "haemoglobin_g_dl": &a.HaemoglobinGDL, "platelets_per_mm3": &a.PlateletsPerMm3, "icd_detection_bpm": &a.ICDDetectionBPM, "upper_pacing_rate_bpm": &a.UpperPacingRateBPM}
}

// list reads a question that is answered by ticks: nil when nothing is ticked, empty for "none of these".
func (f *form) list(name string) []string {
	ticked := f.at(name).Values
	if len(ticked) == 0 {
		return nil
	}
	if !slices.Contains(ticked, none) {
		return slices.Clone(ticked)
	}
	if len(ticked) > 1 {
		f.fault(name, say("screening.none.and"))
	}
	return []string{}
}

// maybe reads a number that may be 0; nil when nothing was entered.
func (f *form) maybe(name string) *float64 {
	text := f.text(name)
	if text == "" {
		return nil
	}
	v, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
	if err != nil {
		f.fault(name, say("form.number", text))
		return nil
	}
	return &v
}

// readTold spreads the one question about the instructions over the answers.
func readTold(f *form, a *screen.Answers) {
	ticked := f.at("told").Values
	if len(ticked) == 0 {
		return
	}
	if slices.Contains(ticked, "all") && len(ticked) > 1 {
		f.fault("told", say("screening.told.and"))
	}
	for word, answer := range toldAnswers(a) {
		*answer = "yes"
		if slices.Contains(ticked, word) {
			*answer = "no"
		}
	}
}

func toldAnswers(a *screen.Answers) map[string]*string {
	return map[string]*string{"food": &a.FoodAsTold, "caffeine": &a.CaffeineAsTold, "smoking": &a.SmokingAsTold, "exercise": &a.ExerciseAsTold, "drugs": &a.DrugsAsUsual}
}

func toldOf(a screen.Answers) (ticked []string) {
	answered := false
	for word, answer := range toldAnswers(&a) {
		answered = answered || *answer != ""
		if *answer == "no" {
			ticked = append(ticked, word)
		}
	}
	if answered && len(ticked) == 0 {
		return []string{"all"}
	}
	return ticked
}

// fieldOf is the field of the form that holds an answer.
func fieldOf(name string) string {
	switch name {
	case "food_as_told", "caffeine_as_told", "smoking_as_told", "exercise_as_told", "drugs_as_usual":
		return "told"
	case "age_years", "date", "clearances", "overrides":
		return "by"
	}
	if inner, ok := strings.CutPrefix(name, "questionnaire."); ok {
		return "q_" + inner
	}
	return name
}

// clearForm records a clearance. What it can be for are the points that stand against the test.
func clearForm(have *screened) form {
	f := manyField("c_for", "test", "light_moderate", "vigorous")
	for _, reason := range have.Result.Blocking() {
		if clearable(reason) {
			f.Options = append(f.Options, option{reason.ID, reason.Text})
			f.Values = append(f.Values, reason.ID)
		}
	}
	return form{Fields: []field{textField("c_by", "", 120), choiceField("c_role", "", "physician", "other_provider"), {Name: "c_date", Kind: "date", Value: have.Answers.Date},
		f, choiceField("c_unchanged", "", "yes", "no"), textField("c_note", "", 400)}}
}

func readClear(f *form) screen.Clear {
	return screen.Clear{By: f.text("c_by"), Role: f.text("c_role"), Date: f.text("c_date"), For: slices.Clone(f.at("c_for").Values),
		SymptomsUnchanged: f.text("c_unchanged"), Note: f.text("c_note")}
}

// faultsOf puts what is wrong with the clearance in place n to its fields.
func faultsOf(f *form, a *screen.Answers, n int) {
	fields := map[string]string{"by": "c_by", "role": "c_role", "date": "c_date", "for": "c_for", "symptoms_unchanged": "c_unchanged", "note": "c_note"}
	for _, problem := range screen.Problems(a) {
		inner, ours := strings.CutPrefix(problem.Path, fmt.Sprintf("clearances[%d].", n))
		if !ours {
			continue
		}
		inner, _, _ = strings.Cut(inner, "[")
		f.fault(fields[inner], say("form.empty"))
	}
	if f.text("c_date") > a.Date {
		f.fault("c_date", say("screening.clear.later"))
	}
}

// goForm takes the clinician's decision to go on, for the points where that is enough.
func goForm(have *screened) form {
	f := field{Name: "o_rules", Kind: "many"}
	for _, reason := range have.Result.Blocking() {
		if mayOverride(have, reason) {
			f.Options = append(f.Options, option{reason.ID, reason.Text})
		}
	}
	return form{Fields: []field{f, {Name: "o_reason", Kind: "area", Most: 400}, textField("o_name", have.Fact.By, 80)}}
}

func readGo(f *form) (list []screen.Override) {
	for _, name := range []string{"o_reason", "o_name"} {
		if f.text(name) == "" {
			f.fault(name, say("form.empty"))
		}
	}
	if len(f.at("o_rules").Values) == 0 {
		f.fault("o_rules", say("screening.go.none"))
	}
	for _, rule := range f.at("o_rules").Values {
		list = append(list, screen.Override{Rule: rule, Reason: f.text("o_reason"), Name: f.text("o_name")})
	}
	return list
}

// leaveForm records that there is no test today.
func leaveForm(have *screened) form {
	return form{Fields: []field{{Name: "n_note", Kind: "area", Most: 400}, textField("n_by", have.Fact.By, 80)}}
}
