package sheet

import (
	"slices"
	"strings"

	"gradus/conduct"
)

// The columns of a sheet. Those about the person and the test as a whole need only stand in its first row;
// where they stand again they must say the same.
var personColumns = []string{
	"test", "participant", "date", "time", "protocol", "sex", "age_years", "birth_date", "mass_kg", "mass_lb", "height_cm", "height_in",
	"condition", "rhythm", "rest_hr_bpm", "rest_sbp_mmhg", "rest_dbp_mmhg", "rate_limiting_drug", "drug_dose", "hours_since_dose",
	"max_hr_formula", "max_hr_bpm", "end_point_fraction", "hr_limit_bpm", "sbp_limit_mmhg", "spo2_limit_percent", "rpe_limit", "limits_by", "limits_on",
	"device_rate_bpm", "device_margin_bpm", "ischaemia_hr_bpm", "medical_cover", "machine_id", "machine_shows",
	"rpe_end", "rpe_alert", "rpe_reason", "hr_method", "ergometer", "target_cadence_per_min", "examiner", "walking_aid", "hand_rail",
}

var rowColumns = []string{
	"stage", "minute", "stage_minute", "work_w", "speed_kmh", "speed_mph", "grade_percent", "distance_m", "rest_s", "breathlessness", "level", "hr_bpm", "disturbed", "rpe", "sbp_mmhg", "dbp_mmhg", "spo2_percent", "cadence_per_min",
	"symptom", "stop_reason", "note",
}

var known = func() map[string]bool {
	all := map[string]bool{}
	for _, list := range [][]string{personColumns, conduct.AnswerNames(), rowColumns} {
		for _, name := range list {
			all[name] = true
		}
	}
	return all
}()

// Columns are the columns of a sheet: those said once for a test, and those of its rows.
func Columns() (ofTest, ofRow []string) {
	return append(slices.Clone(personColumns), conduct.AnswerNames()...), slices.Clone(rowColumns)
}

// columnName is a heading as the table of columns writes it: "HR bpm" is hr_bpm.
func columnName(heading string) string {
	return strings.Join(strings.FieldsFunc(strings.ToLower(heading), func(r rune) bool { return r == ' ' || r == '-' || r == '_' }), "_")
}
