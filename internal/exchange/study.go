package exchange

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"gradus/conduct"
	"gradus/estimate"
	"gradus/internal/exchange/deid"
	"gradus/internal/exchange/table"
	"gradus/internal/sheet"
	"gradus/protocol"
)

// Case is a test as the tables show it.
type Case struct {
	ID, Participant, Date string
	AgeYears              float64
	Cells                 map[string]string   // columns of the test, as they were typed
	Words                 map[string]string   // words of ours in place of what was typed
	Readings              []map[string]string // columns of each reading
	ReadingWords          []map[string]string
	Carried               []sheet.Carried // columns that are not known
	As                    string          // who is one person with the participant and stands for both under study codes; "" the participant

	Estimator *estimate.Estimator // of the result, which may be another one than the protocol's first
	Judged    *estimate.Assessment
}

// Who is under whose study code the test goes.
func (c *Case) Who() string {
	if c.As != "" {
		return c.As
	}
	return c.Participant
}

// text writes a number as it is.
func text(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// CaseOf makes a test of a data sheet ready for tables.
func CaseOf(t *sheet.Scored) Case {
	c := Case{ID: t.ID, Participant: t.Person.Participant, Date: t.Person.Date, AgeYears: t.State.In.AgeYears, Cells: map[string]string{}, Carried: t.Carried}
	for name, said := range t.Person.Said {
		if column := columnOf("tests", name); column != nil {
			if column.Type == "number" {
				said = strings.Replace(said, ",", ".", 1)
			}
			c.Cells[name] = said
		}
	}
	c.words(&t.State.In)
	for i := range t.Rows {
		c.row(&t.Rows[i])
	}
	c.stop(t.Stop, t.State.Stop.Code)
	c.found(t)
	return c
}

// CaseOf makes a recorded test ready for tables.
func (r *Recorded) CaseOf() Case {
	in := &r.State.In
	c := Case{ID: r.Test.ID, Participant: r.Person.Code, AgeYears: in.AgeYears, Cells: map[string]string{}}
	c.Date = r.Day
	if r.As != nil {
		c.As = r.As.Code
	}
	hour := ""
	if began := r.Began(); !began.IsZero() {
		hour = began.Format("15:04")
	}
	for name, v := range map[string]float64{"age_years": in.AgeYears, "mass_kg": in.MassKg, "height_cm": in.HeightCm, "rest_hr_bpm": in.RestHR, "rest_sbp_mmhg": in.RestSBP,
		"rest_dbp_mmhg": in.RestDBP, "max_hr_bpm": in.MaxHR, "hr_limit_bpm": in.HRLimit, "sbp_limit_mmhg": in.SBPLimit, "spo2_limit_percent": in.SpO2Limit, "rpe_limit": in.RPELimit,
		"device_rate_bpm": in.DeviceRate, "device_margin_bpm": in.DeviceBelow, "ischaemia_hr_bpm": in.IschaemiaHR, "hours_since_dose": in.DoseHours, "rpe_end": in.RPEEnd, "rpe_alert": in.RPEAlert,
		"target_cadence_per_min": in.Cadence, "end_point_fraction": in.EndPercent / 100} {
		if v != 0 {
			c.Cells[name] = text(v)
		}
	}
	for name, said := range map[string]string{"test": c.ID, "participant": c.Participant, "date": c.Date, "time": hour, "protocol": r.Test.Protocol, "sex": Word(in.Sex),
		"max_hr_formula": in.Formula, "limits_by": in.LimitsBy, "limits_on": in.LimitsOn, "machine_id": in.MachineID, "rpe_reason": in.RPEReason, "examiner": r.Examiner(),
		"walking_aid": in.Aid, "birth_date": r.Person.BirthDate} {
		if said != "" {
			c.Cells[name] = said
		}
	}
	for _, name := range conduct.AnswerNames() {
		if v, ok := in.Answers.Value(name); ok {
			c.Cells[name] = text(v)
		}
	}
	c.words(in)
	for name, word := range c.Words {
		c.Cells[name] = word
	}
	if in.DrugName != "" {
		c.Cells["rate_limiting_drug"] = in.DrugName
	}
	for _, row := range r.rows() {
		c.row(&row)
	}
	c.stop(r.stopped(), r.State.Stop.Code)
	c.found(&sheet.Scored{Protocol: r.Protocol, Estimator: r.Estimator, State: r.State, Judged: r.Judged})
	return c
}

// rows are the readings of the record as rows of a sheet: what belongs to one moment of a stage is one row.
func (r *Recorded) rows() (all []sheet.Row) {
	s := &r.State
	put := func(phase sheet.Phase, stage int, st *conduct.Stage, v *conduct.Value) {
		if v.Withdrawn || v.Void {
			return
		}
		minute := float64(v.Moment) / float64(protocol.Minute)
		at := slices.IndexFunc(all, func(x sheet.Row) bool { return x.Phase == phase && x.Stage == stage && x.Minute == minute })
		if at < 0 {
			row := sheet.Row{Phase: phase, Stage: stage, Minute: minute}
			if st != nil {
				r.work(&row, st)
			}
			at, all = len(all), append(all, row)
		}
		row, x := &all[at], v.V
		switch v.What {
		case protocol.HeartRate:
			if v.Raw != 0 {
				x = v.Raw
			}
			row.HR, row.Disturbed = &x, v.Disturbed
		case protocol.RPE:
			row.RPE = &x
		case protocol.BloodPressure:
			y := v.V2
			if row.SBP = &x; y > 0 {
				row.DBP = &y
			}
		case protocol.SpO2:
			row.SpO2 = &x
		case protocol.CadenceRate:
			row.Cadence = &x
		case protocol.Distance:
			row.Distance = &x
		case protocol.Breathless:
			row.Breathless = &x
		}
	}
	for i := range s.Stages[:s.NStages] {
		st := &s.Stages[i]
		for k := range st.Readings[:st.NReadings] {
			put(sheet.Stage, i+1, st, &st.Readings[k])
		}
	}
	for k := range s.After[:s.NAfter] {
		phase := sheet.CoolDown
		if s.RestFrom > 0 && s.After[k].Moment > s.RestFrom {
			phase = sheet.Recovery
		}
		put(phase, 0, nil, &s.After[k])
	}
	r.besides(all)
	return all
}

// besides puts into the rows what was written or seen beside the readings: the load of the cool-down, signs, notes. What
// belongs to no row stands in the next one, else in the last.
func (r *Recorded) besides(all []sheet.Row) {
	if len(all) == 0 {
		return
	}
	at := func(moment protocol.Ms) *sheet.Row {
		for i := range all {
			if all[i].Minute >= float64(moment)/float64(protocol.Minute) {
				return &all[i]
			}
		}
		return &all[len(all)-1]
	}
	s := &r.State
	for _, mark := range s.Signs[:s.NSigns] {
		if mark.Withdrawn {
			continue
		}
		id := r.Protocol.Table[mark.Sign].ID
		row := at(mark.At)
		row.Symptoms = append(row.Symptoms, sheet.Symptom{Sign: id, Text: r.written(conduct.SignSeen, id, mark.At, id)})
	}
	cool := false
	for i := range r.Events {
		e := &r.Events[i]
		switch {
		case e.Kind == conduct.CoolBegun, e.Kind == conduct.WorkSet && cool:
			cool = true
			for k := range all {
				if v := e.V; v > 0 && all[k].Phase == sheet.CoolDown && all[k].Minute >= float64(e.At)/float64(protocol.Minute) {
					all[k].Work = &v
				}
			}
		case e.Kind == conduct.Note && e.Text != "":
			row := at(e.At)
			row.Note = strings.TrimPrefix(row.Note+"; "+e.Text, "; ")
		}
	}
}

// written is the text of an event, or another one where it has none.
func (r *Recorded) written(kind conduct.Kind, code string, at protocol.Ms, other string) string {
	for i := range r.Events {
		if e := &r.Events[i]; e.Kind == kind && e.Code == code && e.At == at && e.Text != "" {
			return e.Text
		}
	}
	return other
}

// stopped is the reason to stop, in the words that were written.
func (r *Recorded) stopped() sheet.Stop {
	stop := &r.State.Stop
	text := r.written(conduct.Stopped, stop.Code, stop.At, stop.Code)
	return sheet.Stop{Code: stop.Code, Text: text, Given: stop.Active && text != sheet.NotGiven}
}

// work puts the load of a stage into a row.
func (r *Recorded) work(row *sheet.Row, st *conduct.Stage) {
	set, second := st.Set, st.Set2
	switch r.Protocol.Parts[st.Part].Work.Form() {
	case "fixed", "row", "added", "chosen":
		row.Work = &set
	case "speed", "chosen-speed", "same-speed":
		row.Speed, row.Grade = &set, &second
	}
	if st.Level != 0 {
		level := st.Level
		row.Level = &level
	}
}

// words are what the inputs say, in words of ours.
func (c *Case) words(in *conduct.Inputs) {
	c.Words = map[string]string{}
	for name, word := range map[string]string{"condition": strings.ReplaceAll(Word(in.Condition), "+", " "), "rhythm": Word(in.Rhythm), "rate_limiting_drug": Word(in.Drug),
		"medical_cover": Word(in.Cover), "machine_shows": Word(in.Machine), "hr_method": Word(in.HRMethod), "hand_rail": Word(in.Rail)} {
		if word != "" {
			c.Words[name] = word
		}
	}
	if c.Words["condition"] == "" && c.Cells["condition"] != "" {
		c.Words["condition"] = "none"
	}
	if c.Cells["sex"] != "" {
		c.Words["sex"] = Word(in.Sex)
	}
}

func (c *Case) row(r *sheet.Row) {
	cells, words := map[string]string{"minute": text(r.Minute)}, map[string]string{}
	switch r.Phase {
	case sheet.Stage:
		cells["stage"] = strconv.Itoa(r.Stage)
	case sheet.CoolDown:
		cells["stage"] = "cool-down"
	case sheet.Recovery:
		cells["stage"] = "recovery"
	}
	for name, v := range map[string]*float64{"work_w": r.Work, "speed_kmh": r.Speed, "grade_percent": r.Grade, "distance_m": r.Distance, "level": r.Level, "hr_bpm": r.HR, "rpe": r.RPE,
		"breathlessness": r.Breathless, "sbp_mmhg": r.SBP, "dbp_mmhg": r.DBP, "spo2_percent": r.SpO2, "cadence_per_min": r.Cadence} {
		if v != nil {
			cells[name] = text(*v)
		}
	}
	if r.Disturbed {
		cells["disturbed"] = "true"
	}
	var said, signs []string
	for _, s := range r.Symptoms {
		if !slices.Contains(said, s.Text) {
			said = append(said, s.Text)
		}
		signs = append(signs, s.Sign)
	}
	if len(said) > 0 {
		cells["symptom"], words["symptom"] = strings.Join(said, "+"), strings.Join(signs, "+")
	}
	if r.Note != "" {
		cells["note"] = r.Note
	}
	c.Readings = append(c.Readings, cells)
	c.ReadingWords = append(c.ReadingWords, words)
}

// stop puts the reason to stop into the last row of the last stage.
func (c *Case) stop(given sheet.Stop, code string) {
	if !given.Given || len(c.Readings) == 0 {
		return
	}
	at := len(c.Readings) - 1
	for at > 0 && (c.Readings[at]["stage"] == "cool-down" || c.Readings[at]["stage"] == "recovery") {
		at--
	}
	c.Readings[at]["stop_reason"], c.ReadingWords[at]["stop_reason"] = given.Text, code
}

// found are the columns of the result, numbers unrounded.
func (c *Case) found(t *sheet.Scored) {
	put := func(name string, v float64, there bool) {
		if there {
			c.Cells[name] = text(v)
		}
	}
	s := &t.State
	c.Cells["protocol_version"], c.Cells["protocol_hash"] = t.Protocol.Version, t.Protocol.Hash
	put("max_hr_used_bpm", s.Limits.MaxHR, s.Limits.MaxHR > 0)
	put("end_point_used_bpm", s.Limits.EndPoint, s.Limits.EndPoint > 0)
	put("stages", float64(s.NStages), true)
	if end := t.Judged.End; end != nil {
		put("end_stage", float64(end.Stage+1), true)
		put("end_work_w", end.WorkW, end.WorkW > 0)
		put("end_hr_bpm", end.HR, true)
	}
	c.Cells["stop_code"] = s.Stop.Code
	if t.Estimator != nil {
		c.Cells["estimator"] = t.Estimator.ID
	}
	if r := t.Judged.Estimate; r != nil {
		c.Cells["estimate_unit"] = r.Unit
		put("estimate", float64(r.Value), r.Value.Present())
		put("see", float64(r.SEE), r.SEE.Present())
		put("low95", float64(r.Low95), r.Low95.Present())
		put("high95", float64(r.High95), r.High95.Present())
	}
	c.Cells["verdict"] = t.Judged.Verdict
	var ids []string
	c.Judged = &t.Judged
	if r := t.Judged.Estimate; r != nil {
		c.Estimator = answered(t.Estimator, r.Estimator)
	}
	for _, r := range t.Judged.Reasons {
		ids = append(ids, r.ID)
	}
	c.Cells["reasons"] = strings.Join(ids, " ")
}

// answered is the equation that gave an answer: the protocol's own, or that for women, or one beside it.
func answered(e *estimate.Estimator, id string) *estimate.Estimator {
	if e == nil || e.ID == id {
		return e
	}
	if e.Women != nil && e.Women.ID == id {
		return e.Women
	}
	for _, other := range e.Beside {
		if other.ID == id {
			return other
		}
	}
	return nil
}

func columnOf(in, name string) *Column {
	for i := range Columns {
		if Columns[i].Table == in && Columns[i].Name == name {
			return &Columns[i]
		}
	}
	return nil
}

// Choice says how a study is written.
type Choice struct {
	Identified bool              // with names, days and free text as they are
	Codes      map[string]string // study code of each participant; needed unless Identified
	StudyDays  bool              // days counted from the first test as well; not Safe Harbor
	Keep       []string          // columns of free text that were looked through and may stay
	Title      string
}

// Warning is what must be said where data leave the house.
const (
	WarnStudyDays  = "study days keep the intervals between tests; whether they still hide a person is for an expert to determine, it is not Safe Harbor"
	WarnIdentified = "these data name people; they are not de-identified"
	SafeHarbor     = "de-identified by removing the identifiers of 45 CFR 164.514(b)(2): study codes, year only, ages over 89 pooled, free text left out. Under European law pseudonymised data are still personal data"
)

// Free is a free text that was left out, for review.
type Free struct {
	Column string   `json:"column"`
	Texts  []string `json:"texts"`
}

// Study makes a data package of tests and says which free texts were left out.
func Study(cases []Case, choice Choice) (*table.Package, []Free, error) {
	w := &studyWriter{choice: choice, cases: cases, first: map[string]string{}}
	if err := w.prepare(); err != nil {
		return nil, nil, err
	}
	title := choice.Title
	if title == "" {
		title = "Submaximal exercise tests"
	}
	about := SafeHarbor
	switch {
	case choice.Identified:
		about = WarnIdentified
	case choice.StudyDays:
		about = "study codes, ages over 89 pooled, free text left out. " + WarnStudyDays
	}
	p := &table.Package{Name: "submaximal-tests", Title: title, Description: about, Version: "1.0.0"}
	p.Sources = append(p.Sources, w.sources()...)
	tests, readings := w.tables()
	p.Tables = []table.Table{tests, readings, guide(&tests, &readings)}
	return p, w.free, nil
}

type studyWriter struct {
	choice Choice
	cases  []Case
	order  []int             // of the cases, as they are written
	visit  []int             // number of the test of its person, by case
	first  map[string]string // first day of each person
	free   []Free
}

// prepare finds visits and first days, and refuses what would name a person.
func (w *studyWriter) prepare() error {
	w.visit = make([]int, len(w.cases))
	for i := range w.cases {
		w.order = append(w.order, i)
	}
	if w.choice.Identified {
		return nil
	}
	days := map[string][]int{}
	for i := range w.cases {
		c := &w.cases[i]
		if c.Participant == "" {
			return fmt.Errorf("test %s names no participant; a study code stands for a person", c.ID)
		}
		if w.choice.Codes[c.Who()] == "" {
			return fmt.Errorf("participant of test %s has no study code", c.ID)
		}
		if c.Date == "" && w.choice.StudyDays {
			return fmt.Errorf("test %s has no date; there is no study day", c.ID)
		}
		if f := w.first[c.Who()]; c.Date != "" && (f == "" || c.Date < f) {
			w.first[c.Who()] = c.Date
		}
		days[c.Who()] = append(days[c.Who()], i)
	}
	for _, tests := range days {
		slices.SortStableFunc(tests, func(a, b int) int { return strings.Compare(w.cases[a].Date, w.cases[b].Date) })
		for n, i := range tests {
			w.visit[i] = n + 1
		}
	}
	// the order of the files would tell who came when
	slices.SortStableFunc(w.order, func(a, b int) int {
		x, y := &w.cases[a], &w.cases[b]
		if by := strings.Compare(w.choice.Codes[x.Who()], w.choice.Codes[y.Who()]); by != 0 {
			return by
		}
		return w.visit[a] - w.visit[b]
	})
	return nil
}

func (w *studyWriter) sources() []string {
	var all []string
	for _, i := range w.order {
		c := &w.cases[i]
		source := "protocol " + c.Cells["protocol"] + " " + c.Cells["protocol_version"] + ", " + c.Cells["protocol_hash"]
		if !slices.Contains(all, source) {
			all = append(all, source)
		}
	}
	slices.Sort(all)
	return all
}

// id of a test: its own, or study code and visit.
func (w *studyWriter) id(i int) string {
	c := &w.cases[i]
	if w.choice.Identified {
		return c.ID
	}
	return w.choice.Codes[c.Who()] + "-" + strconv.Itoa(w.visit[i])
}

// stays reports whether a column is written.
func (w *studyWriter) stays(c *Column) bool {
	switch {
	case w.choice.Identified:
		return c.Deid != made
	case c.Name == "study_day":
		return w.choice.StudyDays
	case c.Deid == freeText:
		return slices.Contains(w.choice.Keep, c.Name)
	}
	return c.Deid != dropped
}

// tables are the tests and their readings; columns without any value are left out.
func (w *studyWriter) tables() (tests, readings table.Table) {
	tests = table.Table{Name: "tests", Title: "One row for each test", Key: []string{"test"}}
	readings = table.Table{Name: "readings", Title: "One row for each reading", Key: []string{"test", "row"}, Foreign: []table.Foreign{{Fields: []string{"test"}, Table: "tests", To: []string{"test"}}}}
	var testRows, readingRows []map[string]string
	for _, i := range w.order {
		c := &w.cases[i]
		testRows = append(testRows, w.testRow(i))
		for n := range c.Readings {
			readingRows = append(readingRows, w.readingRow(i, n))
		}
	}
	w.fill(&tests, testRows)
	w.fill(&readings, readingRows)
	w.carried(&tests)
	return tests, readings
}

func (w *studyWriter) fill(t *table.Table, rows []map[string]string) {
	for i := range Columns {
		c := &Columns[i]
		used := func(row map[string]string) bool { return row[c.Name] != "" }
		if c.Table != t.Name || !slices.ContainsFunc(rows, used) {
			continue
		}
		if !w.stays(c) {
			w.left(c, rows)
			continue
		}
		f := c.field()
		if c.Deid == pooled && !w.choice.Identified {
			f.Missing = []string{"", deid.Pooled}
		}
		if slices.Contains(t.Key, c.Name) {
			if f.Constraints == nil {
				f.Constraints = &table.Constraints{}
			}
			f.Constraints.Required = true
		}
		t.Fields = append(t.Fields, f)
	}
	for _, row := range rows {
		cells := make([]string, len(t.Fields))
		for k, f := range t.Fields {
			cells[k] = row[f.Name]
		}
		t.Rows = append(t.Rows, cells)
	}
}

// left keeps the free texts that are not written, each once, for review.
func (w *studyWriter) left(c *Column, rows []map[string]string) {
	if c.Deid != freeText {
		return
	}
	f := Free{Column: c.Name}
	for _, row := range rows {
		if s := row[c.Name]; s != "" && !slices.Contains(f.Texts, s) {
			f.Texts = append(f.Texts, s)
		}
	}
	slices.Sort(f.Texts)
	w.free = append(w.free, f)
}

func (w *studyWriter) testRow(i int) map[string]string {
	c := &w.cases[i]
	row := map[string]string{}
	for name, v := range c.Cells {
		row[name] = v
	}
	row["test"] = w.id(i)
	if w.choice.Identified {
		return row
	}
	row["participant"], row["visit"] = w.choice.Codes[c.Who()], strconv.Itoa(w.visit[i])
	if c.Date != "" {
		row["year"] = c.Date[:4]
		if day, err := deid.StudyDay(w.first[c.Who()], c.Date); err == nil {
			row["study_day"] = strconv.Itoa(day)
		}
	}
	old := c.AgeYears >= deid.PooledAge
	row["age_years"] = ""
	if c.AgeYears > 0 {
		row["age_years"] = text(float64(int(c.AgeYears)))
	}
	if old {
		row["age_years"] = deid.Pooled
	}
	for k := range Columns {
		switch col := &Columns[k]; {
		case col.Table != "tests":
		case col.Deid == worded || col.Name == "sex":
			row[col.Name] = c.Words[col.Name]
		case col.Deid == derived && old:
			delete(row, col.Name)
		}
	}
	return row
}

func (w *studyWriter) readingRow(i, n int) map[string]string {
	c := &w.cases[i]
	row := map[string]string{}
	for name, v := range c.Readings[n] {
		row[name] = v
	}
	row["test"], row["row"] = w.id(i), strconv.Itoa(n+1)
	if !w.choice.Identified {
		for _, name := range []string{"symptom", "stop_reason"} {
			row[name] = c.ReadingWords[n][name]
		}
	}
	return row
}

// carried adds the columns that nobody knows: in identified data, or where they were looked through.
func (w *studyWriter) carried(t *table.Table) {
	var names []string
	for i := range w.cases {
		for _, c := range w.cases[i].Carried {
			if !slices.Contains(names, c.Column) {
				names = append(names, c.Column)
			}
		}
	}
	for _, name := range names {
		f := Free{Column: name}
		cells := make([]string, len(w.order))
		for k, i := range w.order {
			for _, c := range w.cases[i].Carried {
				if c.Column == name {
					cells[k] = strings.Join(c.Texts, "; ")
					f.Texts = append(f.Texts, c.Texts...)
				}
			}
		}
		if !w.choice.Identified && !slices.Contains(w.choice.Keep, name) {
			slices.Sort(f.Texts)
			f.Texts = slices.Compact(f.Texts)
			w.free = append(w.free, f)
			continue
		}
		title := name
		if slices.ContainsFunc(t.Fields, func(f table.Field) bool { return f.Name == name }) {
			name = "sheet_" + name
		}
		t.Fields = append(t.Fields, table.Field{Name: name, Type: "string", Title: title, Description: "a column of the sheet that is not known here"})
		for k := range t.Rows {
			t.Rows[k] = append(t.Rows[k], cells[k])
		}
	}
}

// guide explains the columns in a table of its own, for people who open the files in a spreadsheet.
func guide(tables ...*table.Table) table.Table {
	g := table.Table{Name: "columns", Title: "What the columns mean", Key: []string{"table", "column"}}
	for _, name := range []string{"table", "column", "title", "type", "unit", "meaning"} {
		g.Fields = append(g.Fields, table.Field{Name: name, Type: "string"})
	}
	for _, t := range tables {
		for _, f := range t.Fields {
			g.Rows = append(g.Rows, []string{t.Name, f.Name, f.Title, f.Type, f.Unit, f.Description})
		}
	}
	return g
}

// SmallGroups counts how many people share age band, sex and condition, and names the groups below five: rare combinations
// identify without any name. (Five is our choice.)
func SmallGroups(cases []Case) (all []string) {
	people := map[string]map[string]bool{}
	for i := range cases {
		c := &cases[i]
		band := "age not known"
		switch decade := int(c.AgeYears) / 10 * 10; {
		case c.AgeYears >= deid.PooledAge:
			band = deid.Pooled
		case c.AgeYears > 0:
			band = fmt.Sprintf("%d to %d", decade, decade+9)
		}
		key := band + ", " + c.Words["sex"] + ", " + c.Words["condition"]
		if people[key] == nil {
			people[key] = map[string]bool{}
		}
		people[key][c.Who()] = true
	}
	for key, who := range people {
		if len(who) < 5 {
			all = append(all, fmt.Sprintf("%s: %d", strings.TrimRight(key, ", "), len(who)))
		}
	}
	slices.Sort(all)
	return all
}
