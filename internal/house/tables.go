package house

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"gradus/change"
	"gradus/estimate"
	estimators "gradus/estimate/library"
	"gradus/interpret"
	"gradus/physiology"
	"gradus/prescribe"
	"gradus/protocol"
	protocols "gradus/protocol/library"
)

// dataTables are the tables of the science manual that come out of data files, by the name in their opening
// mark: <!-- table: maximal heart rate --> … <!-- end -->.
var dataTables = map[string]func() (string, error){
	"maximal heart rate": maxHRTable,
	"fences":             fenceTable,
	"stop signs":         signTable,
	"terminations":       terminationTable,
	"stepper papers":     paperTable,
	"stepper equation":   equationTable,
	"stepper cautions":   cautionTable,

	"biological control": controlTable,

	"screening branches":          branchTable,
	"screening rules":             screeningRuleTable,
	"screening contraindications": contraindicationTable,
	"screening drugs":             drugTable,
	"screening rhythm":            deviceTable,
	"screening choices":           choiceTable,
	"screening sources":           screeningSourceTable,

	"reference tables":      dataFile(interpret.Data, "references", "id|kind|mode|n|how|source|note", "id | kind | mode | people | known | source | note"),
	"registry cells":        registryTable,
	"percentile bands":      dataFile(interpret.Data, "bands", "name|from_percentile|to_percentile|words|how|source", "band | from percentile | to below | the source's word | known | source"),
	"prediction equations":  dataFile(interpret.Data, "equations", "id|mode|unit|constant|per_year|per_year2|per_sex|code_male|code_female|per_mass|mass_unit|per_height|height_unit|per_mode|code_mode|see|how|source|note", "id | mode | unit | constant | age | age² | sex | male | female | mass | in | height | in | mode | code | SEE | known | source | note"),
	"ideal-weight equation": dataFile(interpret.Data, "ideal-weight-equations", "id|ideal_per_cm|ideal_constant|added_kg|under_added_kg|constant|per_year|over_per_kg|times|how|source|note", "id | ideal mass, kg per cm | constant | added, kg | added below, kg | constant | age | per kg over | times | known | source | note"),
	"thresholds":            dataFile(interpret.Data, "thresholds", "id|text|population|value|unit|measured_only|how|source", "id | line | people | value | unit | measured only | known | source"),
	"recovery cuts":         dataFile(interpret.Data, "recovery-cuts", "id|minute|rule|cut_bpm|stop|activity|posture|posture_how|people|how|source", "id | minute | rule | /min | stop | then | posture | posture known | people | known | source"),
	"responses":             dataFile(interpret.Data, "responses", "id|value|unit|how|source|note", "id | value | unit | known | source | note"),
	"intensity bands":       dataFile(prescribe.Data, "intensity", "level|reserve_from|reserve_below|hrmax_from|hrmax_below|vo2max_from|vo2max_below|rpe_from|rpe_to|mets20_below|mets40_below|mets65_below|how|mets_how", "level | % reserve from | below | % maximal heart rate from | below | % peak uptake from | below | RPE from | to | METs below, 20 to 39 years | 40 to 64 | 65 and older | known | METs known"),
	"recommendations":       dataFile(prescribe.Data, "plans", "id|days_from|days_to|minutes_from|minutes_to|reserve_from|reserve_to|rpe_from|rpe_to|start_reserve_from|start_reserve_to|start_minutes|cautions|how|source", "id | days | to | minutes | to | % reserve | to | RPE | to | start % | to | start, min | cautions | known | source"),
	"prescription numbers":  dataFile(prescribe.Data, "numbers", "id|value|unit|how|source|note", "id | value | unit | known | source | note"),
	"interval sessions":     dataFile(prescribe.Data, "intervals", "id|text|people|how|source", "id | session | people | known | source"),
	"repeat errors":         dataFile(change.Data, "errors", "id|estimator|population|n|mean1|sd1|mean2|sd2|r|practice_p|over|how|source", "id | equation | people | n | first mean | SD | second mean | SD | r | p of the difference | over | known | source"),
	"meaningful changes":    dataFile(change.Data, "meaningful", "id|text|kind|value|unit|how|source", "id | change | kind | value | unit | known | source"),
	"changes of walks":      dataFile(change.Data, "walks", "id|protocol|population|words|statistic|metres|use|how|source|note", "id | walk | people | words of the condition | statistic | m | used | known | source | note"),
	"direct signs":          dataFile(change.Data, "signs", "id|value|unit|how|source|note", "id | value | unit | known | source | note"),
	"meaning numbers":       dataFile(interpret.Data, "numbers", "id|value|unit|how|source|note", "id | value | unit | known | source | note"),
}

