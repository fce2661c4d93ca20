package estimate

import (
	"math"
	"strconv"

	"gradus/exact"
	"gradus/physiology"
)

// Extrapolate makes an estimator a line: heart rate on oxygen uptake over the steady stages of a test, extended
// to maximal heart rate. The estimator's equation then gives the oxygen uptake of one stage. Everything here
// comes from the file.
type Extrapolate struct {
	FromBPM   float64 `yaml:"from_bpm" json:"from_bpm"`     // stages below it are left out; 0: none is
	ToPercent float64 `yaml:"to_percent" json:"to_percent"` // stages above this share of maximal heart rate too; 0: none is
	Stages    int     `yaml:"stages" json:"stages"`         // exactly so many; 0: two or more
	Formula   string  `yaml:"max_hr_formula" json:"max_hr_formula"`
	// Errors that enter the interval, each one standard deviation.
	HRBPM      float64 `yaml:"hr_sd_bpm" json:"hr_sd_bpm"`                     // of the heart rate of a stage
	GivenSD    float64 `yaml:"given_max_hr_sd_bpm" json:"given_max_hr_sd_bpm"` // of a maximal heart rate that was measured
	Work       float64 `yaml:"work_percent" json:"work_percent"`               // of the work rate of a stage, by the uptake above rest
	Efficiency float64 `yaml:"economy_percent" json:"economy_percent"`         // between people, common to all stages of one
	RestVO2    float64 `yaml:"rest_vo2" json:"rest_vo2"`                       // that does not come from work, in the unit of the outcome
	How        string  `yaml:"how" json:"how"`
	Source     string  `yaml:"source" json:"source"`
}

// Point is a stage on the line: its oxygen uptake (in the outcome's unit) and heart rate (/min).
type Point struct {
	X    float64 `json:"vo2"`
	HR   float64 `json:"hr_bpm"`
	Used bool    `json:"used"`
}

// Extrapolation is how an extrapolated answer came about.
type Extrapolation struct {
	Points    []Point `json:"points"`
	Used      int     `json:"used"`
	Slope     float64 `json:"slope"`     // beats/min per unit of the outcome
	Intercept float64 `json:"intercept"` // beats/min
	MaxHR     float64 `json:"max_hr_bpm"`
	MaxHRSD   float64 `json:"max_hr_sd_bpm"`
	Formula   string  `json:"max_hr_formula"` // "given" when it was measured
	LastTwo   Number  `json:"last_two"`       // the answer by the last two points alone
	SD        float64 `json:"sd"`             // of the answer, from all four
	FromHR    float64 `json:"sd_from_hr"`
	FromWork  float64 `json:"sd_from_work"`
	FromEcon  float64 `json:"sd_from_economy"`
	FromMaxHR float64 `json:"sd_from_max_hr"`
	FromCurve float64 `json:"sd_from_curvature"` // what first order leaves out where the slope is uncertain
}

// fitted is a least-squares line of heart rate on uptake.
type fitted struct{ n, xMean, hrMean, sxx, slope float64 }

// fit draws the line through the points that are used.
func fit(points []Point) (f fitted) {
	for i := range points {
		if points[i].Used {
			f.n++
			f.xMean += points[i].X
			f.hrMean += points[i].HR
		}
	}
	f.xMean, f.hrMean = f.xMean/f.n, f.hrMean/f.n
	sxh := 0.0
	for i := range points {
		if points[i].Used {
			dx := points[i].X - f.xMean
			f.sxx += float64(dx * dx)
			sxh += float64(dx * (points[i].HR - f.hrMean))
		}
	}
	f.slope = sxh / f.sxx
	return f
}

// at is where the line reaches a heart rate.
func (f *fitted) at(hr float64) float64 { return f.xMean + (hr-f.hrMean)/f.slope }

// lastTwo keeps the last two points that are used.
func lastTwo(points []Point) []Point {
	two := append([]Point(nil), points...)
	n := 0
	for i := len(two) - 1; i >= 0; i-- {
		if two[i].Used {
			n++
			two[i].Used = n <= 2
		}
	}
	return two
}

// Answer is where the line through the used points reaches maxHR; NaN for fewer than two points or a line that does
// not rise.
func Answer(points []Point, maxHR float64) float64 {
	f := fit(points)
	if f.n < 2 || !(f.slope > 0) {
		return math.NaN()
	}
	return f.at(maxHR)
}

