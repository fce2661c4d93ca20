package web

import (
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"gradus/equipment"
	"gradus/internal/record"
)

func machineAddress(id int64) string { return "/machines/" + strconv.FormatInt(id, 10) }

// machineLine is a machine in the list.
type machineLine struct {
	record.Machine
	ShowsText string
	Why       string // why it gives no estimate, or ""
	Control   []string
	Due       string // calibration that is overdue, or ""
}

type machinesBody struct {
	Machines, Retired []machineLine
	Form              form
}

func (s *Server) machines(w http.ResponseWriter, r *http.Request) error {
	return s.showMachines(w, r, http.StatusOK, machineForm(record.Machine{}))
}

func (s *Server) showMachines(w http.ResponseWriter, r *http.Request, status int, f form) error {
	list, err := s.store.Machines(r.Context())
	if err != nil {
		return err
	}
	body := machinesBody{Form: f}
	for _, m := range list {
		line, err := s.machineLine(r, m)
		if err != nil {
			return err
		}
		if m.Retired {
			body.Retired = append(body.Retired, line)
		} else {
			body.Machines = append(body.Machines, line)
		}
	}
	return s.show(w, status, frame{Page: "machines", Title: say("machines.title"), Purpose: say("machines.purpose"), Section: "machines", Token: s.token(w, r), Body: body})
}

func (s *Server) machineLine(r *http.Request, m record.Machine) (machineLine, error) {
	line := machineLine{Machine: m, ShowsText: say("machine.shows", optionText("shows", string(m.Shows))), Due: s.calibrationDue(m)}
	if ok, why := m.Estimates(); !ok {
		line.Why = say("machine.why." + why)
	}
	charts, err := s.charts(r, m)
	for _, c := range charts {
		line.Control = append(line.Control, c.Text)
	}
	return line, err
}

// calibrationDue says that the next calibration of a machine is over its day.
func (s *Server) calibrationDue(m record.Machine) string {
	next := ""
	for _, c := range m.Calibrations {
		next = c.Next
	}
	if next != "" && next < s.day() {
		return say("machine.calibration.due", dayText(next))
	}
	return ""
}

func machineForm(m record.Machine) form {
	step := field{Name: "step", Kind: "number", Most: 8}
	if m.Step != 0 {
		step.Value = strconv.FormatFloat(m.Step, 'f', -1, 64)
	}
	state := choiceField("machine_state", "used", "used", "retired")
	if m.Retired {
		state.Value = "retired"
	}
	shows := choiceField("shows", string(m.Shows), "watts", "levels", "mets")
	shows.Need = true
	return form{Fields: []field{textField("machine_name", m.Name, 120), choiceField("machine_kind", or(m.Kind, machineKinds[0]), machineKinds...), shows, step,
		{Name: "levels", Kind: "area", Value: tableText(m.Table), Most: 8000}, {Name: "machine_note", Kind: "area", Value: m.Note, Most: 2000}, state, textField("entered_by", "", 80)}}
}

var machineKinds = []string{"recumbent-stepper", "cycle", "recumbent-cycle", "arm-crank", "treadmill", "other"}

// tableText writes the table of levels as it is entered: a line each of level, cadence and W.
func tableText(table []equipment.Row) string {
	var b strings.Builder
	for _, row := range table {
		fmt.Fprintf(&b, "%v %v %v\n", row.Level, row.Cadence, row.WorkW)
	}
	return b.String()
}

func readTable(f *form) (table []equipment.Row) {
	for i, line := range linesOf(f.text("levels")) {
		var v [3]float64
		parts := strings.FieldsFunc(line, func(r rune) bool { return r == ' ' || r == '\t' || r == ';' })
		if len(parts) != 3 {
			f.fault("levels", say("machine.table.line", i+1, line))
			return nil
		}
		for j, part := range parts {
			n, err := strconv.ParseFloat(strings.Replace(part, ",", ".", 1), 64)
			if err != nil {
				f.fault("levels", say("machine.table.number", i+1, part))
				return nil
			}
			v[j] = n
		}
		table = append(table, equipment.Row{Level: v[0], Cadence: v[1], WorkW: v[2]})
	}
	return table
}

