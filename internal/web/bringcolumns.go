package web

import (
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"gradus/internal/exchange/grid"
	"gradus/internal/mapping"
	"gradus/protocol"
)

// matchBody is the page on which the columns of a file are matched.
type matchBody struct {
	ID, File string
	Fault    string
	About    []field // sheet, row of the headings, what a row is, protocol, how days and numbers are written
	Sample   sampleTable
	OfTest   []pick
	More     []pick
	Moments  []momentPicks
	Words    string
	Title    string
	Notes    []string
}

// sampleTable shows the first rows of the file with the letters of its columns.
type sampleTable struct {
	Letters []string
	Heads   []string
	Rows    []sampleRow
}

type sampleRow struct {
	N     int
	Cells []string
}

// pick is a column to be chosen for what a test has.
type pick struct {
	Name, Label, Value string
	Options            []option
}

// momentPicks are the columns of a moment of the test.
type momentPicks struct {
	Title string
	Picks []pick
}

// firstPicks are the columns that most tables have; the others stand behind "more".
var firstPicks = []string{"participant", "name", "date", "sex", "age_years", "birth_date", "mass_kg", "height_cm", "rate_limiting_drug", "rest_hr_bpm", "rest_bp_mmhg", "stop_reason"}

var morePicks = []string{"time", "examiner", "mass_lb", "height_in", "condition", "rhythm", "rest_sbp_mmhg", "rest_dbp_mmhg", "max_hr_bpm", "max_hr_formula", "hr_method", "target_cadence_per_min", "drug_dose", "hours_since_dose",
	"ergometer", "machine_shows", "walking_aid", "hand_rail", "symptom", "note", "test"}

var readingPicks = []string{"stage", "minute", "stage_minute", "work_w", "level", "speed_kmh", "grade_percent", "distance_m", "hr_bpm", "disturbed", "rpe", "bp_mmhg", "sbp_mmhg", "dbp_mmhg", "spo2_percent", "cadence_per_min", "breathlessness"}

// columnText is a column of a data sheet in words.
func columnText(name string) string {
	return or(english["column."+name], strings.ReplaceAll(name, "_", " "))
}

// picksFor are the columns of a test by this protocol.
func picksFor(p *protocol.Protocol) (first, more []string) {
	first, more = firstPicks, slices.Clone(morePicks)
	known, _ := mapping.Offered()
	for _, name := range slices.Concat(p.Inputs.Required, p.Inputs.Asked) {
		if slices.Contains(known, name) && !slices.Contains(first, name) && !slices.Contains(more, name) {
			more = append(more, name)
		}
	}
	return first, more
}

func columnOptions(t *grid.Table) (all []option) {
	for i, heading := range t.Heads {
		text := grid.Letter(i+1) + ": " + heading
		if strings.HasPrefix(heading, "column ") {
			text = heading
		}
		all = append(all, option{heading, text})
	}
	return all
}

