package conduct

import "gradus/protocol"

// advice is what follows the stop: that of its reason, or that of a graver sign told besides.
func (s *State) advice(p *protocol.Protocol) (a protocol.After, sign int) {
	a, sign = protocol.AfterRest, -1
	if reason, ok := protocol.ReasonOf(s.Stop.Code); ok {
		a = reason.After
	}
	if i := p.SignIndex(s.Stop.Code); i >= 0 {
		a, sign = p.Table[i].After, i
	}
	for i := range s.Signs[:s.NSigns] {
		m := &s.Signs[i]
		if after := p.Table[m.Sign].After; !m.Withdrawn && !m.Gone && p.Table[m.Sign].When.Symptom && grave(after) > grave(a) {
			a, sign = after, int(m.Sign)
		}
	}
	if end := s.Standing(p, s.Stop.At); end.Severity == SignEnd && grave(p.Table[end.Sign].After) > grave(a) {
		a, sign = p.Table[end.Sign].After, end.Sign
	}
	return a, sign
}

// grave orders advice.
func grave(a protocol.After) int {
	switch a {
	case protocol.AfterSeated:
		return 3
	case protocol.AfterRest:
		return 2
	}
	return 1
}

// stopped tells what to do right after the stop.
func (n *teller) stopped() {
	p, s := n.p, n.s
	a, sign := s.advice(p)
	n.sign = sign + 1
	why := sayStopReason(p, s.Stop.Code)
	switch {
	case a == protocol.AfterSeated:
		n.tell(DoStop, "signs", saySeated, why)
	case a == protocol.AfterRest || !p.CoolDown.Is():
		n.tell(DoStop, "signs", sayRest, why)
	default:
		n.out.Work = CoolWork(p, s)
		n.tell(DoEnd, "cool_down", sayCoolDown(p, s, n.out.Work), why)
	}
	if left := s.Stop.At + p.Resume - n.at; left >= 0 && sign < 0 {
		n.out.Choices = []Choice{{Say: sayMistake(left), Events: []Event{{At: n.at, Kind: Unstopped}}}}
	}
}

func (n *teller) cooling() {
	p, s := n.p, n.s
	if n.newSymptom() {
		return
	}
	// A cool-down that was set all the same does not make the advice another one.
	if a, sign := s.advice(p); a == protocol.AfterSeated {
		n.sign = sign + 1
		n.tell(DoStop, "signs", saySeated, sayStopReason(p, s.Stop.Code))
		return
	}
	ends := s.CoolFrom
	if p.CoolDown.Is() {
		ends += p.CoolDown.It.Lasts
		if limit := CoolWork(p, s); s.CoolWork > limit {
			n.out.Work = limit
			n.tell(DoLower, "cool_down", sayLower(s, limit), sayCoolTooHigh(s.CoolWork, limit))
			return
		}
	}
	if n.at >= ends {
		n.tell(DoRecover, "recovery", saySitDown, "")
		return
	}
	if n.recoveryReading() {
		return
	}
	n.until(ends, "end of the cool-down")
	n.tell(DoCool, "cool_down", sayCooling(n.out.Left), "")
}

// newSymptom acts on a symptom told after the stop, at once.
func (n *teller) newSymptom() bool {
	for i := int(n.s.NSigns) - 1; i >= 0; i-- {
		m := &n.s.Signs[i]
		sign := &n.p.Table[m.Sign]
		if m.Withdrawn || m.Gone || !sign.When.Symptom || m.At < n.s.Stop.At || m.Ref == n.s.Stop.Ref {
			continue
		}
		n.sign = int(m.Sign) + 1
		say := sayRest
		if sign.After == protocol.AfterSeated {
			say = saySeated
		}
		n.tell(DoSymptom, "signs", say, sign.Text)
		return true
	}
	return false
}

// Recovered says how recovery stands.
type Recovered struct {
	HR, SBP      float64 // the last ones after the stop; 0: none
	HRKnown      bool    // resting heart rate and a reading after the stop are there
	HROK         bool
	SBPKnown     bool
	SBPOK        bool
	Symptom      bool
	Since        protocol.Ms // since the stop
	TimeOK       bool
	StillToWait  protocol.Ms
	All          bool // recovered
	AskPhysician bool
	BPNotWatched bool // the site takes no blood pressure and no resting value is recorded
}

