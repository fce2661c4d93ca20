package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"gradus/estimate"
	"gradus/estimate/library"
	"gradus/internal/verified"
)

type estimateCmd struct {
	ID     string   `arg:"" help:"Estimator: an id from 'gradus estimators', or a file ending in .yaml."`
	Values []string `arg:"" optional:"" placeholder:"name=value" help:"Inputs, such as age_years=67; also what is known of the test, such as rate_limiting_drug=no."`

	JSON      bool   `name:"json" help:"Print JSON."`
	In        string `name:"in" placeholder:"FILE.csv" help:"Estimate every row of this file (- for standard input)."`
	Out       string `name:"out" placeholder:"FILE.csv" help:"Write the rows here; without it they go to standard output."`
	Reference string `name:"reference" placeholder:"TABLE.csv" help:"Add a percentile from this table: sex, age_low, p5 to p95."`
	SkipBad   bool   `name:"skip-bad" help:"End with exit code 0 although rows were bad."`
	Records   string `name:"verified" type:"path" placeholder:"DIR" help:"Records of comparisons with the papers: the folder verified that 'gradus files --to' writes."`
	Verified  bool   `name:"require-verified" help:"Refuse an equation whose coefficients nobody has compared with the paper."`
	Simulate  int    `name:"simulate" placeholder:"N" help:"For a line over stages: check the interval with N simulated tests."`
	Seed      uint64 `name:"seed" default:"1" help:"Seed of the simulated tests."`
}

// Run estimates once, or for every row of a file.
func (c *estimateCmd) Run(e *env) error {
	if err := c.checkUsage(); err != nil {
		return err
	}
	est, err := findEstimator(c.ID)
	if err != nil {
		return err
	}
	if faults := verified.Folder(c.Records).Apply(est); len(faults) > 0 {
		return faults[0]
	}
	if c.Verified && est.Unverified() {
		return fmt.Errorf("%s: coefficients not verified against the paper; compare them and write a file in the folder verified", est.ID)
	}
	if c.In != "" {
		return c.rows(e, est)
	}
	if est.Extrapolate == nil && (c.Simulate != 0 || c.Seed != 1) {
		return usageError{"--simulate and --seed are for estimators that extend a line over stages"}
	}
	var result estimate.Result
	if est.Extrapolate != nil {
		result, err = c.stages(e, est)
	} else {
		var values []float64
		var about estimate.Context
		if values, about, err = readValues(est, c.Values); err == nil {
			result, err = est.Estimate(values, about)
		}
	}
	if err != nil {
		return err
	}
	if c.JSON {
		err = writeJSON(e.out, result)
	} else {
		err = writeResult(e.out, &result)
	}
	if err == nil && result.Verdict == estimate.Refused {
		return errReported
	}
	return err
}

func (c *estimateCmd) checkUsage() error {
	switch {
	case c.In == "" && (c.Out != "" || c.Reference != "" || c.SkipBad):
		return usageError{"--out, --reference and --skip-bad need --in FILE.csv"}
	case c.In != "" && len(c.Values) > 0:
		return usageError{"with --in the values come from the file; leave out " + c.Values[0]}
	case c.In != "" && c.Simulate != 0:
		return usageError{"--simulate is for one test; leave out --in"}
	case c.Simulate < 0 || c.Simulate > 10_000_000:
		return usageError{"--simulate takes 1 to 10000000"}
	case c.In != "" && c.JSON:
		return usageError{"--in writes CSV; leave out --json"}
	}
	return nil
}

// findEstimator takes an id, or a file with its verification beside it in the folder "verified".
func findEstimator(id string) (*estimate.Estimator, error) {
	if !strings.HasSuffix(id, ".yaml") {
		e, err := library.ByID(strings.ReplaceAll(id, "_", "-"))
		if errors.Is(err, library.ErrUnknown) {
			return nil, usageError{fmt.Sprintf("no estimator is called %q; %s", id, alike(id))}
		}
		return e, err
	}
	data, err := os.ReadFile(id)
	if err != nil {
		return nil, err
	}
	proof, err := os.ReadFile(filepath.Join(filepath.Dir(id), "verified", filepath.Base(id)))
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, err
	}
	return library.Read(id, data, proof)
}

// alike names the estimators whose ids share a part with id.
func alike(id string) string {
	var near []string
	for _, known := range library.IDs() {
		for _, part := range strings.Split(id, "-") {
			if len(part) > 2 && strings.Contains(known, part) {
				near = append(near, known)
				break
			}
		}
	}
	if len(near) == 0 {
		return "gradus estimators --brief lists all"
	}
	return "alike: " + strings.Join(near, ", ")
}

// readValues takes name=value arguments: the inputs of the estimator, each once, and facts about the test.
func readValues(est *estimate.Estimator, args []string) (values []float64, about estimate.Context, err error) {
	values = make([]float64, len(est.Inputs))
	given := map[string]bool{}
	if args, err = withBMI(est, args); err != nil {
		return nil, about, err
	}
	for _, arg := range args {
		name, text, ok := strings.Cut(arg, "=")
		at, other, isInput := est.Named(name)
		fact := factNamed(name)
		switch {
		case !ok:
			return nil, about, usageError{fmt.Sprintf("%q is not name=value", arg)}
		case !isInput && name == "sex" && est.For != "":
			if est.For != map[string]string{"female": "women", "male": "men"}[strings.ToLower(text)] {
				return nil, about, fmt.Errorf("sex: %s is for %s only, not %q; see gradus estimators", est.ID, est.For, text)
			}
			continue
		case !isInput && fact == nil:
			return nil, about, usageError{fmt.Sprintf("%s has no input %q; it takes %s; about the test: %s", est.ID, name, inputNames(est), factNames())}
		}
		if isInput {
			name = est.Inputs[at].ID
		}
		if given[name] {
			return nil, about, usageError{name + " is given twice"}
		}
		given[name] = true
		if !isInput {
			if err := fact.set(&about, text); err != nil {
				return nil, about, fmt.Errorf("%s: %w", name, err)
			}
			continue
		}
		if other != nil {
			values[at], err = est.ParseOther(at, other, text)
		} else {
			values[at], err = est.Parse(at, text)
		}
		if err != nil {
			return nil, about, err
		}
	}
	for _, in := range est.Inputs {
		if !given[in.ID] {
			return nil, about, usageError{fmt.Sprintf("%s is missing; %s takes %s", in.ID, est.ID, inputNames(est))}
		}
	}
	return values, about, nil
}

