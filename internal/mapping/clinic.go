package mapping

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"gradus/internal/exchange/grid"
	"gradus/internal/sheet"
)

// What a row of a clinic's table is.
const (
	RowIsTest    = "test"
	RowIsReading = "reading"
)

// Moment is one moment of a test in a table with a row for each test: its place in the test, and which columns hold what
// was read then.
type Moment struct {
	Stage       string            `yaml:"stage"`        // its number, cool-down or recovery
	Minute      float64           `yaml:"minute"`       // of the test, at its end; or
	StageMinute float64           `yaml:"stage_minute"` // of the stage
	Columns     map[string]string `yaml:"columns"`      // by column of a data sheet
}

// Columns that a mapping knows beside those of a data sheet.
const (
	nameColumn     = "name"         // of the person
	restBothColumn = "rest_bp_mmhg" // 128/76
	bothColumn     = "bp_mmhg"
)

var dayColumns = []string{"date", "birth_date", "limits_on"}

// textColumns are the columns of a data sheet that hold no number.
var textColumns = []string{"test", "participant", "time", "protocol", "sex", "condition", "rhythm", "rate_limiting_drug", "drug_dose", "max_hr_formula", "limits_by", "medical_cover", "machine_id", "machine_shows",
	"rpe_reason", "hr_method", "ergometer", "examiner", "walking_aid", "hand_rail", "stage", "disturbed", "symptom", "stop_reason", "note", nameColumn}

// Offered are the columns that a mapping can fill, those of the test and those of a reading.
func Offered() (ofTest, ofReading []string) {
	ofTest, ofReading = sheet.Columns()
	return append(ofTest, nameColumn, restBothColumn), append(ofReading, bothColumn)
}

// Clinic reports that the mapping is one of a clinic's own table, which goes through a data sheet.
func (m *Mapping) Clinic() bool { return m.Rows != "" }

func (m *Mapping) clinicFault() (path, msg string) {
	ofTest, ofReading := Offered()
	switch {
	case m.Rows != RowIsTest && m.Rows != RowIsReading:
		return "rows", "is neither test nor reading; say what a row of the table is"
	case m.Person != nil || m.Stages != nil || m.After != nil || m.Stop != nil || m.Official != nil || m.Carry != nil:
		return "rows", "stands with keys of a survey's table (person, stages, after, stop, official, carry); write columns and readings instead"
	case m.Dates != "" && m.Dates != YearFirst && m.Dates != DayFirst && m.Dates != MonthFirst:
		return "dates", "is not known; write ymd, dmy or mdy"
	case m.Decimal != "" && m.Decimal != "point" && m.Decimal != "comma":
		return "decimal", "is neither point nor comma"
	case m.Head < 0 || m.Head > 1000:
		return "head", "is not the number of a row from 1 to 1000"
	case len(m.Columns) == 0:
		return "columns", "is missing; say which column of the table is the participant, the date …"
	case (m.Rows == RowIsTest) != (len(m.Readings) > 0):
		return "readings", "belongs to rows: test, and must be there then: the moments of a test with the columns of what was read"
	}
	for name, v := range m.Columns {
		row := slices.Contains(ofReading, name)
		if !row && !slices.Contains(ofTest, name) {
			return "columns." + name, "is no column of a data sheet; known are " + strings.Join(append(ofTest, ofReading...), ", ")
		}
		if v.Column == "" {
			return "columns." + name, "names no column of the table; write {column: …}"
		}
		if m.Rows == RowIsTest && row && name != "stop_reason" && name != "symptom" && name != "note" {
			return "columns." + name, "was read at a moment; put it under readings"
		}
	}
	for i, r := range m.Readings {
		path := fmt.Sprintf("readings[%d]", i)
		if n, err := strconv.Atoi(r.Stage); r.Stage != "cool-down" && r.Stage != "recovery" && (err != nil || n < 1) {
			return path, fmt.Sprintf("has the stage %q; write its number from 1, cool-down or recovery", r.Stage)
		}
		if (r.Minute > 0) == (r.StageMinute > 0) || len(r.Columns) == 0 {
			return path, "needs columns, and minute or stage_minute, one of the two"
		}
		if (r.Minute > 0) != (m.Readings[0].Minute > 0) {
			return path, "counts minutes in another way than the first; write minute everywhere, or stage_minute"
		}
		for name, column := range r.Columns {
			if !slices.Contains(ofReading, name) || column == "" || name == "stage" || name == "minute" || name == "stage_minute" {
				return path, "names " + name + ", which is not read at a moment, or no column for it"
			}
		}
	}
	return "", ""
}

// Scored are the tests of a clinic's table.
type Scored struct {
	Tests    []Test
	Problems []grid.Place // what keeps a row from being a test; the other tests are there
	Notes    []grid.Place // what was read in a way that is well to know
}

