package core

import (
	"fmt"

	"gradus/conduct"
	"gradus/exact"
	"gradus/gatt"
	"gradus/heartbeat"
)

// SensorAsk is a message about sensors: a packet to decode, or a stretch of heart beats to average.
type SensorAsk struct {
	UUID   uint16 `json:"uuid,omitempty"`   // op decode: characteristic
	Device string `json:"device,omitempty"` // op decode: which device, for its counters
	Data   []byte `json:"data,omitempty"`   // op decode: the packet, base64
	Beats  []Dot  `json:"beats,omitempty"`  // op window: intervals in ms at the moment each ended, or rates in /min
	Rates  bool   `json:"rates,omitempty"`  // op window: Beats are rates
	From   int64  `json:"from_ms"`          // op window
	To     int64  `json:"to_ms"`

	Rate    float64 `json:"rate,omitempty"`    // op lock: heart rate and cadence of this second, per minute
	Cadence float64 `json:"cadence,omitempty"` // op lock
}

// Sensed is what a packet, a stretch of beats or a watch says; a value of 0 is not there, a null one neither.
type Sensed struct {
	HR       float64   `json:"hr,omitempty"`
	RRms     []float64 `json:"rr_ms,omitempty"`
	Contact  string    `json:"contact,omitempty"` // good or lost
	Location string    `json:"location,omitempty"`
	Cadence  *float64  `json:"cadence,omitempty"`
	Power    *float64  `json:"power,omitempty"`
	Battery  *float64  `json:"battery,omitempty"`
	SpO2     *float64  `json:"spo2,omitempty"` // percent
	SBP      *float64  `json:"sbp,omitempty"`  // mmHg
	DBP      *float64  `json:"dbp,omitempty"`  // mmHg
	MassKg   *float64  `json:"mass_kg,omitempty"`
	Cuff     bool      `json:"cuff,omitempty"`   // the cuff is at work
	Factor   float64   `json:"factor,omitempty"` // op lock: the heart rate is this often the cadence; 0: no hint
	Used     int       `json:"used"`
	Dropped  int       `json:"dropped"`
	Good     bool      `json:"good"`          // fit to be taken without a hand
	Enough   bool      `json:"enough"`        // fit to be held against a limit: good, or only too short for an irregular rhythm
	Why      string    `json:"why,omitempty"` // why it is not good
}

// devices keep what spans several packets: counters and records in parts.
type device struct {
	crank  gatt.Tracker
	merger gatt.Merger
}