const (
	tableBegins = "<!-- table: "
	tableEnds   = "<!-- end -->"
)

// withTables returns a document with its data tables as the data files have them now, and how many it has.
func withTables(text string) (now string, count int, err error) {
	var out strings.Builder
	for {
		before, rest, found := strings.Cut(text, tableBegins)
		out.WriteString(before)
		if !found {
			return out.String(), count, nil
		}
		name, rest, named := strings.Cut(rest, " -->\n")
		_, after, ended := strings.Cut(rest, tableEnds)
		build, known := dataTables[name]
		if !named || !ended || !known {
			return "", count, fmt.Errorf("table %q: not known, or without its end", name)
		}
		table, err := build()
		if err != nil {
			return "", count, err
		}
		out.WriteString(tableBegins + name + " -->\n" + table + tableEnds)
		text, count = after, count+1
	}
}

// grid writes a table; a bar within a cell would end it.
func grid(head string, rows [][]string) string {
	var b strings.Builder
	b.WriteString("| " + head + " |\n|" + strings.Repeat(" --- |", strings.Count(head, "|")+1) + "\n")
	for _, row := range rows {
		b.WriteString("|")
		for _, cell := range row {
			b.WriteString(" " + strings.ReplaceAll(strings.TrimSpace(cell), "|", "/") + " |")
		}
		b.WriteString("\n")
	}
	return b.String()
}