// Test is a test with where it stood and what a data sheet has no column for.
type Test struct {
	*sheet.Scored
	Row   int    // the first of its rows
	Label string // the test's id as the table writes it; "" when it writes none
	Name  string // of the person
}

// place is a cell of the table.
type place struct{ row, column int }

// turner turns the rows of a table into rows of a data sheet.
type turner struct {
	m     *Mapping
	t     *grid.Table
	heads []string
	at    map[string]int // field of a heading
	out   []sheet.Typed
	from  []map[string]place // by generated row: where each column stood
	row   []int              // by generated row: the row of the table
	bad   map[string]bool    // tests with a problem
	said  map[[2]string]bool // test and column of the data sheet for which a problem was told
	about map[string]*Test
	found Scored
}

// Score scores the tests of a clinic's table. The error says that the mapping does not fit the table at all.
func (m *Mapping) Score(t *grid.Table, today time.Time, plans sheet.Plans) (*Scored, error) {
	if !m.Clinic() {
		return nil, fmt.Errorf("mapping %s is one of a survey's table; a clinic's own table needs rows, columns and, with rows: test, readings", m.ID)
	}
	c := &turner{m: m, t: t, at: map[string]int{}, bad: map[string]bool{}, said: map[[2]string]bool{}, about: map[string]*Test{}}
	if err := c.columns(); err != nil {
		return nil, err
	}
	if m.Rows == RowIsTest {
		c.byTest(plans)
	} else {
		c.byReading()
	}
	c.score(today, plans)
	return &c.found, nil
}

// columns sees that the table has what the mapping names, and settles the headings of the data sheet.
func (c *turner) columns() error {
	c.head("test", "protocol")
	need := func(column string) error {
		if column != "" && c.t.Column(column) == 0 {
			return fmt.Errorf("%s: there is no column %q; the headings in row %d are %s", c.t.File, column, c.t.Head, strings.Join(c.t.Heads, ", "))
		}
		return nil
	}
	if err := need(c.m.Protocol.Column); err != nil {
		return err
	}
	for _, name := range slices.Sorted(maps.Keys(c.m.Columns)) {
		if err := need(c.m.Columns[name].Column); err != nil {
			return err
		}
		c.head(split(name)...)
	}
	for _, r := range c.m.Readings {
		for _, name := range slices.Sorted(maps.Keys(r.Columns)) {
			if err := need(r.Columns[name]); err != nil {
				return err
			}
			c.head(split(name)...)
		}
		c.head("stage", minuteOf(&r))
	}
	return nil
}

func minuteOf(r *Moment) string {
	if r.StageMinute > 0 {
		return "stage_minute"
	}
	return "minute"
}

func (c *turner) head(names ...string) {
	for _, name := range names {
		if _, there := c.at[name]; !there && name != nameColumn {
			c.at[name] = len(c.heads)
			c.heads = append(c.heads, name)
		}
	}
}

// split are the columns of a data sheet that a column of a mapping fills.
func split(name string) []string {
	switch name {
	case restBothColumn:
		return []string{"rest_sbp_mmhg", "rest_dbp_mmhg"}
	case bothColumn:
		return []string{"sbp_mmhg", "dbp_mmhg"}
	}
	return []string{name}
}

// line is a row of the data sheet in the making.
type line struct {
	cells map[string]string
	from  map[string]place
}

func newLine() *line { return &line{map[string]string{}, map[string]place{}} }

func (l *line) put(name, text string, from place) {
	if text != "" {
		l.cells[name], l.from[name] = text, from
	}
}

// value reads a cell into a line. What cannot be read is a problem of the test.
func (c *turner) value(l *line, test, name string, v Value, r *grid.Row) {
	column := c.t.Column(v.Column)
	text := r.Cells[column-1]
	fail := func(why string) {
		for _, filled := range split(name) {
			c.said[[2]string{test, filled}] = true
		}
		c.problem(test, c.t.At(r.N, column, "%s", why))
	}
	if why := c.t.Unfit(r.N, column); why != "" {
		fail(why)
		return
	}
	if text == "" {
		return
	}
	at := place{r.N, column}
	for word, means := range v.Words {
		if strings.EqualFold(strings.TrimSpace(word), text) {
			l.put(name, means, at)
			return
		}
	}
	msg := ""
	switch {
	case slices.Contains(dayColumns, name):
		text, msg = Day(text, c.m.Dates)
	case name == restBothColumn || name == bothColumn:
		high, low, ok := pressures(text)
		if !ok {
			msg = fmt.Sprintf("%q is no pair of pressures; write 138/78", text)
			break
		}
		both := split(name)
		l.put(both[0], high, at)
		l.put(both[1], low, at)
		return
	case !slices.Contains(textColumns, name):
		text, msg = c.m.number(text, c.t.Typed)
	}
	if msg != "" {
		fail(msg)
		return
	}
	l.put(name, text, at)
}

