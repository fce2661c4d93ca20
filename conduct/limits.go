package conduct

import (
	_ "embed"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"gradus/protocol"
)

// HRLimit says which safety limit of heart rate is in force: the lowest of those recorded.
type HRLimit uint8

// Safety limits of heart rate.
const (
	NoHRLimit    HRLimit = iota
	GivenLimit           // the site's or referrer's own number
	BelowDevice          // below the rate at which an implanted device acts
	BelowIschaem         // below the heart rate at which ischaemia began
)

var hrLimitWords = []string{"", "given", "device", "ischaemia"}

func (h HRLimit) String() string { return word(hrLimitWords, uint8(h)) }

// MarshalText writes the word.
func (h HRLimit) MarshalText() ([]byte, error) { return []byte(h.String()), nil }

// UnmarshalText reads the word.
func (h *HRLimit) UnmarshalText(t []byte) error {
	return readWord(hrLimitWords, "limit of heart rate", t, (*uint8)(h))
}

//go:embed limits.csv
var limitsFile string

// Margins are the numbers of limits.csv by id; where an id has several, the first is the default.
var margins = readMargins(limitsFile)

func readMargins(file string) map[string][]float64 {
	out := map[string][]float64{}
	for n, line := range strings.Split(strings.TrimSpace(file), "\n")[1:] {
		cell := strings.SplitN(line, ",", 3)
		v, err := strconv.ParseFloat(cell[1], 64)
		if err != nil {
			panic(fmt.Sprintf("conduct: limits.csv line %d: %v", n+2, err))
		}
		out[cell[0]] = append(out[cell[0]], v)
	}
	return out
}

// DeviceMargins are the choices of how far below a device's rate a test stays, /min, the default first.
func DeviceMargins() []float64 { return slices.Clone(margins["device-margin"]) }

func marginKnown(v float64) bool { return v == 0 || slices.Contains(margins["device-margin"], v) }

func marginError(v float64) error {
	return fmt.Errorf("device_margin_bpm %g is not one of %v; choose one of these", v, margins["device-margin"])
}

// Margin is how far below a device's rate this test stays, /min.
func (in *Inputs) Margin() float64 {
	if in.DeviceBelow > 0 {
		return in.DeviceBelow
	}
	return margins["device-margin"][0]
}

// lowestHR is the safety limit of heart rate in force, /min; 0: none.
func lowestHR(in *Inputs) (limit float64, of HRLimit) {
	keep := func(v float64, what HRLimit) {
		if v > 0 && (limit == 0 || v < limit) {
			limit, of = v, what
		}
	}
	keep(in.HRLimit, GivenLimit)
	if in.DeviceRate > 0 {
		keep(in.DeviceRate-in.Margin(), BelowDevice)
	}
	if in.IschaemiaHR > 0 {
		keep(in.IschaemiaHR-margins["ischaemia-margin"][0], BelowIschaem)
	}
	return limit, of
}

// HRLimitWhy says which limit of heart rate is in force and whose it is; "" when there is none.
func HRLimitWhy(in *Inputs, l *Limits) string {
	why := ""
	switch l.HRLimitOf {
	case NoHRLimit:
		return ""
	case BelowDevice:
		why = fmt.Sprintf("%s below the device's rate of %s, ", num(in.Margin()), num(in.DeviceRate))
	case BelowIschaem:
		why = fmt.Sprintf("%s below the ischaemic heart rate of %s, ", num(margins["ischaemia-margin"][0]), num(in.IschaemiaHR))
	}
	return why + "set by " + setBy(in, protocol.MeasureHR)
}

// EndedAt says which safety limit ended a test, and whose it is.
func EndedAt(s *State, m protocol.Measure) string {
	l := &s.Limits
	switch m {
	case protocol.MeasureSBP:
		return "systolic pressure of " + num(l.SBPLimit) + ", set by " + setBy(&s.In, m)
	case protocol.MeasureSpO2:
		return "oxygen saturation of " + num(l.SpO2Limit) + ", set by " + setBy(&s.In, m)
	case protocol.MeasureRPE:
		return "exertion of " + num(l.RPELimit) + ", set by " + setBy(&s.In, m)
	}
	if l.HRLimit == 0 {
		return "as the examiner recorded"
	}
	return "heart rate of " + num(l.HRLimit) + ", " + HRLimitWhy(&s.In, l)
}

// LimitsSetBy is who set the limits and when; "" when nobody said.
func LimitsSetBy(in *Inputs) string { return in.LimitBy(protocol.NoMeasure) }

// setBy is who set a limit, for people.
func setBy(in *Inputs, m protocol.Measure) string {
	if by := in.LimitBy(m); by != "" {
		return by
	}
	return "the site or the referrer"
}

// Headroom is how far the first end by heart rate, end point or limit, lies above the resting one, /min. It is false where
// either is not known.
func Headroom(in *Inputs, l *Limits) (beats float64, known bool) {
	end := l.EndPoint
	if l.HRLimit > 0 && (end == 0 || l.HRLimit < end) {
		end = l.HRLimit
	}
	return end - in.RestHR, end > 0 && in.RestHR > 0
}

// Room says what headroom allows.
type Room uint8

// What headroom allows.
const (
	RoomUnknown Room = iota
	RoomNone         // not as planned
	RoomLow          // a small-step variant or a walk fits better
	RoomEnough
)

// RoomOf judges headroom: at 10 or less the test is not begun as planned, below 30 another test fits better (limits.csv).
func RoomOf(in *Inputs, l *Limits) (r Room, beats float64) {
	beats, known := Headroom(in, l)
	switch {
	case !known:
		return RoomUnknown, 0
	case beats <= margins["headroom-none"][0]:
		return RoomNone, beats
	case beats < margins["headroom-low"][0]:
		return RoomLow, beats
	}
	return RoomEnough, beats
}
