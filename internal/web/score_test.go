package web_test

import (
	"fmt"
	"math"
	"net/url"
	"strings"
	"testing"
	"time"

	"gradus/conduct"
	"gradus/estimate"
	estimators "gradus/estimate/library"
	"gradus/internal/sheet"
	"gradus/internal/web/core"
	"gradus/protocol"
	protocols "gradus/protocol/library"
)

// The readings of a test that was run in the page, typed into a data sheet and scored, give the same estimate to the
// last bit, the same stage and the same verdict as the page.
func TestScoreAgreesWithThePage(t *testing.T) {
	b := begin(t, true)
	w := b.browser()
	verdicts := map[string]int{}
	forms := []url.Values{with(), with("sex", "male", "age_years", "41", "mass_kg", "88"), with("rate_limiting_drug", "yes"), with("age_years", "33")}
	for i, form := range forms {
		who := w.person(fmt.Sprintf("Z-%d", i)) // each has another body
		id := w.prepare(who, form)
		w.ride(id, nil)
		o := w.open(id)
		state, _, err := conduct.Replay(o.Load.Protocol, o.Load.Events)
		if err != nil {
			t.Fatal(err)
		}
		if err := o.Load.Estimator.Prepare(); err != nil {
			t.Fatal(err)
		}
		page := estimate.Assess(o.Load.Protocol, &state, o.Load.Estimator)
		scores := sheet.Score([]*sheet.Sheet{sheet.Read("typed.csv", strings.NewReader(typed(o, form)))}, time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC), plans)
		if scores.Failed() || len(scores.Tests) != 1 {
			t.Fatalf("%v %v\n%s", scores.Faults, scores.Tests[0].Faults, typed(o, form))
		}
		paper := scores.Tests[0].Judged
		if page.Verdict != paper.Verdict || (page.Estimate == nil) != (paper.Estimate == nil) || (page.End == nil) != (paper.End == nil) {
			t.Errorf("body %d: the page says %q, the sheet %q: %v", i, page.Verdict, paper.Verdict, paper.Reasons)
			continue
		}
		verdicts[page.Verdict]++
		if page.End != nil && *page.End != *paper.End {
			t.Errorf("body %d: the page ends at %+v, the sheet at %+v", i, *page.End, *paper.End)
		}
		if page.Estimate == nil {
			continue
		}
		for _, pair := range [][2]estimate.Number{{page.Estimate.Value, paper.Estimate.Value}, {page.Estimate.Low95, paper.Estimate.Low95}, {page.Estimate.High95, paper.Estimate.High95}} {
			if math.Float64bits(float64(pair[0])) != math.Float64bits(float64(pair[1])) {
				t.Errorf("body %d: %v on the page, %v from the sheet", i, pair[0], pair[1])
			}
		}
		if text := w.get("/tests/" + id).text; !strings.Contains(text, fmt.Sprintf("<strong class=\"number\">%.1f</strong>", float64(paper.Estimate.Value))) {
			t.Errorf("body %d: the result page does not show %.1f", i, float64(paper.Estimate.Value))
		}
	}
	if len(verdicts) < 2 {
		t.Errorf("the tests all ended alike, %v: they say little", verdicts)
	}
}

func plans(id string) (*protocol.Protocol, *estimate.Estimator, error) {
	p, err := protocols.Load(id, estimators.LineOf)
	if err != nil {
		return nil, nil, err
	}
	e, err := estimators.ByID(p.Outcome.Estimator)
	return p, e, err
}

// typed is the sheet that someone would have filled in beside the page.
func typed(o opened, form url.Values) string {
	var c core.Core
	view := c.Answer(core.Ask{Op: "load", Load: &o.Load}).View
	var out strings.Builder
	fmt.Fprintln(&out, "test,protocol,sex,age_years,mass_kg,rest_hr_bpm,rest_sbp_mmhg,rest_dbp_mmhg,rhythm,rate_limiting_drug,hr_method,stage,stage_minute,work_w,hr_bpm,stop_reason")
	person := fmt.Sprintf("T1,recumbent-stepper,%s,%s,%s,68,124,76,sinus,%s,strap", form.Get("sex"), form.Get("age_years"), strings.Replace(form.Get("mass_kg"), ",", ".", 1), form.Get("rate_limiting_drug"))
	stop := ""
	for _, e := range o.Load.Events {
		if e.Kind == conduct.Stopped {
			stop = e.Code
		}
	}
	stage, last := 0, ""
	var rows []string
	for _, m := range view.Minutes {
		if m.Stage == "recovery" || m.HR == 0 {
			continue
		}
		if m.Stage != last {
			stage, last = stage+1, m.Stage
		}
		rows = append(rows, fmt.Sprintf("%d,%d,%g,%g,", stage, m.StageMinute, m.Work, m.HR))
	}
	for i, row := range rows {
		if i == len(rows)-1 {
			row += stop
		}
		fmt.Fprintf(&out, "%s,%s\n", person, row)
	}
	return out.String()
}