// RecoveredAt judges recovery at a moment.
func (s *State) RecoveredAt(p *protocol.Protocol, at protocol.Ms) (r Recovered) {
	c := &p.Recovery.It
	r.HR, r.SBP = s.lastAfter(protocol.HeartRate), s.lastAfter(protocol.BloodPressure)
	r.HRKnown = r.HR > 0 && s.In.RestHR > 0
	r.HROK = r.HRKnown && r.HR-s.In.RestHR <= c.HRWithin
	r.BPNotWatched = s.In.BP == BPNone && s.In.RestSBP == 0
	r.SBPKnown = r.SBP > 0 && s.In.RestSBP > 0
	r.SBPOK = r.SBPKnown && r.SBP-s.In.RestSBP <= c.SBPWithin && s.In.RestSBP-r.SBP <= c.SBPWithin && r.SBP >= c.SBPNotBelow
	for i := range s.Signs[:s.NSigns] {
		m := &s.Signs[i]
		r.Symptom = r.Symptom || p.Table[m.Sign].When.Symptom && !m.Withdrawn && !m.Gone
	}
	r.Since = at - s.Stop.At
	r.StillToWait = c.AtLeast - r.Since
	if s.In.Condition&CondHeart != 0 {
		r.StillToWait = max(r.StillToWait, c.Heart-(at-s.RestFrom))
	}
	r.TimeOK = r.StillToWait <= 0
	settled := r.HROK && (r.SBPOK || r.BPNotWatched) && !r.Symptom
	r.All = settled && r.TimeOK
	r.AskPhysician = !settled && r.Since >= c.AskAt
	return r
}

// lastAfter is the last usable value of a quantity after the stop; 0 when there is none.
func (s *State) lastAfter(what protocol.Quantity) float64 {
	for i := int(s.NAfter) - 1; i >= 0; i-- {
		if v := &s.After[i]; v.What == what && v.sound() {
			return v.V
		}
	}
	return 0
}

func (n *teller) recovering() {
	p, s := n.p, n.s
	if n.newSymptom() {
		return
	}
	if !p.Recovery.Is() {
		n.tell(DoClose, "recovery", sayCloseNow, "")
		return
	}
	r := s.RecoveredAt(p, n.at)
	switch {
	case r.All:
		n.tell(DoClose, "recovery", sayRecovered, sayRecoveryState(s, r))
		n.out.Choices = []Choice{{Say: sayClose, Events: []Event{{At: n.at, Kind: Closed, Code: "recovered"}}}}
	case r.AskPhysician:
		n.tell(DoPhysician, "recovery.ask_at", sayPhysician, sayRecoveryState(s, r))
	case n.recoveryReading():
	default:
		n.until(n.nextRecovery(), "read heart rate and blood pressure")
		n.tell(DoRecover, "recovery", sayRecovering(n.out.Left), sayRecoveryState(s, r))
	}
}

// nextRecovery is the time of the next recovery reading.
func (n *teller) nextRecovery() protocol.Ms {
	every := n.p.Recovery.It.Every
	return n.s.Stop.At + ((n.at-n.s.Stop.At)/every+1)*every
}

// recoveryReading tells to take the reading of the recovery minute that is due.
func (n *teller) recoveryReading() bool {
	p, s := n.p, n.s
	if !p.Recovery.Is() {
		return false
	}
	every := p.Recovery.It.Every
	k := (n.at - s.Stop.At) / every
	due := s.Stop.At + k*every
	if k < 1 || n.at > due+every/2 {
		return false
	}
	for i := range s.After[:s.NAfter] {
		if v := &s.After[i]; v.What == protocol.HeartRate && v.sound() && v.Moment > due-every/2 && v.Moment <= due+every/2 {
			return false
		}
	}
	n.out.What, n.out.Slot = protocol.HeartRate, uint16(k)
	n.until(due, "read heart rate and blood pressure")
	n.tell(DoRead, "recovery.every", sayRecoveryRead(int(k), s.In.BP != BPNone), "")
	return true
}
