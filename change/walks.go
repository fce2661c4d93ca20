package change

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gradus/datatable"
	"gradus/stats"
)

// walkRow is a published number about the distance of a walk, in metres.
type walkRow struct {
	protocol, population, statistic, use, how, source, note string
	words                                                   []string // of conditions; none: for anyone
	metres                                                  float64
}

var walks = readWalks()

func readWalks() (all []walkRow) {
	for _, r := range datatable.Rows(tableFiles, "walks") {
		row := walkRow{protocol: r["protocol"], population: r["population"], statistic: r["statistic"], use: r["use"], how: r["how"], source: r["source"], note: r["note"], metres: datatable.Number(r["metres"])}
		if r["words"] != "" {
			row.words = strings.Split(r["words"], "|")
		}
		all = append(all, row)
	}
	return all
}

// Metres is the unit of a test whose outcome is a distance.
const Metres = "m"

// aboutWalk lists the numbers in use for two walks: of the kinds of statistic asked for, about the condition that both
// tests record. others are those of the same walk about anyone else.
func aboutWalk(a, b *Test, statistics ...string) (matching, others []walkRow) {
	for _, r := range walks {
		if r.protocol != a.Protocol || a.Protocol != b.Protocol || r.use == "listed" || !slices.Contains(statistics, r.statistic) {
			continue
		}
		if names(r.words, a.Condition) && names(r.words, b.Condition) {
			matching = append(matching, r)
			continue
		}
		others = append(others, r)
	}
	return matching, others
}

func names(words []string, condition string) bool {
	condition = strings.ToLower(condition)
	return slices.ContainsFunc(words, func(w string) bool { return strings.Contains(condition, w) })
}

func largest(rows []walkRow) *walkRow {
	var picked *walkRow
	for i := range rows {
		if picked == nil || rows[i].mdc95() > picked.mdc95() {
			picked = &rows[i]
		}
	}
	return picked
}

// mdc95 is the change beyond error with 95 % confidence; one published for 90 % is widened.
func (r *walkRow) mdc95() float64 {
	if r.statistic == "MDC90" {
		return r.metres * stats.Z975 / z95
	}
	return r.metres
}

// z95 is the 95 % point of the normal distribution, on which a change beyond error with 90 % confidence rests.
const z95 = 1.6448536269514722

// walkStudy is the error of two walks: the largest published for the condition, else the largest of the same walk.
func walkStudy(a, b *Test) *study {
	matching, others := aboutWalk(a, b, "MDC95", "MDC90")
	picked := largest(matching)
	if picked == nil {
		picked = largest(others)
	}
	if picked == nil {
		return nil
	}
	s := &study{population: picked.population, over: "the time of that study", how: picked.how, source: picked.source, other: len(matching) == 0,
		err: stats.FromSEM(picked.mdc95()/stats.Z975/math.Sqrt2, 0)}
	if gains, _ := aboutWalk(a, b, "practice"); len(gains) > 0 {
		s.mean2, s.practiceP = gains[0].metres, "not given"
	}
	return s
}

// walkMatter finds the change of distance that matters for the condition, else the careful one for anyone.
func (w *comparer) walkMatter(c Choice) {
	m := &w.out.Matter
	if c.Metres > 0 {
		m.ID, m.Threshold, m.Text, m.Source = "own", some(c.Metres), "your own choice", "chosen by the examiner"
		return
	}
	matching, others := aboutWalk(w.a, w.b, "MCID", "MID")
	picked := largest(matching)
	for i := range others {
		if picked == nil && others[i].use == "other" {
			picked = &others[i]
		}
	}
	if picked == nil {
		return
	}
	m.ID, m.Threshold, m.Source = "walk-"+strings.ToLower(picked.statistic), some(picked.metres), picked.source
	m.Text = picked.population
	if picked.note != "" {
		m.Text += "; " + picked.note
	}
}

// warnWalk says whose numbers were used.
func (w *comparer) warnWalk(first bool) {
	s := w.study
	w.caution("walk-error", s.source, "the error is that of %s (%s)", s.population, knownAs(s.how))
	if s.other {
		w.caution("larger-error", ownChoice, "no error of this walk is known for the recorded condition (%s): the largest published one is used", said(w.a.Condition))
	}
	if first && s.practice() > 0 {
		w.caution("practice", s.source, "practice: no earlier test is known, and a second walk was about %.0f m longer without any training", s.practice())
	}
}

func knownAs(how string) string {
	if how == "memory" {
		return "from memory, not checked against the paper"
	}
	return how
}

// walkReasons lists what makes two distances incomparable.
func walkReasons(a, b *Test) (all []Reason) {
	if a.Unit != Metres || b.Unit != Metres {
		return nil
	}
	if a.CourseM != b.CourseM {
		all = append(all, Reason{"course", fmt.Sprintf("the course differs (%g m, then %g m), and its length changes the distance", a.CourseM, b.CourseM)})
	}
	if !same(a.Aid, b.Aid) {
		all = append(all, Reason{"walking-aid", "the walking aid differs (" + said(a.Aid) + ", then " + said(b.Aid) + ")"})
	}
	if a.OxygenLMin != b.OxygenLMin {
		all = append(all, Reason{"oxygen", fmt.Sprintf("the oxygen differs (%g L/min, then %g L/min)", a.OxygenLMin, b.OxygenLMin)})
	}
	return all
}