func (s *Server) readMachine(r *http.Request, f *form, m record.Machine) record.Machine {
	f.take(r)
	f.signed(s.signed(r))
	m.Name, m.Kind, m.Shows, m.Step = f.text("machine_name"), f.text("machine_kind"), equipment.Shows(f.text("shows")), f.within("step", 0.1, 100)
	m.Table, m.Note, m.Retired, m.By = readTable(f), f.text("machine_note"), f.text("machine_state") == "retired", f.text("entered_by")
	if m.By == "" {
		f.fault("entered_by", say("form.empty"))
	}
	return m
}

// machineFault puts what the record refused to the field it is about.
func machineFault(f *form, m record.Machine, err error) error {
	var changed *record.ChangedError
	var invalid *record.InvalidError
	var fault *equipment.Fault
	switch {
	case errors.As(err, &changed):
		f.General = say("machine.changed")
	case errors.As(m.Check(), &fault):
		f.fault(map[string]string{"name": "machine_name", "shows": "shows", "smallest_step": "step", "table": "levels", "calibration": "machine_note"}[fault.Field], fault.Text)
	case errors.As(err, &invalid):
		f.General = invalid.Why
	default:
		return err
	}
	return nil
}

func (s *Server) addMachine(w http.ResponseWriter, r *http.Request) error {
	f := machineForm(record.Machine{})
	m := s.readMachine(r, &f, record.Machine{})
	if !f.bad() {
		added, err := s.store.SaveMachine(r.Context(), m)
		if err == nil {
			http.Redirect(w, r, machineAddress(added.ID)+"?saved", http.StatusSeeOther)
			return nil
		}
		if err := machineFault(&f, m, err); err != nil {
			return err
		}
	}
	return s.showMachines(w, r, http.StatusUnprocessableEntity, f)
}

func (s *Server) machineAt(r *http.Request) (record.Machine, error) {
	id, err := pathNumber(r, "machine")
	if err != nil {
		return record.Machine{}, err
	}
	return s.store.Machine(r.Context(), id)
}

type machineBody struct {
	Machine     machineLine
	Charts      []chartView
	Struck      []runLine
	Versions    []slipLine
	Form        form
	Calibration form
	Run         form
	Strike      form
	Open        bool
	Saved       bool
	Numbers     []slipLine // what the limits rest on
	Formula     string
}

func calibrationForm() form {
	return form{Fields: []field{{Name: "calibration_date", Kind: "date"}, textField("calibration_result", "", 300), {Name: "calibration_next", Kind: "date"}, textField("entered_by", "", 80)}}
}

func (s *Server) runForm(m record.Machine) form {
	return form{Fields: []field{{Name: "run_date", Kind: "date", Value: s.day()}, textField("run_staff", "", 40), {Name: "run_work", Kind: "number", Most: 8},
		textField("run_rates", "", 200), choiceField("run_anew", "no", "no", "yes"), textField("run_note", "", 300), textField("entered_by", "", 80)}}
}

func (s *Server) machine(w http.ResponseWriter, r *http.Request) error {
	m, err := s.machineAt(r)
	if err != nil {
		return err
	}
	return s.showMachine(w, r, http.StatusOK, m, s.machineForms(m))
}

func (s *Server) machineForms(m record.Machine) machineBody {
	return machineBody{Form: machineForm(m), Calibration: calibrationForm(), Run: s.runForm(m), Strike: whyForm()}
}