var pair = regexp.MustCompile(`^(\d{2,3})\s*/\s*(\d{2,3})$`)

func pressures(text string) (high, low string, ok bool) {
	m := pair.FindStringSubmatch(text)
	if m == nil {
		return "", "", false
	}
	return m[1], m[2], true
}

func (c *turner) problem(test string, p grid.Place) {
	c.bad[test] = true
	c.found.Problems = append(c.found.Problems, p)
}

// protocolOf is the protocol of a row; msg says why there is none.
func (c *turner) protocolOf(r *grid.Row) (id string, at place, msg string) {
	if c.m.Protocol.Is != "" {
		return c.m.Protocol.Is, place{r.N, 0}, ""
	}
	column := c.t.Column(c.m.Protocol.Column)
	text := r.Cells[column-1]
	at = place{r.N, column}
	for word, means := range c.m.Protocol.Words {
		if strings.EqualFold(word, text) {
			return means, at, ""
		}
	}
	switch {
	case text == "" && c.m.Protocol.Missing != "":
		return "", at, c.m.Protocol.Missing
	case len(c.m.Protocol.Words) > 0:
		return "", at, fmt.Sprintf("%q is no protocol of this mapping", text)
	}
	return text, at, ""
}

// test begins a test: its name in the data sheet and what is remembered of it.
func (c *turner) test(r *grid.Row, label, person string) string {
	id := label
	if id == "" {
		id = fmt.Sprintf("row %d", r.N)
	}
	if c.about[id] == nil {
		c.about[id] = &Test{Row: r.N, Label: label, Name: person}
	}
	return id
}

// plain is the text of a column of the mapping; "" when it has none.
func (c *turner) plain(name string, r *grid.Row) string {
	v, there := c.m.Columns[name]
	if !there {
		return ""
	}
	return r.Cells[c.t.Column(v.Column)-1]
}

// byTest turns each row into the moments of a test.
func (c *turner) byTest(plans sheet.Plans) {
	for i := range c.t.Rows {
		r := &c.t.Rows[i]
		test := c.test(r, c.plain("test", r), c.plain(nameColumn, r))
		person, last := newLine(), newLine()
		person.put("test", test, place{r.N, 0})
		id, at, msg := c.protocolOf(r)
		if msg != "" {
			c.problem(test, c.t.At(r.N, at.column, "%s", msg))
			continue
		}
		person.put("protocol", id, at)
		_, ofReading := Offered()
		for _, name := range slices.Sorted(maps.Keys(c.m.Columns)) {
			switch {
			case name == "test" || name == nameColumn:
			case slices.Contains(ofReading, name):
				c.value(last, test, name, c.m.Columns[name], r)
			default:
				c.value(person, test, name, c.m.Columns[name], r)
			}
		}
		lines := c.moments(test, r, id, plans)
		if len(lines) == 0 {
			c.problem(test, c.t.At(r.N, 0, "none of the columns of the readings has a value in this row"))
			continue
		}
		maps.Copy(lines[0].cells, person.cells)
		maps.Copy(lines[0].from, person.from)
		end := lastOfStages(lines)
		maps.Copy(lines[end].cells, last.cells)
		maps.Copy(lines[end].from, last.from)
		for _, l := range lines {
			l.cells["test"] = test
			c.add(r.N, l)
		}
	}
}

// lastOfStages is the last moment before cool-down and recovery: what ended the test stands there.
func lastOfStages(lines []*line) int {
	for i := len(lines) - 1; i > 0; i-- {
		if stage := lines[i].cells["stage"]; stage != "cool-down" && stage != "recovery" {
			return i
		}
	}
	return 0
}

// moments are the moments of a test at which something was read. The load of a stage stands in its first one.
func (c *turner) moments(test string, r *grid.Row, protocol string, plans sheet.Plans) (lines []*line) {
	loads := []string{"work_w", "level", "speed_kmh", "speed_mph", "grade_percent"}
	stage := ""
	for i := range c.m.Readings {
		moment := &c.m.Readings[i]
		l, load := newLine(), newLine()
		for _, name := range slices.Sorted(maps.Keys(moment.Columns)) {
			if !slices.Contains(loads, name) {
				c.value(l, test, name, Value{Column: moment.Columns[name]}, r)
			}
		}
		if len(l.cells) == 0 {
			continue
		}
		for k := range c.m.Readings {
			for _, name := range loads {
				column, there := c.m.Readings[k].Columns[name]
				if there && c.m.Readings[k].Stage == moment.Stage && load.cells[name] == "" && (k == i || moment.Stage != stage && k < i) {
					c.value(load, test, name, Value{Column: column}, r)
				}
			}
		}
		if load.cells["work_w"] == "" && moment.Stage != stage {
			load.put("work_w", fixedLoad(protocol, moment.Stage, plans), place{r.N, 0})
			c.head("work_w")
		}
		maps.Copy(l.cells, load.cells)
		maps.Copy(l.from, load.from)
		stage = moment.Stage
		l.cells["stage"] = moment.Stage
		l.cells[minuteOf(moment)] = text(moment.Minute + moment.StageMinute)
		lines = append(lines, l)
	}
	return lines
}