// showMatch shows the columns with what was matched, else with what the headings suggest. With a request its entries stand.
func (s *Server) showMatch(w http.ResponseWriter, r *http.Request, status int, u *upload, fault string, sent *http.Request) error {
	if u.m != nil {
		own := *u.m // others may be looking at the same file
		u.m = &own
	}
	t, err := s.tableOf(u)
	if err != nil && u.m != nil { // another sheet or row than the file has: begin anew
		fault = strings.TrimSpace(fault + " " + err.Error())
		u.m.Sheet, u.m.Head = "", 0
		t, err = s.tableOf(u)
	}
	if err != nil {
		return &askError{http.StatusUnprocessableEntity, "file", err.Error(), say("bringin.gone.hint")}
	}
	rows, id := mapping.RowIsTest, defaultProtocol
	if u.m != nil {
		rows, id = u.m.Rows, or(u.m.Protocol.Is, id)
	}
	plan, err := s.lib.protocol(id)
	if err != nil {
		return err
	}
	m := u.m
	guess := mapping.Guess(t, plan, rows)
	if m == nil {
		m = guess
	} else if len(m.Columns) == 0 {
		m.Columns, m.Readings = guess.Columns, guess.Readings
	}
	body := matchBody{ID: r.PathValue("file"), File: u.name, Fault: fault, Sample: sampleOf(t), About: s.matchFields(t, m, id)}
	for _, n := range t.Notes {
		body.Notes = append(body.Notes, strings.TrimSpace(n.Cell()+" "+n.Msg))
	}
	options := columnOptions(t)
	choose := func(name, column, value string) pick {
		if !slices.ContainsFunc(options, func(o option) bool { return o.Value == value }) {
			value = ""
		}
		return pick{Name: name, Label: columnText(column), Value: value, Options: options}
	}
	first, more := picksFor(plan)
	if rows == mapping.RowIsReading {
		for _, name := range readingPicks {
			body.OfTest = append(body.OfTest, choose("c-"+name, name, m.Columns[name].Column))
		}
	}
	for _, name := range first {
		body.OfTest = append(body.OfTest, choose("c-"+name, name, m.Columns[name].Column))
	}
	for _, name := range more {
		body.More = append(body.More, choose("c-"+name, name, m.Columns[name].Column))
	}
	if rows == mapping.RowIsTest {
		body.Moments = momentsOf(plan, m, choose)
	}
	body.Words = wordsText(m)
	if sent != nil {
		body.Words, body.Title = sent.PostForm.Get("bring_words"), sent.PostForm.Get("mapping_title")
	}
	return s.show(w, status, frame{Page: "bringmatch", Title: say("bringin.match.title", u.name), Purpose: say("bringin.match.purpose"), Section: "people", Token: s.token(w, r), Body: body})
}

func momentsOf(plan *protocol.Protocol, m *mapping.Mapping, choose func(name, column, value string) pick) (all []momentPicks) {
	for i, slot := range mapping.Slots(plan) {
		at := slices.IndexFunc(m.Readings, func(x mapping.Moment) bool {
			return x.Stage == slot.Stage && (x.StageMinute == slot.StageMinute || x.Minute > 0 && x.Minute == slot.Minute)
		})
		one := momentPicks{Title: say("bringin.recovery", num(slot.StageMinute))}
		if slot.Stage != "recovery" {
			one.Title = say("bringin.moment", slot.Title, num(slot.StageMinute), num(slot.Minute))
		}
		for _, column := range slot.Columns {
			value := ""
			if at >= 0 {
				value = m.Readings[at].Columns[column]
			}
			one.Picks = append(one.Picks, choose(fmt.Sprintf("r-%d-%s", i, column), column, value))
		}
		all = append(all, one)
	}
	return all
}

func sampleOf(t *grid.Table) (out sampleTable) {
	for i := range t.Heads {
		out.Letters = append(out.Letters, grid.Letter(i+1))
	}
	out.Heads = t.Heads
	for _, r := range t.Rows[:min(len(t.Rows), 3)] {
		out.Rows = append(out.Rows, sampleRow{r.N, r.Cells})
	}
	return out
}

func (s *Server) matchFields(t *grid.Table, m *mapping.Mapping, id string) []field {
	sheet := field{Name: "bring_sheet", Kind: "choice", Value: t.Sheet, Hidden: len(t.Sheets) < 2, Need: true}
	for _, name := range t.Sheets {
		sheet.Options = append(sheet.Options, option{name, name})
	}
	rows := choiceField("bring_rows", m.Rows, mapping.RowIsTest, mapping.RowIsReading)
	rows.Need = true
	return []field{sheet, {Name: "bring_head", Kind: "number", Value: strconv.Itoa(t.Head), Most: 4}, rows, {Name: "protocol", Kind: "choice", Value: id, Options: s.planOptions(), Need: true},
		choiceField("bring_dates", m.Dates, mapping.DayFirst, mapping.MonthFirst, mapping.YearFirst), choiceField("bring_decimal", m.Decimal, "comma", "point")}
}

