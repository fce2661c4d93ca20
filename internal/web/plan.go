package web

import (
	_ "embed"
	"encoding/csv"
	"math"
	"strconv"
	"strings"

	"gradus/conduct"
	"gradus/estimate"
	"gradus/internal/web/core"
	"gradus/physiology"
	"gradus/protocol"
	"gradus/screen"
)

//go:embed visit.csv
var visitTable string

// visitMinutes are the minutes around the test itself, by item.
var visitMinutes = readVisit(visitTable)

func readVisit(table string) map[string]float64 {
	rows, err := csv.NewReader(strings.NewReader(table)).ReadAll()
	if err != nil {
		panic("web: visit.csv: " + err.Error())
	}
	out := map[string]float64{}
	for _, row := range rows[1:] {
		v, err := strconv.ParseFloat(row[1], 64)
		if err != nil {
			panic("web: visit.csv: " + err.Error())
		}
		out[row[0]] = v
	}
	return out
}

// planView is the plan of a test for one person: what will happen, when it ends and what to look out for.
type planView struct {
	Title, Population, Posture, Purpose string
	Ends                                []slip
	Cautions                            []string
	Stairs                              picture
	Rows                                []core.RowView
	RowStages                           []string
	Signs                               []signGroup
	Say                                 []saying
	Minutes, Exercise                   int
	Duration                            []slipLine
	Hold, Cadence, Cool, Again          string
	RPEAlert, RPEEnd                    float64
	Leads                               string
	Level                               func(watts float64) string // of the machine, beside watts; nil: it has no table
	First                               string                     // the load to begin with, as it is set on the machine
	NoEstimate                          string                     // why the machine gives none
}

type saying struct{ When, Text string }

// signGroup are the stop signs that do the same.
type signGroup struct {
	Title string
	Signs []protocol.Sign
}

// slip is a number with the paper it came with: what it is, how it was made, and how well it is known.
type slip struct {
	Label, Value, Unit string
	Lines              []slipLine
	Whose              string // of a limit: who set it
	Links              []link // to the pages where it comes from
}

type link struct{ Href, Text string }

type slipLine struct{ Name, Text string }

func (s *Server) planView(plan *protocol.Protocol, in conduct.Inputs) (planView, error) {
	e, err := s.lib.estimator(&plan.Outcome)
	if err != nil {
		return planView{}, err
	}
	began := conduct.Event{Term: 1, N: 1, Kind: conduct.Began, Begin: &conduct.Begin{Format: conduct.FormatVersion, Protocol: plan.ID, Version: plan.Version, Hash: plan.Hash, Inputs: in}}
	if err := in.Check(); err != nil {
		began.Begin.Inputs = conduct.Inputs{} // the form says what cannot be true; the plan stands without it
	}
	var c core.Core
	answer := c.Answer(core.Ask{Op: "load", Load: &core.Load{Protocol: plan, Events: []conduct.Event{began}}})
	if answer.View == nil {
		return planView{}, &askError{Field: "protocol", Msg: answer.Error, Hint: answer.Hint}
	}
	in = began.Begin.Inputs
	l := conduct.LimitsOf(plan, &in)
	v := planView{Title: plan.Title, Population: plan.Population, Posture: plan.Posture, Purpose: plan.Purpose, Rows: answer.View.Rows,
		Ends: ends(plan, &in, &l), Cautions: cautionsOf(plan, e, &in, &l), Signs: signGroups(plan.Table), RPEAlert: l.RPEAlert, RPEEnd: l.RPEEnd, Leads: answer.View.Next.Leads}
	v.Stairs = planPicture(plan, answer.View)
	for i := range plan.Parts {
		if plan.Parts[i].Work.Form() == "row" {
			v.RowStages = append(v.RowStages, plan.Parts[i].Title)
		}
	}
	for _, t := range plan.Say {
		v.Say = append(v.Say, saying{or(english["say."+t.When], t.When), t.Text})
	}
	v.rules(plan)
	v.duration(plan, &in)
	return v, nil
}