// text writes a number as it is.
func text(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// fixedLoad is the load of a stage that a protocol fixes; "" when it fixes none.
func fixedLoad(id, stage string, plans sheet.Plans) string {
	p, _, err := plans(id)
	if err != nil {
		return ""
	}
	n := 0
	for i := range p.Parts {
		if p.Parts[i].If == "asked" {
			break
		}
		if n++; text(float64(n)) == stage && p.Parts[i].Work.Form() == "fixed" {
			return text(*p.Parts[i].Work.Watts)
		}
	}
	return ""
}

// byReading turns each row into a row of the data sheet. A test ends where its id changes, or, in a table without ids, where
// person or day change.
func (c *turner) byReading() {
	test, person, day := "", "", ""
	for i := range c.t.Rows {
		r := &c.t.Rows[i]
		label, who, when := c.plain("test", r), c.plain("participant", r), c.plain("date", r)
		_, hasIDs := c.m.Columns["test"]
		fresh := test == "" || hasIDs && label != "" && label != test || !hasIDs && (who != "" && who != person || when != "" && when != day)
		if fresh {
			test, person, day = c.test(r, label, c.plain(nameColumn, r)), who, when
		}
		l := newLine()
		l.cells["test"] = test
		if fresh || c.m.Protocol.Column != "" && r.Cells[c.t.Column(c.m.Protocol.Column)-1] != "" {
			id, at, msg := c.protocolOf(r)
			if msg != "" {
				c.problem(test, c.t.At(r.N, at.column, "%s", msg))
			}
			l.put("protocol", id, at)
		}
		for _, name := range slices.Sorted(maps.Keys(c.m.Columns)) {
			if name != "test" && name != nameColumn {
				c.value(l, test, name, c.m.Columns[name], r)
			}
		}
		c.add(r.N, l)
	}
}

func (c *turner) add(row int, l *line) {
	for name := range l.cells {
		c.head(name)
	}
	c.out = append(c.out, sheet.Typed{N: len(c.out) + 2})
	c.from, c.row = append(c.from, l.from), append(c.row, row)
	cells := make([]string, len(c.heads))
	for name, text := range l.cells {
		cells[c.at[name]] = text
	}
	c.out[len(c.out)-1].Cells = cells
}

// score has the data sheet scored, and says of every fault where it stood in the table.
func (c *turner) score(today time.Time, plans sheet.Plans) {
	for i := range c.out {
		c.out[i].Cells = append(c.out[i].Cells, make([]string, len(c.heads)-len(c.out[i].Cells))...)
	}
	scores := sheet.Score([]*sheet.Sheet{sheet.Of(c.t.File, c.heads, c.out)}, today, plans)
	for _, f := range scores.Faults {
		c.found.Problems = append(c.found.Problems, c.where(f))
	}
	for _, t := range scores.Tests {
		for _, f := range t.Faults {
			if !c.said[[2]string{t.ID, f.Column}] { // else it is missing because it could not be read
				c.problem(t.ID, c.where(f))
			}
		}
		if t.Unsaid > 0 {
			c.problem(t.ID, c.t.At(c.about[t.ID].Row, 0, "%d more problems of this test are not listed", t.Unsaid))
		}
		if c.bad[t.ID] {
			continue
		}
		for _, f := range t.Noticed {
			c.found.Notes = append(c.found.Notes, c.where(f))
		}
		about := c.about[t.ID]
		about.Scored = t
		c.found.Tests = append(c.found.Tests, *about)
	}
	slices.SortStableFunc(c.found.Problems, byPlace)
}

func byPlace(a, b grid.Place) int {
	if a.Row != b.Row {
		return a.Row - b.Row
	}
	return a.Column - b.Column
}

// where is a fault of the data sheet in the table it came from.
func (c *turner) where(f *sheet.Fault) grid.Place {
	msg := f.Msg
	i := f.Line - 2
	if i < 0 || i >= len(c.row) {
		if f.Column != "" {
			msg = f.Column + ": " + msg
		}
		return c.t.At(0, 0, "%s", msg)
	}
	if at, there := c.from[i][f.Column]; there && at.column > 0 {
		return c.t.At(at.row, at.column, "%s", msg)
	}
	if f.Column != "" && f.Column != "test" {
		msg = f.Column + " " + msg
	}
	return c.t.At(c.row[i], 0, "%s", msg)
}