// withBMI replaces body mass and height by the body mass index when the equation takes only that.
func withBMI(est *estimate.Estimator, args []string) ([]string, error) {
	mass, height := -1, -1
	_, _, takesMass := est.Named("mass_kg")
	_, _, takesHeight := est.Named("height_cm")
	for i, arg := range args {
		switch name, _, _ := strings.Cut(arg, "="); {
		case (name == "mass_kg" || name == "kg") && !takesMass:
			mass = i
		case (name == "height_cm" || name == "cm") && !takesHeight:
			height = i
		}
	}
	if _, _, bmi := est.Named("bmi"); !bmi || mass < 0 || height < 0 {
		return args, nil
	}
	var v [2]float64
	for k, i := range []int{mass, height} {
		name, text, _ := strings.Cut(args[i], "=")
		n, err := strconv.ParseFloat(text, 64)
		if err != nil || !(n > 0 && n < 1000) {
			return nil, fmt.Errorf("%s: %q is not a number; write it with a decimal point", name, text)
		}
		v[k] = n
	}
	rest := []string{"bmi=" + strconv.FormatFloat(v[0]/(v[1]/100*v[1]/100), 'g', -1, 64)}
	for i, arg := range args {
		if i != mass && i != height {
			rest = append(rest, arg)
		}
	}
	return rest, nil
}

func inputNames(est *estimate.Estimator) string {
	names := make([]string, len(est.Inputs))
	for i, in := range est.Inputs {
		names[i] = in.ID
	}
	return strings.Join(names, ", ")
}

// writeResult prints an estimate so that it can be read aloud.
func writeResult(out io.Writer, r *estimate.Result) error {
	var b strings.Builder
	if r.Verdict == estimate.Refused {
		fmt.Fprintf(&b, "Refused: %s.\n", r.Why)
	} else {
		writeNumbers(&b, r)
	}
	fmt.Fprintf(&b, "From: %s\n", usedText(r.Inputs))
	if len(r.Sensitivity) > 0 {
		fmt.Fprintf(&b, "What changes it: %s\n", sensitivityText(r.Sensitivity))
	}
	for _, c := range r.Cautions {
		fmt.Fprintf(&b, "Caution: %s.\n", c.Text)
	}
	fmt.Fprintf(&b, "Source: %s\n", r.Source)
	_, err := io.WriteString(out, b.String())
	return err
}

// writeNumbers prints value and intervals, with as many decimals as the unit needs.
func writeNumbers(b *strings.Builder, r *estimate.Result) {
	d := estimate.Decimals(r.Unit)
	if r.NoError != "" {
		fmt.Fprintf(b, "%s %.*f %s, without an interval: %s\n", r.What, d, r.Value, r.Unit, r.NoError)
	} else {
		fmt.Fprintf(b, "%s %.*f %s, 95 %% interval %s to %.*f\n", r.What, d, r.Value, r.Unit, r.Low95Text(d), d, r.High95)
		fmt.Fprintf(b, "  %s\n", r.Covers)
		see := r.SEE
		if r.Extrapolation != nil {
			see = estimate.Number(math.Round(float64(see)*100) / 100)
		}
		fmt.Fprintf(b, "68 %% interval %s to %.*f; standard error %g.", r.Low68Text(d), d, r.High68, see)
		if strings.HasPrefix(r.What, "VO2peak") || strings.HasPrefix(r.What, "VO2max") {
			fmt.Fprintf(b, " It predicts a %s peak.", r.Criterion)
		}
		b.WriteString("\n")
	}
	if x := r.Extrapolation; x != nil {
		fmt.Fprintf(b, "Line over %d of %d stages: %.3f /min for each %s, to %.1f /min (%s). By the last two stages: %s\n",
			x.Used, len(x.Points), x.Slope, r.Unit, x.MaxHR, x.Formula, lastTwoText(x, r.Unit))
		fmt.Fprintf(b, "Standard error %.2f: maximal heart rate %.2f, heart rate of the stages %.2f, economy %.2f, work rate %.2f, the uncertain slope %.2f\n", x.SD, x.FromMaxHR, x.FromHR, x.FromEcon, x.FromWork, x.FromCurve)
	}
	if r.Normal != nil {
		fmt.Fprintf(b, "Lower limit of normal: %.*f %s\n", d, *r.Normal, r.Unit)
	}
}

func usedText(inputs []estimate.Used) string {
	parts := make([]string, len(inputs))
	for i, in := range inputs {
		parts[i] = fmt.Sprintf("%s %g %s", in.Label, in.Value, in.Unit)
		if in.Word != "" {
			parts[i] = in.Word
		}
	}
	return strings.Join(parts, ", ")
}

func sensitivityText(all []estimate.Sensitivity) string {
	parts := make([]string, len(all))
	for i, s := range all {
		parts[i] = fmt.Sprintf("%+.3f for %s %s", s.Effect, s.Label, s.Step)
	}
	return strings.Join(parts, ", ")
}
