package equipment

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode/utf8"
)

// Shows is what a machine shows as its load.
type Shows string

// What a machine may show.
const (
	Watts  Shows = "watts"
	Levels Shows = "levels"
	METs   Shows = "mets"
)

// Profile is a machine as the site knows it.
type Profile struct {
	Name         string        `json:"name"` // the clinic's own
	Kind         string        `json:"kind"` // one word: recumbent-stepper, cycle, treadmill …
	Shows        Shows         `json:"shows"`
	Step         float64       `json:"smallest_step,omitempty"` // in what it shows: W, levels or METs; 0: not known
	Calibrations []Calibration `json:"calibrations,omitempty"`
	Table        []Row         `json:"table,omitempty"` // for a machine that shows levels
	Note         string        `json:"note,omitempty"`
	Retired      bool          `json:"retired,omitempty"`
}

// Calibration is one check of the machine against something known.
type Calibration struct {
	Date   string `json:"date"`   // YYYY-MM-DD
	Result string `json:"result"` // what was found
	Next   string `json:"next,omitempty"`
}

// Row is a line of the site's own table: the work rate in W at a level and a cadence in 1/min.
type Row struct {
	Level   float64 `json:"level"`
	Cadence float64 `json:"cadence_per_min"`
	WorkW   float64 `json:"work_w"`
}

// Why a machine gives no estimate.
const (
	OnlyMETs = "mets"     // it shows METs alone
	NoTable  = "no-table" // it shows levels, and the site has no table of their work rates
)

// Estimates reports whether an estimate may be made from what the machine shows; if not, why says so in one word.
// Heart rate, exertion and level are recorded all the same.
func (p Profile) Estimates() (ok bool, why string) {
	switch {
	case p.Shows == METs:
		return false, OnlyMETs
	case p.Shows == Levels && len(p.Table) == 0:
		return false, NoTable
	}
	return true, ""
}

// Watts is the work rate at a level and a cadence by the site's table, in W; false where the table does not say. A
// cadence between two of the same level lies on the straight line between them; nothing is said beyond the table.
func (p Profile) Watts(level, cadencePerMin float64) (workW float64, ok bool) {
	below, above := Row{Cadence: math.Inf(-1)}, Row{Cadence: math.Inf(1)}
	for _, r := range p.Table {
		if r.Level != level {
			continue
		}
		if r.Cadence <= cadencePerMin && r.Cadence > below.Cadence {
			below = r
		}
		if r.Cadence >= cadencePerMin && r.Cadence < above.Cadence {
			above = r
		}
	}
	switch {
	case math.IsInf(below.Cadence, 0) || math.IsInf(above.Cadence, 0):
		return 0, false
	case below.Cadence == above.Cadence:
		return below.WorkW, true
	}
	part := (cadencePerMin - below.Cadence) / (above.Cadence - below.Cadence)
	return below.WorkW + part*(above.WorkW-below.WorkW), true
}

// Level is the level whose work rate by the site's table lies nearest to workW at a cadence, and that work rate in W;
// of two as near, the lower one. It is false where the table says nothing for the cadence.
func (p Profile) Level(workW, cadencePerMin float64) (level, watts float64, ok bool) {
	for _, r := range p.Table {
		w, known := p.Watts(r.Level, cadencePerMin)
		if !known {
			continue
		}
		apart, best := math.Abs(w-workW), math.Abs(watts-workW)
		if !ok || apart < best || apart == best && r.Level < level {
			level, watts, ok = r.Level, w, true
		}
	}
	return level, watts, ok
}

// Check says what is wrong with a profile, and what to do; nil when nothing is.
func (p Profile) Check() error {
	switch {
	case strings.TrimSpace(p.Name) == "":
		return &Fault{"name", "it is empty; give the clinic's own name for the machine"}
	case utf8.RuneCountInString(p.Name) > 120 || utf8.RuneCountInString(p.Note) > 2000 || utf8.RuneCountInString(p.Kind) > 64:
		return &Fault{"name", "name, kind or note is too long; shorten it"}
	case p.Shows != Watts && p.Shows != Levels && p.Shows != METs:
		return &Fault{"shows", fmt.Sprintf("%q is none of watts, levels and mets", p.Shows)}
	case !(p.Step >= 0 && p.Step <= 100):
		return &Fault{"smallest_step", "it is not between 0 and 100; check the entry"}
	case p.Shows != Levels && len(p.Table) > 0:
		return &Fault{"table", "only a machine that shows levels has a table; remove it"}
	}
	for _, c := range p.Calibrations {
		if c.Date == "" || strings.TrimSpace(c.Result) == "" {
			return &Fault{"calibration", "it needs its day and its result"}
		}
	}
	return checkTable(p.Table)
}

// Fault says which part of a profile is wrong, and what to do.
type Fault struct{ Field, Text string }

func (f *Fault) Error() string { return f.Field + ": " + f.Text }

func checkTable(table []Row) error {
	if len(table) > 400 {
		return &Fault{"table", "more than 400 lines; shorten it"}
	}
	for i, r := range table {
		line := fmt.Sprintf("level %v at %v /min: ", r.Level, r.Cadence)
		switch {
		case !(r.Level >= 0 && r.Level <= 100):
			return &Fault{"table", line + "the level is not between 0 and 100; check the entry"}
		case !(r.Cadence > 0 && r.Cadence <= 300):
			return &Fault{"table", line + "the cadence is not above 0 and at most 300 /min; check the entry"}
		case !(r.WorkW >= 0 && r.WorkW <= 1000):
			return &Fault{"table", line + fmt.Sprintf("%v W is not between 0 and 1000; check the entry", r.WorkW)}
		}
		twice := func(o Row) bool { return o.Level == r.Level && o.Cadence == r.Cadence }
		if slices.ContainsFunc(table[:i], twice) {
			return &Fault{"table", line + "it stands there twice; keep one"}
		}
	}
	return nil
}