func (s *Server) showMachine(w http.ResponseWriter, r *http.Request, status int, m record.Machine, body machineBody) (err error) {
	body.Open, body.Saved = body.Form.bad(), r.URL.Query().Has("saved")
	if body.Machine, err = s.machineLine(r, m); err != nil {
		return err
	}
	if body.Charts, err = s.charts(r, m); err != nil {
		return err
	}
	runs, err := s.store.ControlRuns(r.Context(), m.ID)
	if err != nil {
		return err
	}
	for _, run := range runs {
		if run.StruckBy != "" {
			body.Struck = append(body.Struck, lineOfRun(run))
		}
	}
	versions, err := s.store.MachineVersions(r.Context(), m.ID)
	if err != nil {
		return err
	}
	for _, v := range slices.Backward(versions) {
		body.Versions = append(body.Versions, slipLine{say("machine.version", v.Version), say("machine.version.by", v.Name, optionText("shows", string(v.Shows)), v.By, day(v.At.Local()))})
	}
	of := map[string]string{}
	for _, c := range equipment.Constants() {
		of[c.ID] = num(c.Value)
		body.Numbers = append(body.Numbers, slipLine{strings.TrimSpace(num(c.Value) + " " + c.Unit), c.Source + " (" + say("how."+c.How) + ")"})
	}
	body.Formula = say("control.formula", of["steady"], of["d2"], of["warn"], of["out"])
	return s.show(w, status, frame{Page: "machine", Title: m.Name, Purpose: say("machine.purpose"), Section: "machines", Token: s.token(w, r), Body: body})
}

func (s *Server) changeMachine(w http.ResponseWriter, r *http.Request) error {
	m, err := s.machineAt(r)
	if err != nil {
		return err
	}
	body := s.machineForms(m)
	changed := s.readMachine(r, &body.Form, m)
	if v, err := strconv.Atoi(r.PostForm.Get("version")); err == nil {
		changed.Version = v // the one that the form showed
	}
	if !body.Form.bad() {
		_, err := s.store.SaveMachine(r.Context(), changed)
		if err == nil {
			http.Redirect(w, r, machineAddress(m.ID)+"?saved", http.StatusSeeOther)
			return nil
		}
		if err := machineFault(&body.Form, changed, err); err != nil {
			return err
		}
	}
	return s.showMachine(w, r, http.StatusUnprocessableEntity, m, body)
}

// calibrated adds a calibration to a machine.
func (s *Server) calibrated(w http.ResponseWriter, r *http.Request) error {
	m, err := s.machineAt(r)
	if err != nil {
		return err
	}
	body := s.machineForms(m)
	f := &body.Calibration
	f.take(r)
	f.signed(s.signed(r))
	for _, name := range []string{"calibration_date", "calibration_result", "entered_by"} {
		if f.text(name) == "" {
			f.fault(name, say("form.empty"))
		}
	}
	for _, name := range []string{"calibration_date", "calibration_next"} {
		if text := f.text(name); text != "" && dayText(text) == text {
			f.fault(name, say("form.day"))
		}
	}
	if !f.bad() {
		changed := m
		changed.Calibrations = append(slices.Clone(m.Calibrations), equipment.Calibration{Date: f.text("calibration_date"), Result: f.text("calibration_result"), Next: f.text("calibration_next")})
		slices.SortStableFunc(changed.Calibrations, func(a, b equipment.Calibration) int { return strings.Compare(a.Date, b.Date) })
		changed.By = f.text("entered_by")
		_, err := s.store.SaveMachine(r.Context(), changed)
		if err == nil {
			http.Redirect(w, r, machineAddress(m.ID)+"?saved", http.StatusSeeOther)
			return nil
		}
		if err := machineFault(f, changed, err); err != nil {
			return err
		}
	}
	return s.showMachine(w, r, http.StatusUnprocessableEntity, m, body)
}