func (v *planView) rules(plan *protocol.Protocol) {
	if plan.Hold.Is() {
		h := plan.Hold.It
		v.Hold = say("plan.hold", num(h.Within), h.Add, h.AtMost)
	}
	if plan.Cadence.Is() {
		c := plan.Cadence.It
		v.Cadence = say("plan.cadence", num(c.OwnFrom), num(c.OwnTo), c.Low.ByPercent, c.Low.For, c.Low.Times)
		if c.Fixed > 0 {
			v.Cadence = say("plan.cadence.fixed", num(c.Fixed), c.Low.ByPercent, c.Low.For, c.Low.Times)
		}
	}
	if plan.Again.Is() {
		v.Again = say("plan.again", plan.Again.It.After, say("plan.again."+plan.Again.It.Report))
	}
	if i := plan.Find(plan.CoolDown.It.AtMost); plan.CoolDown.Is() && i >= 0 && plan.Parts[i].Work.Watts != nil {
		v.Cool = say("plan.cool", num(*plan.Parts[i].Work.Watts), plan.CoolDown.It.Lasts)
	}
}

// duration adds up a visit in which every stage settles in time.
func (v *planView) duration(plan *protocol.Protocol, in *conduct.Inputs) {
	minutes := func(ms protocol.Ms) float64 { return float64(ms) / float64(protocol.Minute) }
	exercise, after := 0.0, 0.0
	for i := range plan.Parts {
		if plan.Parts[i].If == "" {
			exercise += minutes(plan.Parts[i].Lasts)
		}
	}
	if plan.CoolDown.Is() {
		exercise += minutes(plan.CoolDown.It.Lasts)
	}
	if plan.Recovery.Is() {
		after = minutes(plan.Recovery.It.AtLeast)
		if in.Condition&conduct.CondHeart != 0 {
			after = minutes(plan.Recovery.It.Heart)
		}
	}
	before := visitMinutes["rest"] + visitMinutes["fit"] + visitMinutes["try"]
	v.Exercise, v.Minutes = int(math.Round(exercise)), int(math.Round(before+exercise+after))
	v.Duration = []slipLine{
		{say("plan.minutes.fit"), say("minutes", num(visitMinutes["fit"]))}, {say("plan.minutes.rest"), say("minutes", num(visitMinutes["rest"]))},
		{say("plan.minutes.try"), say("minutes", num(visitMinutes["try"]))}, {say("plan.minutes.exercise"), say("minutes", num(exercise))},
		{say("plan.minutes.after"), say("minutes", num(after))}, {say("slip.covers"), say("plan.minutes.note")},
	}
}

// ends are the numbers that end the test, each with where it comes from.
func ends(plan *protocol.Protocol, in *conduct.Inputs, l *conduct.Limits) (out []slip) {
	if plan.EndPoint.Is() {
		out = append(out, endSlip(plan, in, l))
	}
	for _, limit := range []struct {
		name, unit string
		v          float64
	}{{"hr", "/min", l.HRLimit}, {"sbp", "mmHg", l.SBPLimit}, {"spo2", "%", l.SpO2Limit}, {"rpe", "", l.RPELimit}} {
		if limit.v > 0 {
			source := or(conduct.LimitsSetBy(in), say("limit.unsigned"))
			if limit.name == "hr" {
				source = conduct.HRLimitWhy(in, l)
			}
			out = append(out, slip{Label: say("limit." + limit.name), Value: num(limit.v), Unit: limit.unit, Lines: []slipLine{{say("slip.source"), source}}, Whose: source})
		}
	}
	if plan.Exertion.Is() {
		lines := []slipLine{{say("slip.alert"), num(l.RPEAlert)}}
		if in.RPEReason != "" {
			lines = append(lines, slipLine{say("slip.reason"), in.RPEReason})
		}
		out = append(out, slip{Label: say("limit.exertion"), Value: num(l.RPEEnd), Lines: append(lines, paperLines(plan, "exertion")...)})
	}
	return out
}

