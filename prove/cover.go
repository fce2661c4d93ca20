package prove

import (
	"fmt"

	"gradus/conduct"
	"gradus/protocol"
)

// branch drives a test to the branch with every whole-beat heart rate, and with means just beside it, and
// notes which row the running machine takes.
func (b *book) branch() {
	p := b.p
	if !p.Choose.Is() {
		return
	}
	fence := protocol.FenceOf(protocol.HeartRate)
	rows := make([]Row, len(p.Choose.It.Rows))
	for i := range rows {
		rows[i].ID = p.Choose.It.Rows[i].ID
	}
	last := 0
	for hr := fence.Low; hr <= fence.High; hr++ {
		row, over, events := b.rowAt(hr)
		if row == 0 && over {
			continue // it ends the test before a row is chosen
		}
		if row == 0 {
			b.gap(hr, events, "no row is taken at %g /min", hr)
			continue
		}
		for _, raw := range []float64{hr - 0.5, hr + 0.4} {
			if raw < fence.Low || raw > fence.High {
				continue
			}
			if other, _, events := b.rowAt(raw); other != row {
				b.gap(hr, events, "%g /min is the whole beat %g, but another row is taken", raw, hr)
			}
		}
		if row < last || last > 0 && conduct.Harder(p, row, last) {
			b.gap(hr, events, "at %g /min the row is harder than at %g /min", hr, hr-1)
		}
		if rows[row-1].From == 0 {
			rows[row-1].From = hr
		}
		rows[row-1].To = hr
		last = row
	}
	b.report.Rows = rows
	for _, row := range rows {
		if row.From == 0 {
			_, _, events := b.rowAt(fence.High)
			b.find(Finding{Kind: UnusedRow, About: row.ID, Events: events, Text: fmt.Sprintf("no heart rate takes %s", row.ID), Hint: "see below of the rows before it"})
		}
	}
}

func (b *book) gap(hr float64, events []conduct.Event, format string, args ...any) {
	b.find(Finding{Kind: Coverage, About: fmt.Sprintf("%g", hr), Events: events, Text: fmt.Sprintf(format, args...), Hint: "rows must go from low to high heart rates and from hard to gentle"})
}

// rowAt runs the parts up to the branch with one heart rate throughout and an end point above it, and gives
// the row that was taken (from 1), or 0; over says that the test ended there.
func (b *book) rowAt(hr float64) (row int, over bool, events []conduct.Event) {
	p := b.p
	in := conduct.Inputs{AgeYears: 50, Sex: conduct.Female, MassKg: 70, RestHR: 60, Drug: conduct.DrugNo, Rhythm: conduct.Sinus,
		BP: conduct.BPNone, MaxHR: 250, EndPercent: 100, Cadence: cadenceOf(p)}
	for _, name := range p.Inputs.Required {
		require(&in, name)
	}
	in.MaxHR = 250
	x := newExplorer(b, walker{}, nil)
	n := &node{}
	steps := []conduct.Event{{Kind: conduct.Began, Begin: &conduct.Begin{Format: conduct.FormatVersion, Protocol: p.ID, Version: p.Version, Hash: p.Hash, Inputs: in}}}
	branch := p.Find(p.Choose.It.After)
	for i := 0; i <= branch; i++ {
		steps = append(steps, b.ridden(i, n.at, hr)...)
		n.at += p.Parts[i].Lasts
	}
	for _, e := range steps {
		if err := x.take(n, e); err != nil {
			return 0, false, x.path
		}
		n.at = e.At
		x.settle(n)
	}
	return int(n.s.Row), n.s.Standing(p, n.at).Severity != conduct.NotEnding, x.path
}

// ridden is a part with the same heart rate at every planned reading.
func (b *book) ridden(part int, from protocol.Ms, hr float64) []conduct.Event {
	p := b.p
	w := &p.Parts[part].Work
	begin := conduct.Event{At: from, Kind: conduct.StageBegun, Code: p.Parts[part].ID, V: 30, V2: second(w)}
	if w.Watts != nil {
		begin.V = *w.Watts
	}
	events := []conduct.Event{begin}
	for _, r := range p.SetOf(part) {
		if r.What == protocol.HeartRate {
			events = append(events, conduct.Event{At: from + r.At, Kind: conduct.Reading, What: r.What, V: hr})
		}
	}
	return events
}
