package web_test

import (
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"gradus/conduct"
	"gradus/internal/web"
)

// driven prepares a test by a protocol and rides it to its end.
func (w *browser) driven(person string, form url.Values) (id string) {
	w.b.t.Helper()
	id = w.prepare(person, form)
	o := w.open(id)
	had := len(o.Load.Events)
	_, events, err := web.Drive(&o.Load, 2) // the fittest of the invented
	if err != nil {
		w.b.t.Fatal(err)
	}
	for at := had; at < len(events); at += 200 {
		if p := w.events(id, int64(events[len(events)-1].At), events[at:min(at+200, len(events))]...); p.status != http.StatusOK {
			w.b.t.Fatalf("%d %s", p.status, p.text)
		}
	}
	return id
}

var (
	tableCell = regexp.MustCompile(`(?s)<td[^>]*>(.*?)</td>`)
	anyTag    = regexp.MustCompile(`<[^>]*>`)
	leads     = regexp.MustCompile(`(?s)<span class="leads">(.*?)</span>`)
	href      = regexp.MustCompile(`href="([^"]+)"`)
	summary   = regexp.MustCompile(`(?s)<details[^>]*><summary>(.*?)</summary>(.*?)</details>`)
)

// Every number in a table of the result opens a slip by one click; every slip says something; every page that one leads
// to is there. Without a script, since nothing here runs one.
func TestEveryNumberOpensItsSlip(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	for plan, want := range map[string][]string{
		"recumbent-stepper":  {"/estimators/recumbent-stepper-2012", "125.707 − 0.476", "standard error of the estimate in a new sample", "30 volunteers", "Row of the branch table", "made for 20 to 78", "entry 1.1", "gradus estimators recumbent-stepper-2012"},
		"single-stage-cycle": {"/estimators/astrand-cycle", "Several estimates of this test", "lookup(workrate-vo2", "None: maximal heart rate is not recorded", "nx-bmi-1990", "within the errors of both"},
		"bruce":              {"/estimators/", "Several estimates of this test", "least squares over the stages used", "1.8 × speed of the stage (m/min) × grade of the stage (fraction)"},
		"branching-cycle":    {"/estimators/", "Several estimates of this test"},
		"six-minute-walk":    {"/protocols/six-minute-walk?version=", `Distance <strong class="number">432</strong>`, "14 lengths of 30 m, 432 m in all"},
	} {
		t.Run(plan, func(t *testing.T) {
			id := w.driven(w.person("T-"+plan), with("protocol", plan, "course_length_m", "30", "age_years", "24", "rest_hr_bpm", "60", "hand_rail", "no", "activity_rating", "4", "activity_index", "5"))
			text := w.get("/tests/" + id).text
			says(t, plan, page{text: text, status: http.StatusOK}, append(want, "gradus log "+id, "gradus protocol show "+plan)...)
			cells := 0
			for _, c := range tableCell.FindAllStringSubmatch(text, -1) {
				said := anyTag.ReplaceAllString(c[1], "")
				if strings.ContainsAny(said, "0123456789") && !strings.Contains(c[1], "<details") && !strings.Contains(said, " away") && !strings.HasPrefix(said, "stage ") && !strings.HasSuffix(said, " higher") && !strings.Contains(c[0], "colspan") {
					t.Errorf("a number opens nothing: %s", c[0])
				}
				cells++
			}
			if cells == 0 && plan != "six-minute-walk" {
				t.Error("no table")
			}
			for _, d := range summary.FindAllStringSubmatch(text, -1) {
				if strings.TrimSpace(anyTag.ReplaceAllString(d[2], "")) == "" {
					t.Errorf("a slip says nothing: %s", d[1])
				}
			}
			seen := map[string]bool{}
			for _, p := range leads.FindAllStringSubmatch(text, -1) {
				for _, a := range href.FindAllStringSubmatch(p[1], -1) {
					if to := a[1]; !seen[to] {
						seen[to] = true
						if p := w.get(to); p.status != http.StatusOK {
							t.Errorf("%s leads nowhere: %d", to, p.status)
						}
					}
				}
			}
			if len(seen) == 0 {
				t.Error("nothing leads on")
			}
		})
	}
}