// ran adds a run of the biological control.
func (s *Server) ran(w http.ResponseWriter, r *http.Request) error {
	m, err := s.machineAt(r)
	if err != nil {
		return err
	}
	body := s.machineForms(m)
	f := &body.Run
	f.take(r)
	f.signed(s.signed(r))
	run := record.ControlRun{Machine: m.ID, Staff: f.text("run_staff"), Date: f.text("run_date"), Work: f.within("run_work", 0.5, 1000), Anew: f.text("run_anew") == "yes", Note: f.text("run_note"), By: f.text("entered_by")}
	for _, part := range strings.FieldsFunc(f.text("run_rates"), func(r rune) bool { return r == ' ' || r == ',' || r == ';' }) {
		v, err := strconv.ParseFloat(part, 64)
		if err != nil || !(v >= 25 && v <= 250) {
			f.fault("run_rates", say("control.rate", part))
			break
		}
		run.HeartRates = append(run.HeartRates, v)
	}
	for _, name := range []string{"run_date", "run_staff", "run_work", "run_rates", "entered_by"} {
		if f.text(name) == "" {
			f.fault(name, say("form.empty"))
		}
	}
	if !f.bad() {
		_, err := s.store.AddControlRun(r.Context(), run)
		if err == nil {
			http.Redirect(w, r, machineAddress(m.ID)+"?saved#control", http.StatusSeeOther)
			return nil
		}
		var invalid *record.InvalidError
		if !errors.As(err, &invalid) {
			return err
		}
		f.fault("run_rates", invalid.Why)
	}
	return s.showMachine(w, r, http.StatusUnprocessableEntity, m, body)
}

// struck takes a run out of the chart.
func (s *Server) struck(w http.ResponseWriter, r *http.Request) error {
	m, err := s.machineAt(r)
	if err != nil {
		return err
	}
	body := s.machineForms(m)
	s.readWhy(r, &body.Strike)
	id, err := strconv.ParseInt(r.PostForm.Get("run"), 10, 64)
	if err != nil {
		body.Strike.General = say("control.which")
	}
	if !body.Strike.bad() {
		err := s.store.StrikeControlRun(r.Context(), id, body.Strike.text("merge_by"), body.Strike.text("why"))
		var invalid *record.InvalidError
		switch {
		case err == nil:
			http.Redirect(w, r, machineAddress(m.ID)+"?saved#control", http.StatusSeeOther)
			return nil
		case !errors.As(err, &invalid):
			return err
		}
		body.Strike.General = invalid.Why
	}
	return s.showMachine(w, r, http.StatusUnprocessableEntity, m, body)
}

// chartView is the control chart of one staff member at one work rate.
type chartView struct {
	Title, Text   string
	Alarm         bool
	Runs          []runLine
	Lines         []chartLine
	Dots          []chartDot
	Path          string
	Width, Height int
	Left, Right   float64
	Limits        bool
	Note          string
}

type chartLine struct {
	Y            float64
	Class, Label string
}

type chartDot struct {
	X, Y  float64
	Class string
	Title string
}

type runLine struct {
	ID                      int64
	Day, Rates, Value, Note string
}

func lineOfRun(run record.ControlRun) runLine {
	rates := make([]string, len(run.HeartRates))
	for i, v := range run.HeartRates {
		rates[i] = num(v)
	}
	line := runLine{ID: run.ID, Day: dayText(run.Date), Rates: strings.Join(rates, ", "), Value: num(equipment.Steady(run.HeartRates)), Note: run.Note}
	if run.Anew {
		line.Note = strings.TrimSpace(say("control.anew") + " " + line.Note)
	}
	if run.StruckBy != "" {
		line.Note = strings.TrimSpace(line.Note + " " + say("control.struck", run.StruckBy, run.StruckWhy))
	}
	return line
}