// endSlip explains the planned end.
func endSlip(plan *protocol.Protocol, in *conduct.Inputs, l *conduct.Limits) slip {
	s := slip{Label: say("limit.end"), Unit: "/min"}
	if l.EndPoint == 0 {
		s.Value, s.Unit = say("limit.end.unknown"), ""
		return s
	}
	s.Value = strconv.Itoa(l.EndBeat)
	of := say("limit.of.max", num(l.Percent), fixedIf(l.MaxHR))
	if plan.EndPoint.It.Of == "hr_reserve" {
		of = say("limit.of.reserve", num(l.Percent), fixedIf(l.MaxHR), num(in.RestHR))
	}
	s.Lines = []slipLine{{say("slip.formula"), of}, {say("slip.exact"), say("limit.end.exact", fixedIf(l.EndPoint), l.EndBeat)}}
	if l.Formula == "given" {
		s.Lines = append(s.Lines, slipLine{say("slip.max"), say("limit.max.given")})
	} else if f, ok := physiology.FormulaFor(l.Formula); ok {
		s.Lines = append(s.Lines, slipLine{say("slip.max"), say("limit.max.formula", f.ID, num(in.AgeYears))},
			slipLine{say("slip.error"), say("limit.max.spread", num(f.SD), howPhrase(f.SDHow))},
			slipLine{say("slip.source"), f.Source + " (" + howPhrase(f.How) + ")"}, slipLine{say("slip.covers"), f.Note})
	}
	s.Lines = append(s.Lines, paperLines(plan, "end_point.percent")...)
	return s
}

func fixedIf(v float64) string {
	if v == math.Trunc(v) {
		return num(v)
	}
	return fixed(v)
}

func howPhrase(h physiology.How) string {
	var how protocol.How
	if err := how.UnmarshalText([]byte(h)); err != nil {
		return string(h)
	}
	return how.Phrase()
}

// paperLines say where a number of the protocol comes from.
func paperLines(plan *protocol.Protocol, path string) []slipLine {
	paper, ok := plan.PaperOf(path)
	if !ok {
		return nil
	}
	text := paper.How.Phrase()
	if src, ok := plan.SourceOf(paper.Source); ok {
		text += ": " + sourceText(src)
	}
	if paper.Note != "" {
		text += " (" + paper.Note + ")"
	}
	return []slipLine{{say("slip.rule", path), text}}
}

func sourceText(s protocol.Source) string {
	parts := []string{s.Title}
	if s.Journal != "" {
		parts = append(parts, s.Journal)
	}
	if s.Year > 0 {
		parts = append(parts, strconv.Itoa(s.Year))
	}
	if s.DOI != "" {
		parts = append(parts, "doi "+s.DOI)
	}
	return strings.Join(parts, ", ")
}

// cautionsOf says before the test what will make its result less sure.
func cautionsOf(plan *protocol.Protocol, e *estimate.Estimator, in *conduct.Inputs, l *conduct.Limits) (out []string) {
	add := func(when bool, key string, values ...any) {
		if when {
			out = append(out, say(key, values...))
		}
	}
	add(!l.HRLeads, "caution.leads", conduct.StateName(l.NotLeading))
	add(in.Drug == conduct.DrugNotRecorded || in.Drug == conduct.DrugNotKnown, "caution.drug")
	add(in.Rhythm == conduct.RhythmNotRecorded, "caution.rhythm")
	add(in.RestHR == 0, "caution.rest")
	add(in.RestSBP == 0 && in.BP != conduct.BPNone, "caution.rest.bp")
	add(in.Condition&conduct.CondHeart != 0 && plan.Recovery.Is(), "caution.heart", plan.Recovery.It.Heart)
	add(l.HRLimit > 0 && l.EndPoint > 0 && l.HRLimit < l.EndPoint, "caution.limit", num(l.HRLimit), l.EndBeat)
	room, beats := conduct.RoomOf(in, l)
	add(room == conduct.RoomNone, "caution.room.none", num(beats), num(in.RestHR))
	add(room == conduct.RoomLow, "caution.room.low", num(beats), num(in.RestHR))
	if plan.Cadence.Is() {
		c := plan.Cadence.It
		add(in.Cadence > 0 && in.Cadence < c.CautionBelow, "caution.cadence", num(in.Cadence), num(c.CautionBelow))
	}
	if f, ok := physiology.FormulaFor(l.Formula); ok && l.Formula != "given" {
		add(f.AgeFrom > 0 && (in.AgeYears < f.AgeFrom || in.AgeYears > f.AgeTo), "caution.formula.age", f.ID, num(f.AgeFrom), num(f.AgeTo))
		add(f.Drug != "none" && in.Drug != conduct.DrugYes, "caution.formula.drug", f.ID, f.Drug)
		add(f.Drug != "none" && in.Drug == conduct.DrugYes, "caution.formula.on", f.ID, f.Drug, f.Note, num(f.SD))
		add(f.Mode != "" && f.Mode != plan.Modality, "caution.formula.mode", f.ID, f.Mode)
	}
	if first, ok := physiology.FormulaFor(in.First); ok && l.Formula != "" && l.Formula != first.ID {
		switch {
		case in.MaxHR > 0:
			add(true, "caution.first.measured", first.ID)
		case in.Formula == "" && plan.EndPoint.It.Needs:
			add(true, "caution.first.needs", l.Formula, first.ID)
		default:
			add(true, "caution.first.differs", first.ID, l.Formula)
		}
	}
	return append(out, outsideOf(e, in)...)
}

