package report

import (
	"math"

	"gradus/conduct"
	"gradus/estimate"
	"gradus/prescribe"
)

// Letter is for the participant: plain words, large type, one picture. It names no class, no threshold and no
// chance of losing independence, and no number without how sure it is.
func (c *Case) Letter() *Document {
	d := &Document{Title: "Your exercise test", Who: or(c.Participant, "Name: ______________________") + dated(c.Date), Standing: c.Signing.Text(), Foot: c.versions(), Large: true, Day: c.Date}
	add := func(b ...Block) { d.Blocks = append(d.Blocks, b...) }
	add(Para{Text: "Thank you for doing the test. This letter tells you what we found."}, c.stairs(true))
	add(Heading("What we found"))
	add(c.letterResult()...)
	add(Heading("What you can do"))
	add(c.letterPlan()...)
	add(Heading("When to stop"), List{Items: []string{
		"Stop and sit down if your chest hurts or feels tight.",
		"Stop if you feel faint, sick, or very short of breath.",
		"If it does not pass in a few minutes, call for help.",
		"Tell us about it before you train again.",
	}}, Para{Text: "Do you want to know more? Bring this letter and ask us."})
	if c.Examiner != "" {
		add(Para{Text: "Your tester was " + c.Examiner + "."})
	}
	return d
}

func dated(date string) string {
	if date == "" {
		return ""
	}
	return ", " + date
}

func (c *Case) letterResult() []Block {
	if c.measured() != "" {
		return c.letterMeasured()
	}
	r := c.perKg()
	if r == nil {
		return []Block{Para{Text: "This time the test gave no score that we can trust. That is not your fault. " + c.plainReason()},
			Para{Text: "We still learned how your body works at each step. We will use that to plan with you."}}
	}
	low := fixed(math.Floor(float64(r.Low95)), 0)
	if float64(r.Low95) < r.Floor {
		low = fixed(r.Floor, 0)
	}
	out := []Block{
		Para{Lead: true, Text: "Your fitness score is about " + fixed(math.Round(float64(r.Value)), 0) + "."},
		Para{Text: "The true score is most likely between " + low + " and " + fixed(math.Ceil(float64(r.High95)), 0) + ". A short test like this one can not tell it more closely."},
		Para{Text: "The score shows how much air your body can use when you work hard. A high score means that stairs, walks, and chores feel easier. Most people can raise it if they train."},
	}
	if c.Judged.Verdict == estimate.WithCaution {
		out = append(out, Para{Text: "This time the score is less sure than we would like. The next test may tell us more."})
	}
	return out
}

// letterMeasured tells of a test that was made for what it measures, not for a score.
func (c *Case) letterMeasured() []Block {
	after := Para{Text: "We will use what we saw to plan with you."}
	if m, ok := c.walked(); ok {
		return []Block{Para{Lead: true, Text: "Your distance was " + num(math.Round(m)) + " metres."},
			Para{Text: "On some days it may be a bit more, on some a bit less. The next test will show if you can go farther."}, after}
	}
	return []Block{Para{Text: "The test shows how your heart beats at work that you can do. It gives no score, and it was not meant to."}, after}
}

// plainReason says in everyday words why there is no score, where there are such words.
func (c *Case) plainReason() string {
	in := &c.State.In
	switch {
	case c.Usable() && !c.Result().SEE.Present():
		return "No one has found out yet how sure a score from such a test is."
	case in.Drug == conduct.DrugYes:
		return "You take a drug that keeps your heart beat low. So the heart beat does not show how hard you work."
	case c.bySign():
		return "We stopped early to keep you safe. Your care team will talk with you about it."
	case c.State.Stop.Active && c.State.Stop.Code == "participant":
		return "You asked to stop, and that was right."
	case in.Rhythm != conduct.Sinus && in.Rhythm != 0:
		return "Your heart keeps its own beat. So the beat does not show how hard you work."
	}
	return "Your tester can tell you why."
}

func (c *Case) letterPlan() []Block {
	p, _ := c.Plan()
	if p == nil || len(p.Weeks) == 0 {
		return []Block{Para{Text: "We will plan your training with you, step by step. Please wait until we have talked about it."}}
	}
	w := p.Weeks[0]
	items := []string{"Move " + num(w.Sessions) + " days a week.", "Keep going for " + num(w.Minutes) + " minutes each time. You may rest in between."}
	if w.RPETo > 0 {
		items = append(items, "On the scale from 6 to 20, stay at "+span(w.RPEFrom, w.RPETo, 0)+". You should still be able to talk.")
	}
	if load := loadOf(p, "W"); load != "" {
		items = append(items, "On the machine, set "+load+".")
	}
	return []Block{List{Items: items}, Para{Text: "Your plan sheet shows how to go on from week to week."}}
}

// loadOf is the leading work rate of the tested machine with its error, or "".
func loadOf(p *prescribe.Prescription, unit string) string {
	for _, t := range p.Targets {
		if !t.Leads || t.Unit != unit || t.Withheld != "" || t.Low == nil || t.High == nil {
			continue
		}
		if t.LowSD == nil || t.HighSD == nil {
			return "about " + span(*t.Low, *t.High, 0) + " watts. How it feels comes first"
		}
		return span(*t.Low, *t.High, 0) + " watts, give or take " + fixed(2*max(*t.LowSD, *t.HighSD), 0)
	}
	return ""
}