// errors propagates the four errors to first order, and adds what that leaves out because the answer divides by the
// slope: with q the squared relative error of the slope, the variance of 1/slope is q + 8q^2 and not q, and the error of
// maximal heart rate weighs 1 + 3q.
func (x *Extrapolate) errors(out *Extrapolation, f *fitted, value float64) {
	d := out.MaxHR - f.hrMean
	bySlope := d / float64(f.slope*f.slope)
	hr, work := 0.0, 0.0
	slope := float64(x.HRBPM*x.HRBPM) / f.sxx
	for i := range out.Points {
		p := &out.Points[i]
		if !p.Used {
			continue
		}
		dx := p.X - f.xMean
		byHR := -1/float64(f.n*f.slope) - float64(bySlope*dx)/f.sxx
		hr += float64(byHR * byHR)
		turn := (p.HR - f.hrMean) - float64(2*float64(f.slope*dx))
		byX := 1/f.n - float64(bySlope*turn)/f.sxx
		sd := float64(x.Work*(p.X-x.RestVO2)) / 100
		bySlopeX := float64(turn*sd) / f.sxx
		slope += float64(bySlopeX * bySlopeX)
		byWork := float64(byX * sd)
		work += float64(byWork * byWork)
	}
	out.FromHR = float64(x.HRBPM * math.Sqrt(hr))
	out.FromWork = math.Sqrt(work)
	out.FromEcon = math.Abs(float64(x.Efficiency*(value-x.RestVO2))) / 100
	out.FromMaxHR = math.Abs(out.MaxHRSD / f.slope)
	q := slope / float64(f.slope*f.slope)
	reach := d / f.slope
	out.FromCurve = math.Sqrt(float64(8*float64(float64(q*q)*float64(reach*reach))) + float64(3*float64(q*float64(out.FromMaxHR*out.FromMaxHR))))
	out.SD = math.Sqrt(float64(out.FromCurve*out.FromCurve) + float64(out.FromHR*out.FromHR) + float64(out.FromWork*out.FromWork) + float64(out.FromEcon*out.FromEcon) + float64(out.FromMaxHR*out.FromMaxHR))
}

// Stages extends the line of the stages to maximal heart rate. Each row of stages holds the values of one stage in
// the order of the inputs, heart rate among them; maxHR is given (formula "given", sd its error) or predicted.
// An error (an *InputError) means that a value cannot be taken.
func (e *Estimator) Stages(stages [][]float64, maxHR, sd float64, formula string, c Context) (Result, error) {
	x := e.Extrapolate
	if !e.prepared || x == nil {
		return Result{}, &InputError{e.ID, "does not extend a line over stages", ""}
	}
	if !(maxHR >= 60 && maxHR <= 250) {
		return Result{}, &InputError{"max_hr_bpm", number(maxHR) + " /min is outside 60 to 250", "check the entry, or the age"}
	}
	out := &Extrapolation{MaxHR: maxHR, MaxHRSD: sd, Formula: formula, LastTwo: Absent, Points: []Point{}}
	for _, values := range stages {
		for i, v := range values {
			if i == e.maxHRAt() {
				continue
			}
			if err := e.Check(i, v); err != nil {
				return Result{}, err
			}
		}
		p := Point{X: e.run.eval(values), HR: values[e.hrAt]}
		p.Used = p.HR >= x.FromBPM && (x.ToPercent == 0 || float64(100*p.HR) <= float64(x.ToPercent*maxHR)) && !math.IsNaN(p.X)
		if p.Used {
			out.Used++
		}
		out.Points = append(out.Points, p)
	}
	if len(stages) == 0 {
		return Result{}, &InputError{e.Inputs[e.hrAt].ID, "no stage is given", "give the values of each stage"}
	}
	last := stages[len(stages)-1]
	f := fit(out.Points)
	value := Answer(out.Points, maxHR)
	r := Result{
		Verdict: Given, Estimator: e.ID, What: e.Outcome.What, Unit: e.Outcome.Unit, Criterion: e.Outcome.CriterionMode, Floor: e.Limits.Floor,
		Covers: e.Error.Covers, Source: e.Source, ErrorSource: x.Source, Provenance: e.Provenance, Inputs: e.usedIn(stages, maxHR),
		Cautions: []Caution{}, Sensitivity: []Sensitivity{}, Extrapolation: out,
		Value: Number(value), SEE: Absent, Low68: Absent, High68: Absent, Low95: Absent, High95: Absent,
	}
	if why := x.unfit(out, &f); why != "" || e.refuses(value) {
		r.Verdict, r.Why, r.Value = Refused, why, Absent
		if why == "" {
			r.Why = e.why(value)
		}
		return r, nil
	}
	out.Slope, out.Intercept = f.slope, f.hrMean-float64(f.slope*f.xMean)
	out.LastTwo = Number(Answer(lastTwo(out.Points), maxHR))
	x.errors(out, &f, value)
	r.SEE = Number(out.SD)
	half := float64(exact.NormalQuantile(0.975) * out.SD)
	r.Low68, r.High68, r.Low95, r.High95 = Number(value-out.SD), Number(value+out.SD), Number(value-half), Number(value+half)
	for i := range e.rules {
		if e.holds(&e.rules[i], last, &c, value) {
			r.Cautions = append(r.Cautions, e.explain(&e.rules[i], last, &c, value))
		}
	}
	r.Sensitivity = append(r.Sensitivity, Sensitivity{"max_hr_bpm", "maximal heart rate", "+1 /min", Number(1 / f.slope)})
	return r, nil
}

