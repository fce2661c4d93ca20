package core

import (
	"fmt"
	"sort"

	"gradus/gatt"
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
}

// Sensed is what a packet or a stretch of beats says; a value of 0 is not there, a null one neither.
type Sensed struct {
	HR       float64   `json:"hr,omitempty"`
	RRms     []float64 `json:"rr_ms,omitempty"`
	Contact  string    `json:"contact,omitempty"` // good or lost
	Location string    `json:"location,omitempty"`
	Cadence  *float64  `json:"cadence,omitempty"`
	Power    *float64  `json:"power,omitempty"`
	Battery  *float64  `json:"battery,omitempty"`
	Used     int       `json:"used"`
	Dropped  int       `json:"dropped"`
	GapMs    int64     `json:"gap_ms"`
	Good     bool      `json:"good"`
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

// When a stretch of beats is good enough to be taken without a hand: all of it our own choice, except that more
// than 10 % of beats put right and a gap above 3 s are common practice for leaving a window out.
const (
	leastBeats    = 8
	gapMost       = 3000 // ms
	dropMost      = 0.10
	intervalLeast = 60000.0 / 250 // ms; the fences of a heart rate
	intervalMost  = 60000.0 / 25
	jumpMost      = 0.25 // of the median of the beats around
	around        = 5
)

// window averages the beats of a stretch of time after leaving out those that cannot be. The mean is taken over
// intervals, not over rates: a mean of rates is too high.
func window(a *SensorAsk) (*Sensed, error) {
	if a == nil {
		return nil, fmt.Errorf("no beats came with the message")
	}
	o := &Sensed{}
	last, sum := a.From, 0.0
	for i, b := range a.Beats {
		if b.AtMs <= a.From || b.AtMs > a.To || b.V <= 0 {
			continue
		}
		interval := b.V
		if a.Rates {
			interval = 60000 / b.V
		}
		if !plausible(a, i, interval) {
			o.Dropped++
			continue
		}
		o.GapMs, last = max(o.GapMs, b.AtMs-last), b.AtMs
		sum += interval
		o.Used++
	}
	o.GapMs = max(o.GapMs, a.To-last)
	if o.Used > 0 {
		o.HR = 60000 / (sum / float64(o.Used))
	}
	o.judge()
	return o, nil
}

// plausible reports whether an interval can be one and does not jump away from those around it.
func plausible(a *SensorAsk, i int, interval float64) bool {
	if interval < intervalLeast || interval > intervalMost {
		return false
	}
	var near []float64
	for k := max(0, i-around); k <= min(len(a.Beats)-1, i+around); k++ {
		v := a.Beats[k].V
		if a.Rates && v > 0 {
			v = 60000 / v
		}
		near = append(near, v)
	}
	sort.Float64s(near)
	median := near[len(near)/2]
	return interval > median*(1-jumpMost) && interval < median*(1+jumpMost)
}

func (o *Sensed) judge() {
	all := o.Used + o.Dropped
	switch {
	case o.Used == 0:
		o.Why = "no beats"
	case o.Used < leastBeats:
		o.Why = fmt.Sprintf("only %d beats", o.Used)
	case o.GapMs > gapMost:
		o.Why = fmt.Sprintf("a gap of %.0f s", float64(o.GapMs)/1000)
	case float64(o.Dropped) > dropMost*float64(all):
		o.Why = fmt.Sprintf("%d of %d beats left out", o.Dropped, all)
	default:
		o.Good = true
	}
}