func plain(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// join puts what is there into one cell.
func join(parts ...string) string {
	var kept []string
	for _, p := range parts {
		if p != "" {
			kept = append(kept, p)
		}
	}
	return strings.Join(kept, "; ")
}

func terminationTable() (string, error) {
	var rows [][]string
	for _, t := range protocols.Terminations() {
		carried := "not carried"
		if len(t.CarriedBy) > 0 {
			carried = "`" + strings.Join(t.CarriedBy, "` `") + "`"
		}
		rows = append(rows, []string{t.ID, t.Criterion, t.Number, t.Severity, join(t.From, t.How), carried, t.Why})
	}
	return grid("row | published reason | number | what it asks for | from | carried by | note", rows), nil
}

func maxHRTable() (string, error) {
	var rows [][]string
	for _, f := range physiology.Formulas() {
		formula := plain(f.Intercept)
		for _, t := range []struct {
			by   float64
			name string
		}{{f.PerYear, "age"}, {f.PerYear2, "age²"}, {f.PerRest, "resting rate"}} {
			if t.by != 0 {
				formula += strings.Replace(fmt.Sprintf(" + %s %s", plain(t.by), t.name), "+ -", "- ", 1)
			}
		}
		people := f.Sex
		if f.AgeTo > 0 {
			people += fmt.Sprintf(", %s to %s years", plain(f.AgeFrom), plain(f.AgeTo))
		}
		if f.Drug != "none" {
			people += ", on a " + f.Drug
		}
		rows = append(rows, []string{"`" + f.ID + "`", formula, people, plain(f.SD) + " (" + string(f.SDHow) + ")", string(f.How), join(f.Source, f.Note)})
	}
	return grid("id | /min | for | spread, /min | formula known | source and note", rows), nil
}

func fenceTable() (string, error) {
	var rows [][]string
	for q := protocol.HeartRate; q <= protocol.Breathless; q++ {
		f := protocol.FenceOf(q)
		rows = append(rows, []string{strings.ReplaceAll(q.String(), "_", " "), plain(f.Low), plain(f.High), f.Unit})
	}
	return grid("quantity | lowest | highest | unit", rows), nil
}

func signTable() (string, error) {
	signs, _, err := protocols.Signs()
	if err != nil {
		return "", err
	}
	var rows [][]string
	for _, s := range signs {
		does := s.Does.String()
		if s.Within > 0 {
			does += " within " + s.Within.String()
		}
		rows = append(rows, []string{"`" + s.ID + "`", s.Text, does, s.After.String(), s.How.String(), join(s.Source, s.Note)})
	}
	return grid("id | sign | does | after a stop | known | source and note", rows), nil
}

// stepper is the shipped stepper test with its estimator.
func stepper() (*protocol.Protocol, *estimate.Estimator, error) {
	e, err := estimators.ByID("recumbent-stepper-2012")
	if err != nil {
		return nil, nil, err
	}
	p, err := protocols.Load("recumbent-stepper", estimators.LineOf)
	return p, e, err
}

func paperTable() (string, error) {
	p, _, err := stepper()
	if err != nil {
		return "", err
	}
	var rows [][]string
	for _, paper := range p.Papers {
		source, _ := p.SourceOf(paper.Source)
		rows = append(rows, []string{"`" + strings.Join(paper.Of, "`, `") + "`", paper.How.String(), join(source.Title, source.DOI, paper.Note)})
	}
	return grid("place in the file | known | source and note", rows), nil
}

func equationTable() (string, error) {
	_, e, err := stepper()
	if err != nil {
		return "", err
	}
	var rows [][]string
	for _, t := range e.Terms {
		name := t.Input
		if name == "" {
			name = "constant"
		}
		rows = append(rows, []string{"`" + name + "`", plain(t.Coefficient), t.Unit, t.How})
	}
	return grid("term | coefficient | unit | known", rows), nil
}

func cautionTable() (string, error) {
	_, e, err := stepper()
	if err != nil {
		return "", err
	}
	var rows [][]string
	for _, c := range e.Cautions {
		limit := ""
		if c.Limit != 0 {
			limit = plain(c.Limit)
		}
		rows = append(rows, []string{"`" + c.ID + "`", c.When, limit, c.How, c.Source})
	}
	return grid("id | given when | number | known | source", rows), nil
}

// dataFile makes a table of chosen columns of a data file that a package embeds.
func dataFile(data func(string) [][]string, name, columns, head string) func() (string, error) {
	return func() (string, error) {
		all := data(name)
		if all == nil {
			return "", fmt.Errorf("no data file %s", name)
		}
		var at []int
		for _, column := range strings.Split(columns, "|") {
			i := slices.Index(all[0], column)
			if i < 0 {
				return "", fmt.Errorf("%s has no column %s", name, column)
			}
			at = append(at, i)
		}
		var rows [][]string
		for _, line := range all[1:] {
			var row []string
			for _, i := range at {
				row = append(row, line[i])
			}
			rows = append(rows, row)
		}
		return grid(head, rows), nil
	}
}

// registryTable is the default table of percentiles, a row for each sex and decade; what was seen is bold.
func registryTable() (string, error) {
	r, ok := interpret.ReferenceByID(interpret.DefaultReference)
	if !ok {
		return "", fmt.Errorf("no table %s", interpret.DefaultReference)
	}
	var rows [][]string
	for i := range r.Blocks {
		b := &r.Blocks[i]
		row := []string{b.Sex, b.Ages(), strconv.Itoa(b.N)}
		for _, c := range b.Cells {
			cell := plain(c.Value)
			if c.How == "seen" {
				cell = "**" + cell + "**"
			}
			row = append(row, cell)
		}
		rows = append(rows, row)
	}
	return grid("sex | years | people | 5th | 10th | 25th | 50th | 75th | 90th | 95th", rows), nil
}