// Every equation has its page, in the words of the command, with every coefficient.
func TestEquationPages(t *testing.T) {
	w := begin(t, false).browser()
	list := w.get("/estimators").text
	pages := regexp.MustCompile(`href="(/estimators/[^"]+)"`).FindAllStringSubmatch(list, -1)
	if len(pages) < 100 {
		t.Errorf("%d equations are listed", len(pages))
	}
	says(t, "stepper", w.get("/estimators/recumbent-stepper-2012"), "-0.476 mL/kg/min per year, age_years (from memory)", "outside 20 to 78 it is a caution", "doi 10.1249/MSS.0b013e31824f5be4", "not yet: numbers of it are from memory")
	if p := w.get("/estimators/none-such"); p.status != http.StatusNotFound {
		t.Errorf("an unknown equation: %d", p.status)
	}
}

// A held hand rail is a caution of the estimate, a touched one a notice; on an ergometer there is none to hold.
func TestHandRail(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	for rail, want := range map[string]string{"held": "</strong> the hand rail was held", "touched": "the hand rail was touched for balance", "no": ""} {
		id := w.driven(w.person("R-"+rail), with("protocol", "bruce", "age_years", "24", "rest_hr_bpm", "60", "hand_rail", rail))
		p := w.get("/tests/" + id)
		if has := strings.Contains(p.text, "the hand rail was"); has != (want != "") || !strings.Contains(p.text, want) {
			t.Errorf("%s: %v %s", rail, has, want)
		}
		if usable := strings.Contains(p.text, "<strong>usable</strong>"); usable != (rail != "held") {
			t.Errorf("%s: usable is %v", rail, usable)
		}
	}
}

// Estimates that lie further apart than their errors are a caution with likely reasons, and the leading one stays.
func TestEstimatesThatDisagree(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	id := w.driven(w.person("D-1"), with("protocol", "bruce", "age_years", "24", "rest_hr_bpm", "60", "hand_rail", "no", "mass_kg", "120", "height_cm", "150", "activity_rating", "0"))
	p := w.get("/tests/" + id)
	says(t, "result", p, "further apart than the errors of both", "more than both errors allow. Likely reasons: a wrong work rate entered, a heart whose maximum is unlike the formula or answers on activity that do not fit",
		"<strong>usable with caution</strong>", "the protocol names it as the leading one")
	if i, j := strings.Index(p.text, `class="number">`), strings.Index(p.text, "leads</span>"); i < 0 || j < i {
		t.Error("the leading estimate is not the one on top")
	}
}

// A stage that does not count is told with the load that was set, in its own unit.
func TestUncountedStageInItsUnit(t *testing.T) {
	b := begin(t, false)
	w := b.browser()
	for plan, unit := range map[string]string{"bruce": " km/h) and ", "multistage-step": " steps/min", "recumbent-stepper": " W"} {
		id := w.prepare(w.person("U-"+plan), with("protocol", plan, "hand_rail", "no"))
		o := w.open(id)
		part := o.Load.Protocol.Parts[0]
		v, v2 := part.Work.SpeedKmh, part.Work.Second()
		if part.Work.Form() == "rate" {
			v = part.Work.Rate
		} else if part.Work.Watts != nil {
			v = *part.Work.Watts
		}
		events := []conduct.Event{{Term: 1, N: 2, At: 1000, Kind: conduct.StageBegun, Code: part.ID, V: v, V2: v2}, {Term: 1, N: 3, At: 30_000, Kind: conduct.Stopped, Code: "wish"}}
		if p := w.events(id, 30_000, events...); p.status != http.StatusOK {
			t.Fatalf("%s: %s", plan, p.text)
		}
		text := w.get("/tests/" + id).text
		i := strings.Index(text, " does not count: it has no heart rate")
		if i < 0 {
			t.Errorf("%s: no reason", plan)
			continue
		}
		if said := text[max(0, i-60):i]; !strings.Contains(said, unit) || plan != "recumbent-stepper" && strings.HasSuffix(said, " W") {
			t.Errorf("%s: %s", plan, said)
		}
	}
}
