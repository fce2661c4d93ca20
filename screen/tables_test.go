package screen

import (
	"reflect"
	"slices"
	"strings"
	"testing"
)

// TestScreeningTable holds the shipped rows against the printed algorithm: "Updating the recommendations for exercise
// preparticipation health screening", Med Sci Sports Exerc 2015;47(11):2473-2479, doi 10.1249/MSS.0000000000000664,
// as read in two reproductions. 25 rows: 3 intensities in 8 combinations, one of them split by a recent clearance.
func TestScreeningTable(t *testing.T) {
	type row struct{ branch, active, symptoms, disease, intensity, cleared, clearance string }
	var want []row
	add := func(branch, active, symptoms, disease, clearance string) {
		for _, intensity := range []string{"light", "moderate", "vigorous"} {
			want = append(want, row{branch, active, symptoms, disease, intensity, "any", clearance})
		}
	}
	add("A1", "no", "no", "no", "not necessary")
	add("A2", "no", "no", "yes", "recommended")
	add("A3", "no", "yes", "no", "recommended")
	add("A3", "no", "yes", "yes", "recommended")
	add("B1", "yes", "no", "no", "not necessary")
	want = append(want,
		row{"B2", "yes", "no", "yes", "light", "any", "not necessary"},
		row{"B2", "yes", "no", "yes", "moderate", "any", "not necessary"},
		row{"B2", "yes", "no", "yes", "vigorous", "no", "recommended"},
		row{"B2", "yes", "no", "yes", "vigorous", "yes", "not necessary"})
	add("B3", "yes", "yes", "no", "stop and seek")
	add("B3", "yes", "yes", "yes", "stop and seek")
	if len(want) != 25 {
		t.Fatalf("the printed table has 25 rows, this test %d", len(want))
	}
	var got []row
	for _, b := range Shipped().Branches {
		got = append(got, row{b.Branch, b.RegularExercise, b.Symptoms, b.KnownDisease, b.Intensity, b.Cleared, b.Clearance})
	}
	if !slices.Equal(got, want) {
		t.Errorf("got\n%v\nwant\n%v", got, want)
	}
	outcome := map[string]Outcome{"not necessary": Go, "recommended": PauseAndAsk, "stop and seek": PauseAndAsk}
	for _, b := range Shipped().Branches {
		rule, known := shipped().rule(b.Rule)
		if !known || rule.Does != outcome[b.Clearance] || b.How != "seen" && b.How != "memory" {
			t.Errorf("%+v: rule %v does %v", b, known, rule)
		}
	}
}

// TestContraindicationTable: classes in the American heart list of 2013 (absolute items agree with printed copies, the
// relative ones from memory) and in the chest list of 2003 (Am J Respir Crit Care Med 167:211-277, table in an
// adapted copy), "-" where an item is not in the list; and the default class.
func TestContraindicationTable(t *testing.T) {
	want := `recent_heart_attack C01 absolute absolute absolute
unstable_angina C02 absolute absolute absolute
uncontrolled_arrhythmia C03 absolute absolute absolute
active_endocarditis C04 absolute absolute absolute
severe_aortic_stenosis C05 absolute absolute absolute
decompensated_heart_failure C06 absolute absolute absolute
lung_embolus_or_dvt C07 absolute absolute absolute
myocarditis_or_pericarditis C08 absolute absolute absolute
aortic_dissection C09 absolute absolute absolute
disability_unsafe C10 absolute absolute relative
syncope C11 absolute - absolute
uncontrolled_asthma C12 absolute - absolute
pulmonary_oedema C13 absolute - absolute
low_oxygen_at_rest C14 absolute - absolute
respiratory_failure C15 absolute - absolute
acute_illness_or_fever C16 absolute - absolute
cannot_cooperate C17 absolute relative absolute
left_main_narrowing C18 relative relative relative
moderate_valve_stenosis C19 relative relative relative
uncontrolled_rate C20 relative relative relative
high_grade_block C21 relative relative relative
obstructive_cardiomyopathy C22 relative relative relative
recent_stroke_or_tia C23 relative relative -
high_resting_pressure C24 relative relative relative
uncorrected_condition C25 relative relative relative
pulmonary_hypertension C26 relative - relative
complicated_pregnancy C27 relative - relative
other_relative C28 relative - -
severe_lv_dysfunction P01 physician - -
severe_valve_stenosis P02 physician - -
complex_arrhythmia P03 physician - -`
	var got []string
	for _, c := range Shipped().Contraindications {
		got = append(got, strings.Join([]string{c.Word, c.Code, c.Class, dash(c.AHA2013), dash(c.ATS2003)}, " "))
	}
	if strings.Join(got, "\n") != want {
		t.Errorf("got\n%s", strings.Join(got, "\n"))
	}
	does := map[string]Outcome{"absolute": DoNotTest, "relative": PauseAndAsk, "physician": DoNotTest}
	for _, c := range Shipped().Contraindications {
		r := judge(t, func(a *Answers) { a.Contraindications = []string{c.Word} })
		if r.Outcome != does[c.Class] || r.Overridable || !has(r, "contra."+c.Word) {
			t.Errorf("%s: %s, overridable %v", c.Word, r.Outcome, r.Overridable)
		}
		if r := judge(t, func(a *Answers) { a.ContraindicationsUnsure = []string{c.Word} }); r.Outcome != PauseAndAsk || r.Overridable {
			t.Errorf("%s not sure: %s, overridable %v", c.Word, r.Outcome, r.Overridable)
		}
	}
}

