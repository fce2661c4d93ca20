package exchange

import (
	"strings"

	"gradus/internal/exchange/workbook"
)

// Workbook makes a spreadsheet file of tests: the data as a data sheet, the results with live formulas, the columns explained.
// It is de-identified by the same rules as a study; then nothing of an estimate is shown for ages that are pooled.
func Workbook(cases []Case, choice Choice) (*workbook.Book, []Free, error) {
	study, left, err := Study(cases, choice)
	if err != nil {
		return nil, nil, err
	}
	_, files, err := study.Files()
	if err != nil {
		return nil, nil, err
	}
	lines, err := sheetLines(files)
	if err != nil {
		return nil, nil, err
	}
	b := &workbook.Book{Note: study.Description}
	b.Data = workbook.Sheet{Head: lines[0], Rows: lines[1:]}
	for _, name := range lines[0] {
		b.Data.Types = append(b.Data.Types, cellType(name))
	}
	guide := study.Tables[2]
	for _, f := range guide.Fields {
		b.Guide.Head, b.Guide.Types = append(b.Guide.Head, f.Name), append(b.Guide.Types, "string")
	}
	b.Guide.Rows = guide.Rows
	w := &studyWriter{choice: choice, cases: cases, first: map[string]string{}}
	if err := w.prepare(); err != nil {
		return nil, nil, err
	}
	for _, i := range w.order {
		b.Results = append(b.Results, w.result(i))
	}
	return b, left, nil
}

// cellType is how a column of a data sheet stands in a spreadsheet.
func cellType(name string) string {
	for _, in := range []string{"tests", "readings"} {
		if c := columnOf(in, name); c != nil {
			switch c.Type {
			case "number", "integer":
				return "number"
			case "date":
				return "date"
			}
			return "string"
		}
	}
	return "string"
}

func (w *studyWriter) result(i int) workbook.Result {
	c := &w.cases[i]
	row := w.testRow(i)
	r := workbook.Result{About: [][2]string{{"Test", row["test"]}}}
	for _, x := range [][2]string{{"Participant", "participant"}, {"Day", "date"}, {"Year", "year"}, {"Study day", "study_day"}, {"Protocol", "protocol"}} {
		if col := columnOf("tests", x[1]); row[x[1]] != "" && w.stays(col) {
			r.About = append(r.About, [2]string{x[0], row[x[1]]})
		}
	}
	r.Verdict = c.Judged.Verdict
	var reasons []string
	for _, reason := range c.Judged.Reasons {
		text := reason.Text
		if !w.choice.Identified {
			text = reason.ID // the words of a reason may name a drug
		}
		reasons = append(reasons, text)
	}
	r.Reasons = strings.Join(reasons, "; ")
	e := c.Judged.Estimate
	switch {
	case e == nil:
		r.Why = c.Judged.NoEstimate
	case !e.Value.Present():
		r.Why = e.Why
	case row["estimate"] == "":
		r.Why = "left out: with the other numbers it would tell an age over 89"
	default:
		r.Estimator, r.Estimate = c.Estimator, e
	}
	if r.Why != "" && !w.choice.Identified && (e == nil || !e.Value.Present()) {
		r.Why = "see the reasons"
	}
	return r
}