// readMatch makes a mapping of what was sent.
func readMatch(r *http.Request) (m *mapping.Mapping, faults []string) {
	get := func(name string) string { return strings.ToValidUTF8(strings.TrimSpace(r.PostForm.Get(name)), "") }
	m = &mapping.Mapping{Format: mapping.Format, ID: "matched-here", Version: "1", Title: say("bringin.matching"), Source: say("bringin.source"), Rows: get("bring_rows"), Sheet: get("bring_sheet"),
		Dates: get("bring_dates"), Decimal: get("bring_decimal"), Protocol: mapping.Chosen{Is: get("protocol")}, Columns: map[string]mapping.Value{}}
	if m.Rows != mapping.RowIsReading {
		m.Rows = mapping.RowIsTest
	}
	if text := get("bring_head"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 || n > 1000 {
			faults = append(faults, say("bringin.head", text))
		} else {
			m.Head = n
		}
	}
	moments := map[int]map[string]string{}
	for name := range r.PostForm {
		value := get(name)
		if value == "" {
			continue
		}
		if column, is := strings.CutPrefix(name, "c-"); is {
			m.Columns[column] = mapping.Value{Column: value}
		}
		if rest, is := strings.CutPrefix(name, "r-"); is && m.Rows == mapping.RowIsTest {
			at, column, _ := strings.Cut(rest, "-")
			if i, err := strconv.Atoi(at); err == nil {
				if moments[i] == nil {
					moments[i] = map[string]string{}
				}
				moments[i][column] = value
			}
		}
	}
	m.Readings = make([]mapping.Moment, 0, len(moments))
	for i := range mostSlots {
		if moments[i] != nil {
			m.Readings = append(m.Readings, mapping.Moment{Minute: float64(i), Columns: moments[i]}) // the number of the slot, until the plan is known
		}
	}
	faults = append(faults, readWords(m, get("bring_words"))...)
	return m, faults
}

const mostSlots = 200

// place gives the moments of a mapping their place in the plan.
func placeMoments(m *mapping.Mapping, plan *protocol.Protocol) {
	slots := mapping.Slots(plan)
	var placed []mapping.Moment
	for _, x := range m.Readings {
		if i := int(x.Minute); i < len(slots) {
			placed = append(placed, mapping.Moment{Stage: slots[i].Stage, StageMinute: slots[i].StageMinute, Columns: x.Columns})
		}
	}
	m.Readings = placed
}

// readWords reads lines such as "sex: w = female" into a mapping.
func readWords(m *mapping.Mapping, text string) (faults []string) {
	for _, line := range strings.Split(text, "\n") {
		if line = strings.TrimSpace(line); line == "" {
			continue
		}
		name, rest, _ := strings.Cut(line, ":")
		word, means, is := strings.Cut(rest, "=")
		name, word, means = strings.ReplaceAll(strings.TrimSpace(strings.ToLower(name)), " ", "_"), strings.TrimSpace(word), strings.TrimSpace(means)
		for column := range m.Columns {
			if strings.EqualFold(columnText(column), strings.ReplaceAll(name, "_", " ")) {
				name = column
			}
		}
		v, there := m.Columns[name]
		if !is || !there || word == "" || means == "" {
			faults = append(faults, say("bringin.words.bad", line))
			continue
		}
		if v.Words == nil {
			v.Words = map[string]string{}
		}
		v.Words[word] = means
		m.Columns[name] = v
	}
	return faults
}

func wordsText(m *mapping.Mapping) string {
	var lines []string
	for name, v := range m.Columns {
		for word, means := range v.Words {
			lines = append(lines, name+": "+word+" = "+means)
		}
	}
	slices.Sort(lines)
	return strings.Join(lines, "\n")
}