func dash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

// TestSymptomTable: the nine signs and symptoms, each enough for branch A3 (teaching sheet after the guidelines).
func TestSymptomTable(t *testing.T) {
	symptoms := Shipped().Symptoms
	if len(symptoms) != 9 {
		t.Fatalf("%d symptoms", len(symptoms))
	}
	for i, s := range symptoms {
		if s.Code != "SX"+string(rune('1'+i)) || s.How != "seen" {
			t.Errorf("%+v", s)
		}
		if r := judge(t, func(a *Answers) { a.Symptoms = []string{s.Word} }); r.Branch != "A3" || r.Outcome != PauseAndAsk || r.Overridable {
			t.Errorf("%s: branch %s, %s", s.Word, r.Branch, r.Outcome)
		}
	}
}

// TestKnownDiseases: heart, peripheral vessels, brain vessels, diabetes and kidney count; lung disease, pressure or
// cholesterol alone do not (algorithm of 2015).
func TestKnownDiseases(t *testing.T) {
	want := map[string]string{"heart": "A2", "peripheral_vessels": "A2", "brain_vessels": "A2", "diabetes_type_1": "A2", "diabetes_type_2": "A2", "kidney": "A2",
		"lung": "A1", "high_blood_pressure": "A1", "high_cholesterol": "A1", "other": "A1"}
	field, _ := shipped().field("known_disease")
	if len(field.Words) != len(want) {
		t.Errorf("%d words", len(field.Words))
	}
	for word, branch := range want {
		if r := judge(t, func(a *Answers) { a.KnownDisease = []string{word} }); r.Branch != branch {
			t.Errorf("%s: branch %s, want %s", word, r.Branch, branch)
		}
	}
}

// TestDrugTable: direction of heart rate at rest and on exercise, and what follows for an estimate. Sources: public
// health table of medicines (2023); abstracts for amiodarone, diltiazem, ivabradine; the rest from memory as marked.
func TestDrugTable(t *testing.T) {
	want := `beta_blocker down down blocked unless adjusted seen
non_dhp_calcium_blocker down down blocked unless adjusted seen
dhp_calcium_blocker up_or_same up_or_same doubtful seen
ivabradine down down blocked unless adjusted seen
digoxin down_in_AF_or_HF down_in_AF_or_HF doubtful seen
nitrates up up_or_same doubtful seen
ace_arb_arni same same as usual seen
diuretic same same doubtful seen
alpha_blocker_vasodilator up_or_same up_or_same doubtful seen
central_alpha_agonist down down blocked unless adjusted memory
amiodarone_or_sotalol down down blocked unless adjusted seen
other_antiarrhythmic down_or_same down_or_same doubtful memory
bronchodilator up_or_same up_or_same doubtful seen
thyroid_hormone up_if_excess up_if_excess doubtful memory
stimulant up up doubtful memory
antidepressant_tca_snri up up doubtful seen
ssri same same as usual seen
antipsychotic up up doubtful memory
dopaminergic same same doubtful memory
antispastic same_or_down same_or_down doubtful memory
cholinesterase_inhibitor down down_or_same doubtful memory
s1p_modulator down down_or_same doubtful memory
glucose_lowering_hypo_risk same same as usual seen
anticoagulant same same as usual seen
statin same same as usual seen
other unknown unknown as usual choice
unknown unknown unknown blocked unless adjusted choice`
	var got []string
	for _, d := range Shipped().Drugs {
		got = append(got, strings.Join([]string{d.Word, d.HRRest, d.HRExercise, d.Estimate, d.How}, " "))
		if d.HRExercise == "down" && (d.Leads || !strings.HasPrefix(d.Estimate, "blocked")) {
			t.Errorf("%s lowers heart rate and may lead", d.Word)
		}
		r := judge(t, func(a *Answers) { a.Drugs = []string{d.Word}; a.GlucoseMgDL = num(120) })
		if r.Outcome != d.Does {
			t.Errorf("%s: %s, want %s", d.Word, r.Outcome, d.Does)
		}
	}
	if strings.Join(got, "\n") != want {
		t.Errorf("got\n%s", strings.Join(got, "\n"))
	}
}

// TestDeviceTable: what each rhythm, device or condition does to an estimate from heart rate.
func TestDeviceTable(t *testing.T) {
	want := `atrial_fibrillation doubtful seen
pacemaker_rate_adaptive doubtful memory
pacemaker_fixed_rate blocked memory
icd doubtful seen
crt doubtful memory
heart_transplant blocked seen
sci_t6_or_above blocked seen
diabetic_autonomic_neuropathy doubtful memory
parkinson doubtful memory
other_rhythm doubtful choice
unknown_rhythm doubtful choice`
	var got []string
	for _, d := range Shipped().Devices {
		got = append(got, d.Word+" "+d.Estimate+" "+d.How)
		if d.Estimate == "blocked" && d.Leads {
			t.Errorf("%s: heart rate leads", d.Word)
		}
	}
	if strings.Join(got, "\n") != want {
		t.Errorf("got\n%s", strings.Join(got, "\n"))
	}
}