// unfit says why no line can be extended.
func (x *Extrapolate) unfit(out *Extrapolation, f *fitted) string {
	switch {
	case x.Stages > 0 && out.Used != x.Stages:
		return "needs " + strconv.Itoa(x.Stages) + " stages with a heart rate, there are " + strconv.Itoa(out.Used)
	case out.Used < 2:
		window := ""
		if x.FromBPM > 0 || x.ToPercent > 0 {
			window = " between " + number(x.FromBPM) + " and " + fixed(float64(x.ToPercent*out.MaxHR)/100) + " /min"
		}
		return "needs two stages with a heart rate" + window + ", there are " + strconv.Itoa(out.Used)
	case !(f.sxx > 0):
		return "the stages have the same work, so there is no line"
	case !(f.slope > 0):
		return "heart rate does not rise with work, so the line cannot be extended; check the readings"
	}
	return ""
}

func (e *Estimator) maxHRAt() int { return e.RoleAt("max-heart-rate") }

// usedIn lists the inputs of the last stage, and maximal heart rate.
func (e *Estimator) usedIn(stages [][]float64, maxHR float64) []Used {
	values := append([]float64(nil), stages[len(stages)-1]...)
	if i := e.maxHRAt(); i >= 0 {
		values[i] = maxHR
	}
	return e.used(values)
}

// PredictMaxHR gives the maximal heart rate that an extended line uses when none is measured, with its spread, by
// the formula with an id of package physiology, or the estimator's own.
func (x *Extrapolate) PredictMaxHR(formula string, ageYears float64, female bool, restHR float64) (bpm, sd float64, id string, err error) {
	if formula == "" {
		formula = x.Formula
	}
	bpm, f, err := physiology.MaxHR(formula, ageYears, female, restHR)
	return bpm, f.SD, f.ID, err
}

// checkExtrapolate looks at the block of the file.
func (e *Estimator) checkExtrapolate() error {
	x := e.Extrapolate
	switch {
	case x == nil:
		return nil
	case e.hrAt < 0 || e.maxHRAt() < 0:
		return fault("extrapolate", "needs inputs with the roles heart-rate and max-heart-rate", "")
	case !(x.HRBPM > 0 && x.Work >= 0 && x.Efficiency >= 0 && x.RestVO2 >= 0) || x.Source == "":
		return fault("extrapolate.hr_sd_bpm", "the errors must be given, with their source", "no estimate without its error")
	case x.Stages < 0 || x.Stages == 1 || x.FromBPM < 0 || x.ToPercent < 0 || x.ToPercent > 100:
		return fault("extrapolate.stages", "stages, from_bpm or to_percent cannot be", "")
	}
	if f, known := physiology.FormulaFor(x.Formula); !known || f.PerRest != 0 {
		return fault("extrapolate.max_hr_formula", strconv.Quote(x.Formula)+" is no formula of maximal heart rate by age", "see 220-age, 208-0.7age")
	}
	return checkHow("extrapolate.how", x.How)
}
