package sheet

import (
	"encoding/csv"
	"io"
	"slices"
	"strings"

	"gradus/estimate"
	"gradus/internal/exchange/table"
)

// outColumns are the columns of the CSV form, one row for each test; what the sheets carried follows.
var outColumns = []string{
	"file", "test", "participant", "date", "protocol", "sex", "age_years", "mass_kg", "rate_limiting_drug", "rhythm", "max_hr_bpm", "end_point_bpm",
	"branch_hr_bpm", "branch_row", "ridden_row", "stages", "end_stage", "end_work_w", "end_hr_bpm", "stop_reason",
	"estimate", "unit", "see", "low95", "high95", "verdict", "reasons", "departures", "error",
}

// WriteCSV writes one row for each test, numbers unrounded. Ids of reasons are joined by a space, departures
// by a semicolon. A column of the sheets whose name is taken is called sheet_ and its name. No cell is a formula to a spreadsheet.
func (s *Scores) WriteCSV(out io.Writer) error {
	w := csv.NewWriter(out)
	if err := w.Write(CSVHeader(s.Carried)); err != nil {
		return err
	}
	for _, t := range s.Tests {
		if err := w.Write(s.record(t)); err != nil {
			return err
		}
	}
	w.Flush()
	return w.Error()
}

func (s *Scores) record(t *Scored) []string {
	cells := map[string]string{"file": t.File, "test": t.ID}
	if len(t.Faults) > 0 {
		cells["error"] = t.Faults[0].Error()
	} else {
		flat(t, cells)
	}
	record := make([]string, 0, len(outColumns)+len(s.Carried))
	for _, name := range outColumns {
		record = append(record, cells[name])
	}
	for _, name := range s.Carried {
		text := ""
		for _, c := range t.Carried {
			if c.Column == name {
				text = strings.Join(c.Texts, "; ")
			}
		}
		record = append(record, text)
	}
	for i := range record {
		record[i] = table.Guard(record[i])
	}
	return record
}

func flat(t *Scored, cells map[string]string) {
	put := func(name string, v float64) {
		if v != 0 {
			cells[name] = num(v)
		}
	}
	in, l := inputsJSON(t), &t.State.Limits
	cells["participant"], cells["date"], cells["protocol"] = t.Person.Participant, t.Person.Date, t.Protocol.ID
	cells["sex"], cells["rate_limiting_drug"] = textOf(t.State.In.Sex), in.Drug
	cells["rhythm"] = textOf(t.State.In.Rhythm)
	if t.Person.DrugName != "" {
		cells["rate_limiting_drug"] = t.Person.DrugName
	}
	put("age_years", t.State.In.AgeYears)
	put("mass_kg", t.State.In.MassKg)
	put("max_hr_bpm", l.MaxHR)
	put("end_point_bpm", l.EndPoint)
	if b := branchJSON(t); b != nil {
		put("branch_hr_bpm", b.HR)
		put("branch_row", float64(b.Row))
		put("ridden_row", float64(t.State.Row))
	}
	put("stages", float64(t.State.NStages))
	if end := t.Judged.End; end != nil {
		put("end_stage", float64(t.number(end.Stage)))
		put("end_work_w", end.WorkW)
		put("end_hr_bpm", end.HR)
	}
	cells["stop_reason"] = t.State.Stop.Code
	if r := t.Judged.Estimate; r != nil {
		cells["unit"] = r.Unit
		for name, n := range map[string]estimate.Number{"see": r.SEE, "estimate": r.Value, "low95": r.Low95, "high95": r.High95} {
			if n.Present() {
				cells[name] = num(float64(n))
			}
		}
	}
	cells["verdict"] = t.Judged.Verdict
	var ids, departures []string
	for _, r := range t.Judged.Reasons {
		ids = append(ids, r.ID)
	}
	for _, d := range t.Judged.Departures {
		departures = append(departures, "minute "+num(float64(d.Minute))+": "+d.Text)
	}
	cells["reasons"], cells["departures"] = strings.Join(ids, " "), strings.Join(departures, "; ")
}

// CSVHeader is the first line of the CSV form, with the columns that pass through.
func CSVHeader(carried []string) []string {
	header := append([]string{}, outColumns...)
	for _, name := range carried {
		if slices.Contains(outColumns, name) {
			name = "sheet_" + name
		}
		header = append(header, table.Guard(name))
	}
	return header
}

// Record is the row of the CSV form.
func (t *Scored) Record(carried []string) []string { return (&Scores{Carried: carried}).record(t) }