func TestTablesHangTogether(t *testing.T) {
	tables := Shipped()
	sources := map[string]bool{}
	for _, s := range tables.Sources {
		if sources[s.ID] || s.Title == "" {
			t.Errorf("source %q is doubled or has no title", s.ID)
		}
		sources[s.ID] = true
	}
	seen := map[string]bool{}
	for _, r := range tables.Rules {
		if seen[r.ID] {
			t.Errorf("rule %s is there twice", r.ID)
		}
		seen[r.ID] = true
		checkRule(t, r, sources)
		for _, within := range r.Within {
			stricter, known := tables.rule(within)
			if !known || !stricter.covers(&r) {
				t.Errorf("rule %s within %s: known %v, or not stricter", r.ID, within, known)
			}
		}
		for _, c := range r.When {
			checkCond(t, r.ID, c)
		}
	}
	for _, f := range tables.Fields {
		for _, c := range f.Needed.When {
			checkCond(t, f.Name, c)
		}
		if f.Worse.Kind == "words" {
			for _, w := range f.Worse.Words {
				if f.Type == "word" && !f.allows(w) {
					t.Errorf("%s: order names %q, which is no answer", f.Name, w)
				}
			}
		}
	}
	for _, c := range tables.Choices {
		if len(c.Options) < 2 {
			t.Errorf("choice %s has one side", c.ID)
		}
		for _, o := range c.Options {
			if !sources[o.Source] {
				t.Errorf("choice %s, %s: source %q", c.ID, o.ID, o.Source)
			}
			for _, set := range o.Set {
				rule, known := tables.rule(set.Rule)
				if !known {
					t.Fatalf("choice %s: rule %q", c.ID, set.Rule)
				}
				after, msg := set.applyTo(*rule)
				if msg != "" {
					t.Errorf("choice %s, %s: %s", c.ID, o.ID, msg)
				}
				if o.ID == c.Options[0].ID && !reflect.DeepEqual(after, *rule) {
					t.Errorf("choice %s: the first option is not what is in force", c.ID)
				}
			}
		}
	}
}

func checkRule(t *testing.T, r Rule, sources map[string]bool) {
	t.Helper()
	if !r.Does.known() || r.Lift.rank() < 0 || r.Text == "" {
		t.Errorf("rule %s: does %q, lift %q, text %q", r.ID, r.Does, r.Lift, r.Text)
	}
	if !sources[r.Source] || !slices.Contains([]string{"seen", "memory", "practice", "choice"}, r.How) {
		t.Errorf("rule %s: source %q, known %q", r.ID, r.Source, r.How)
	}
	if r.Does.Blocks() && (r.Needed == "" || r.Decides == "") {
		t.Errorf("rule %s blocks and does not say what is needed and who decides", r.ID)
	}
	for _, p := range r.Also {
		if !sources[p.Source] {
			t.Errorf("rule %s: source %q", r.ID, p.Source)
		}
	}
}

func checkCond(t *testing.T, id string, c Cond) {
	t.Helper()
	f, known := shipped().field(c.Field)
	if !known {
		t.Errorf("%s: field %q", id, c.Field)
		return
	}
	for _, w := range slices.Concat(c.Has, c.Lacks, c.Is) {
		if f.Type == "yes-no" && (w == "yes" || w == "no") || f.allows(w) {
			continue
		}
		t.Errorf("%s: %s is never %q", id, c.Field, w)
	}
}

// TestFieldsAreTheStruct: the table of fields and the struct name the same answers, in the same order and type.
func TestFieldsAreTheStruct(t *testing.T) {
	kind := map[string]string{"string": "yes-no word date text", "*float64": "number whole", "[]string": "words", "*screen.Questionnaire": "group", "[]screen.Clear": "groups", "[]screen.Override": "groups"}
	var compare func(fields []Field, typ reflect.Type)
	compare = func(fields []Field, typ reflect.Type) {
		if len(fields) != typ.NumField() {
			t.Fatalf("%s: %d fields in the table, %d in the struct", typ, len(fields), typ.NumField())
		}
		for i, f := range fields {
			name, _, _ := strings.Cut(typ.Field(i).Tag.Get("json"), ",")
			if name != f.Name || !slices.Contains(strings.Fields(kind[typ.Field(i).Type.String()]), f.Type) {
				t.Errorf("%s: table %s %s, struct %s %s", typ, f.Name, f.Type, name, typ.Field(i).Type)
			}
			inner := typ.Field(i).Type
			if len(f.Fields) > 0 {
				compare(f.Fields, inner.Elem())
			}
		}
	}
	compare(Shipped().Fields, reflect.TypeFor[Answers]())
}