// charts makes the control charts of a machine: one for each staff member and work rate.
func (s *Server) charts(r *http.Request, m record.Machine) ([]chartView, error) {
	runs, err := s.store.ControlRuns(r.Context(), m.ID)
	if err != nil {
		return nil, err
	}
	type key struct {
		staff string
		work  float64
	}
	var order []key
	of := map[key][]record.ControlRun{}
	for _, run := range runs {
		if run.StruckBy != "" {
			continue
		}
		k := key{strings.ToUpper(run.Staff), run.Work}
		if _, known := of[k]; !known {
			order = append(order, k)
		}
		if run.Anew {
			of[k] = nil
		}
		of[k] = append(of[k], run)
	}
	var views []chartView
	for _, k := range order {
		views = append(views, chartOf(say("control.title", of[k][0].Staff, num(k.work), say("shows.unit."+string(m.Shows))), of[k]))
	}
	return views, nil
}

const (
	chartWidth, chartHeight  = 720, 260
	chartLeft, chartRight    = 8, 600
	chartTop, chartBottom    = 20, 230
	chartMargin, chartSpread = 3, 8 // beats beyond what is drawn, and the least span
)

func chartOf(title string, runs []record.ControlRun) chartView {
	values := make([]float64, len(runs))
	for i, run := range runs {
		values[i] = equipment.Steady(run.HeartRates)
	}
	c := equipment.Judge(values)
	v := chartView{Title: title, Width: chartWidth, Height: chartHeight, Left: chartLeft, Right: chartRight, Limits: c.Needs == 0,
		Text: controlText(c, runs[len(runs)-1]), Alarm: c.Sign == equipment.OutOfControl || c.Sign == equipment.Drift}
	low, high := slices.Min(values), slices.Max(values)
	if v.Limits {
		low, high = min(low, c.LowLimit), max(high, c.HighLimit)
		v.Note = say("control.limits", c.Baseline, fixed(c.Mean), fixed(c.SD), fixed(c.LowLimit), fixed(c.HighLimit))
	}
	low, high = low-chartMargin, max(high+chartMargin, low+chartSpread)
	y := func(bpm float64) float64 {
		return float64(int((chartBottom-(bpm-low)/(high-low)*(chartBottom-chartTop))*10+0.5)) / 10
	}
	if v.Limits {
		for _, line := range []struct {
			at    float64
			class string
			label string
		}{{c.HighLimit, "out", "control.line.out"}, {c.WarnHigh, "warn", "control.line.warn"}, {c.Mean, "mean", "control.line.mean"}, {c.WarnLow, "warn", "control.line.warn"}, {c.LowLimit, "out", "control.line.out"}} {
			v.Lines = append(v.Lines, chartLine{y(line.at), line.class, say(line.label, fixed(line.at))})
		}
	}
	step := float64(chartRight-chartLeft-40) / float64(max(len(values)-1, 1))
	var path []string
	for i, bpm := range values {
		x := float64(int((chartLeft+20+float64(i)*step)*10)) / 10
		dot := chartDot{X: x, Y: y(bpm), Class: "reading taken", Title: say("control.dot", dayText(runs[i].Date), num(bpm))}
		if v.Limits && (bpm > c.HighLimit || bpm < c.LowLimit) {
			dot.Class = "reading beyond"
		}
		v.Dots = append(v.Dots, dot)
		path = append(path, fmt.Sprintf("%v,%v", dot.X, dot.Y))
	}
	v.Path = strings.Join(path, " ")
	for _, run := range slices.Backward(runs) {
		v.Runs = append(v.Runs, lineOfRun(run))
	}
	return v
}

// controlText says in one sentence whether the machine drifts.
func controlText(c equipment.Chart, last record.ControlRun) string {
	value := num(equipment.Steady(last.HeartRates))
	switch c.Sign {
	case equipment.TooFew:
		return say("control.few", len(c.Values), c.Needs)
	case equipment.InControl:
		return say("control.in", dayText(last.Date), value, fixed(c.LowLimit), fixed(c.HighLimit))
	case equipment.Watch:
		return say("control.watch", dayText(last.Date), value)
	case equipment.Drift:
		return say("control.drift")
	}
	return say("control.out", dayText(last.Date), value, fixed(c.LowLimit), fixed(c.HighLimit))
}