// decode turns a packet of a sensor into values.
func (c *Core) decode(a *SensorAsk, at int64) (*Sensed, error) {
	if a == nil {
		return nil, fmt.Errorf("no packet came with the message")
	}
	sample, err := gatt.Decode(a.UUID, a.Data)
	if err != nil {
		return nil, err
	}
	if c.devices == nil {
		c.devices = map[string]*device{}
	}
	d := c.devices[a.Device]
	if d == nil {
		d = &device{crank: gatt.NewCrankTracker()}
		c.devices[a.Device] = d
	}
	out := &Sensed{}
	switch s := sample.(type) {
	case gatt.HeartRate:
		out.heart(s)
	case gatt.SensorLocation:
		out.Location = s.Name
	case gatt.Battery:
		if percent, ok := s.Percent.Get(); ok {
			level := float64(percent)
			out.Battery = &level
		}
	case gatt.CyclingPower:
		watts := float64(s.PowerW)
		out.Power = &watts
		out.turns(d, s.Crank, at)
	case gatt.CyclingSpeed:
		out.turns(d, s.Crank, at)
	case gatt.RunningSpeed:
		v := float64(s.CadencePerMin)
		out.Cadence = &v
	case gatt.SpotCheck:
		out.oximeter(s.Oximetry, s.OximeterStatus)
	case gatt.Continuous:
		out.oximeter(s.Oximetry, s.OximeterStatus)
	case gatt.BloodPressure:
		out.pressure(s)
	case gatt.CuffPressure:
		out.Cuff = true
	case gatt.Weight:
		if kg, ok := s.Kg(); ok {
			out.MassKg = &kg
		}
	case gatt.MachineData:
		if err := out.machine(d, s); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func (o *Sensed) heart(h gatt.HeartRate) {
	switch h.Contact {
	case gatt.ContactLost:
		o.Contact = "lost"
	case gatt.ContactGood:
		o.Contact = "good"
	}
	if !h.Usable() {
		return
	}
	o.HR = float64(h.RatePerMin)
	for i := range h.RR {
		o.RRms = append(o.RRms, h.RRMs(i))
	}
}

func (o *Sensed) turns(d *device, crank gatt.Optional[gatt.Crank], at int64) {
	if k, ok := crank.Get(); ok {
		if v, ok := d.crank.AddCrank(at, k); ok {
			o.Cadence = &v
		}
	}
}

func (o *Sensed) machine(d *device, part gatt.MachineData) error {
	whole, done, err := d.merger.Add(part)
	if err != nil || !done {
		return err
	}
	if v, ok := whole.PowerW(); ok {
		o.Power = &v
	}
	if v, ok := whole.CadencePerMin(); ok {
		o.Cadence = &v
	}
	return nil
}

// oximeter gives the saturation that the device stands behind; a doubtful one comes with the reason.
func (o *Sensed) oximeter(x gatt.Oximetry, status gatt.OximeterStatus) {
	v, ok := x.SpO2Percent.Value()
	if !ok || status.Trust() == gatt.NoValue {
		o.Why = "no signal from the finger"
		return
	}
	o.SpO2, o.Good = &v, status.Trust() == gatt.Good
	if !o.Good {
		o.Why = "the oximeter doubts its value"
	}
}

// badCuff are what a monitor says against its own value: movement, a loose cuff, a wrong position.
const badCuff = 1<<0 | 1<<1 | 1<<5

// pressure gives what the cuff measured; in exercise cuffs often send no number, and then none is made up.
func (o *Sensed) pressure(b gatt.BloodPressure) {
	systolic, ok1 := b.Systolic.MmHg()
	diastolic, ok2 := b.Diastolic.MmHg()
	if !ok1 || !ok2 {
		o.Why = "the cuff sent no pressure"
		return
	}
	systolic, diastolic = exact.HalfUp(systolic), exact.HalfUp(diastolic)
	o.SBP, o.DBP = &systolic, &diastolic
	if status, ok := b.Status.Get(); ok && status&badCuff != 0 {
		o.Why = "the cuff moved or sat badly"
		return
	}
	o.Good = true
}

// watchLock tells whether the heart rate has followed the steps for a while.
func (c *Core) watchLock(a *SensorAsk, at int64) (*Sensed, error) {
	if a == nil {
		return nil, fmt.Errorf("no heart rate came with the message")
	}
	hint := c.lock.Add(at, a.Rate, a.Cadence)
	if !hint.Suspected {
		return &Sensed{}, nil
	}
	return &Sensed{Factor: hint.Factor}, nil
}

// window averages the beats of a stretch of time by the rules of package heartbeat, which leaves out beats that
// cannot be and says whether the rest is good enough to be taken without a hand.
func (c *Core) window(a *SensorAsk) (*Sensed, error) {
	if a == nil {
		return nil, fmt.Errorf("no beats came with the message")
	}
	w := heartbeat.NewWindow(a.To - a.From)
	w.Irregular = c.state.In.Rhythm == conduct.AtrialFib || c.state.In.Rhythm == conduct.OtherRhythm
	for _, b := range a.Beats {
		switch {
		case b.AtMs > a.To || b.V <= 0:
		case a.Rates:
			w.AddRate(b.AtMs, b.V)
		default:
			w.AddIntervals(b.AtMs, []uint16{ticks(b.V)})
		}
	}
	r := w.Reading(a.To)
	o := &Sensed{HR: r.RatePerMin, Used: r.Used, Dropped: r.Dropped, Good: r.Poor == heartbeat.None}
	o.Enough = o.Good || r.Poor == heartbeat.ShortForIrregular
	if !o.Good {
		o.Why = r.Poor.String()
	}
	return o, nil
}

// ticks is an interval in the 1/1024 s of the sensors; one too long for them is cut, and then implausible.
func ticks(ms float64) uint16 { return uint16(min(exact.HalfUp(float64(ms*1024)/1000), 65535)) }