// offersOf names the formulas made for people on the drug that is named, with what each gives today. None is taken
// without being chosen: exertion ends the test.
func offersOf(plan *protocol.Protocol, in *conduct.Inputs, drugName string) (out []string) {
	if !screen.BetaBlocker(drugName) {
		return nil
	}
	for _, f := range conduct.DrugFormulas(plan, in, "beta-blocker") {
		if f.MaxHR == 0 {
			out = append(out, say("caution.offer.rest", f.ID, f.Note))
			continue
		}
		out = append(out, say("caution.offer", f.ID, f.Note, fixedIf(f.MaxHR), num(f.SD)))
	}
	return out
}

// outsideOf names the inputs that lie where the equation was not made.
func outsideOf(e *estimate.Estimator, in *conduct.Inputs) (out []string) {
	if e == nil {
		return nil
	}
	for i := range e.Inputs {
		input := &e.Inputs[i]
		v := 0.0
		switch input.Role {
		case "age":
			v = in.AgeYears
		case "mass":
			v = in.MassKg
		}
		if d := input.Domain; d != nil && v > 0 && (v < d.From || v > d.To) {
			out = append(out, say("caution.domain", input.Label, num(v), input.Unit, num(d.From), num(d.To)))
		}
	}
	return out
}

// signGroups sorts the stop signs by what follows from them.
func signGroups(table []protocol.Sign) (out []signGroup) {
	for _, g := range []struct {
		key  string
		does protocol.Does
		rest bool
	}{{"signs.seated", protocol.DoesStop, true}, {"signs.stop", protocol.DoesStop, false}, {"signs.check", protocol.DoesCheck, false}, {"signs.alert", protocol.DoesAlert, false}, {"signs.pause", protocol.DoesPause, false}} {
		group := signGroup{Title: say(g.key)}
		for _, sign := range table {
			if sign.Does == g.does && (g.does != protocol.DoesStop || g.rest == (sign.After == protocol.AfterSeated)) {
				group.Signs = append(group.Signs, sign)
			}
		}
		if len(group.Signs) > 0 {
			out = append(out, group)
		}
	}
	return out
}

// rowTable is the branch table as a page shows it.
type rowTable struct {
	Stages []string
	Lines  []rowLine
}

type rowLine struct {
	Range string
	Work  []string
	Taken bool
}

// makeRowTable writes the loads as they are set: in watts, with the level of the machine beside them where its table
// gives one.
func makeRowTable(rows []core.RowView, stages []string, level func(watts float64) string) rowTable {
	t := rowTable{Stages: stages}
	for _, r := range rows {
		line := rowLine{Range: rowRange(rows, r.Row), Taken: r.Taken}
		for _, w := range r.Work {
			text := num(w) + thin + "W"
			if level != nil {
				text += level(w)
			}
			line.Work = append(line.Work, text)
		}
		t.Lines = append(t.Lines, line)
	}
	return t
}

// RowTable is the branch table of the plan.
func (v planView) RowTable() rowTable { return makeRowTable(v.Rows, v.RowStages, v.Level) }
