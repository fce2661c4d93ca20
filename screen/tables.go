package screen

import (
	"embed"
	"encoding/csv"
	"fmt"
	"slices"
	"strings"
	"sync"

	"gradus/yamlread"
)

//go:embed data
var files embed.FS

// Source is where a rule was read.
type Source struct {
	ID      string `yaml:"id" json:"id"`
	Title   string `yaml:"title" json:"title"`
	Journal string `yaml:"journal" json:"journal,omitempty"`
	Year    int    `yaml:"year" json:"year,omitempty"`
	DOI     string `yaml:"doi" json:"doi,omitempty"`
	Note    string `yaml:"note" json:"note,omitempty"`
}

// String cites the source in one line.
func (s Source) String() string {
	parts := []string{s.Title}
	if s.Journal != "" {
		parts = append(parts, s.Journal)
	}
	if s.Year > 0 {
		parts = append(parts, fmt.Sprint(s.Year))
	}
	if s.DOI != "" {
		parts = append(parts, "doi "+s.DOI)
	}
	return strings.Join(parts, ", ")
}

// Cond is one condition of a rule. Exactly one test is set.
type Cond struct {
	Field       string   `yaml:"field" json:"field"`
	Above       *float64 `yaml:"above" json:"above,omitempty"`
	AtLeast     *float64 `yaml:"at_least" json:"at_least,omitempty"`
	Below       *float64 `yaml:"below" json:"below,omitempty"`
	AtMost      *float64 `yaml:"at_most" json:"at_most,omitempty"`
	Is          []string `yaml:"is" json:"is,omitempty"`       // a word that is one of these
	Has         []string `yaml:"has" json:"has,omitempty"`     // a list with any of these
	Lacks       []string `yaml:"lacks" json:"lacks,omitempty"` // a list with none of these, or not answered
	Some        bool     `yaml:"some" json:"some,omitempty"`   // a list that is not empty
	Answered    bool     `yaml:"answered" json:"answered,omitempty"`
	NotAnswered bool     `yaml:"not_answered" json:"not_answered,omitempty"`
}

// Print is another reading of the same limit, from another source.
type Print struct {
	Text   string `yaml:"text" json:"text"`
	Source string `yaml:"source" json:"source"`
}

// Rule says what one state of affairs does to the outcome, by which source, and who may go on in spite of it.
type Rule struct {
	ID      string   `yaml:"id" json:"id"`
	Group   string   `yaml:"group" json:"group"`
	When    []Cond   `yaml:"when" json:"when,omitempty"`     // all of them; a screening branch has none
	Within  []string `yaml:"within" json:"within,omitempty"` // stricter rules of the same kind: silent while one speaks, cleared with it
	Does    Outcome  `yaml:"does" json:"does"`
	Lift    Lift     `yaml:"lift" json:"lift"`
	Text    string   `yaml:"text" json:"text"`
	Needed  string   `yaml:"needed" json:"needed,omitempty"`
	Decides string   `yaml:"decides" json:"decides,omitempty"`
	Source  string   `yaml:"source" json:"source"` // id of a source
	How     string   `yaml:"how" json:"how"`       // seen, memory, practice or choice
	Note    string   `yaml:"note" json:"note,omitempty"`
	Also    []Print  `yaml:"also" json:"also,omitempty"`
}

// Word is an answer that may be chosen, with its meaning.
type Word struct {
	Word   string `yaml:"word" json:"word"`
	Text   string `yaml:"text" json:"text,omitempty"`
	Counts bool   `yaml:"counts" json:"counts,omitempty"` // a known disease that counts in the screening branches
	Note   string `yaml:"note" json:"note,omitempty"`
}

// Field describes one question: its name in JSON, type, unit, limits and order of answers.
type Field struct {
	Name      string  `yaml:"name"`
	Type      string  `yaml:"type"` // yes-no, word, words, number, whole, date, text, group, groups
	Unit      string  `yaml:"unit"`
	Low       float64 `yaml:"low"` // limits of what can be meant; both 0: none
	High      float64 `yaml:"high"`
	Group     string  `yaml:"group"`
	Needed    Needed  `yaml:"needed"`
	NoValue   bool    `yaml:"no_value"` // often told only as "more than", so that the number is not repeated
	Must      bool    `yaml:"must"`     // an entry of a list is refused without it
	Missing   Lift    `yaml:"missing"`  // who may go on without a needed answer: clinician or nobody
	Worse     Order   `yaml:"worse"`
	Ask       string  `yaml:"ask"`
	Words     []Word  `yaml:"words"`
	WordsFrom string  `yaml:"words_from"`
	Fields    []Field `yaml:"fields"`
}

// Needed says when an answer is needed: always, or in any of some situations.
type Needed struct {
	Always bool
	When   []Cond
}

// UnmarshalYAML reads true or a list of conditions.
func (n *Needed) UnmarshalYAML(unmarshal func(any) error) error {
	if unmarshal(&n.Always) == nil {
		return nil
	}
	return unmarshal(&n.When)
}

// Order says which of two answers is worse. Fields without an order have Kind "".
type Order struct {
	Kind     string // up, down, more, words, away
	Words    []string
	From, To float64 // away: best anywhere between the two
}

// UnmarshalYAML reads a word, a list of words, or best_from and best_to.
func (o *Order) UnmarshalYAML(unmarshal func(any) error) error {
	if err := unmarshal(&o.Words); err == nil {
		o.Kind = "words"
		return nil
	}
	var span struct {
		From float64 `yaml:"best_from"`
		To   float64 `yaml:"best_to"`
	}
	if err := unmarshal(&span); err == nil {
		o.Kind, o.From, o.To = "away", span.From, span.To
		return nil
	}
	return unmarshal(&o.Kind)
}

// Branch is a row of the screening table.
type Branch struct {
	Branch, RegularExercise, Symptoms, KnownDisease, Intensity, Cleared string
	Clearance, Rule, Source, How, Note                                  string
}

// Drug is a class of drugs and what it does to heart rate, pressure and an estimate from heart rate.
type Drug struct {
	Word, Examples                         string
	HRRest, HRExercise, BPRest, BPExercise string
	Happens, Bias                          string
	Estimate                               string // as usual, doubtful, blocked unless adjusted
	Leads                                  bool   // heart rate may lead the test
	Does                                   Outcome
	ToDo, Source, How, Note                string
}

// Device is a rhythm, device or condition that changes heart rate.
type Device struct {
	Word, Text, Problem, HowToRead, LeadBy string
	Estimate                               string // as usual, doubtful, blocked
	Leads                                  bool
	Does                                   Outcome
	Source, How, Note                      string
}

// Contraindication is a row of the table with its class by default and in two published lists.
type Contraindication struct {
	Word, Code, Class, AHA2013, ATS2003, Text, Source, How, Note string
}

// Symptom is one of the nine signs and symptoms of the screening algorithm.
type Symptom struct{ Word, Code, Text, Source, How string }

// Choice is a matter in which sources disagree. The first option is in force unless a policy chooses another.
type Choice struct {
	ID      string   `yaml:"id" json:"id"`
	About   string   `yaml:"about" json:"about"`
	Options []Option `yaml:"options" json:"options"`
}

// Option is one side of a disagreement and what it sets.
type Option struct {
	ID     string    `yaml:"id" json:"id"`
	Text   string    `yaml:"text" json:"text"`
	Source string    `yaml:"source" json:"source"`
	Set    []Setting `yaml:"set" json:"set"`
}

// Setting changes a rule: the limit of its first condition, what it does, or who may lift it.
type Setting struct {
	Rule    string   `yaml:"rule" json:"rule"`
	Above   *float64 `yaml:"above" json:"above,omitempty"`
	AtLeast *float64 `yaml:"at_least" json:"at_least,omitempty"`
	Below   *float64 `yaml:"below" json:"below,omitempty"`
	AtMost  *float64 `yaml:"at_most" json:"at_most,omitempty"`
	Is      []string `yaml:"is" json:"is,omitempty"`
	Does    Outcome  `yaml:"does" json:"does,omitempty"`
	Lift    Lift     `yaml:"lift" json:"lift,omitempty"`
}

// Tables are the decision tables as they are shipped.
type Tables struct {
	ID, Version       string
	Sources           []Source
	Rules             []Rule // in the order in which reasons are listed; the tables of drugs and so on included
	Choices           []Choice
	Fields            []Field
	Branches          []Branch
	Drugs             []Drug
	Devices           []Device
	Contraindications []Contraindication
	Symptoms          []Symptom
	MgPerMmol         float64 // mg/dL of glucose in 1 mmol/L
	ClearanceMonths   int     // how long a clearance counts where the algorithm sets a time
}

type rulesFile struct {
	ID      string `yaml:"id"`
	Version string `yaml:"version"`
	Glucose struct {
		MgPerMmol float64 `yaml:"mg_dl_per_mmol_l"`
		How       string  `yaml:"how"`
		Note      string  `yaml:"note"`
	} `yaml:"glucose"`
	Clearance struct {
		Months int    `yaml:"months"`
		Source string `yaml:"source"`
		How    string `yaml:"how"`
		Note   string `yaml:"note"`
	} `yaml:"clearance"`
	Sources []Source `yaml:"sources"`
	Rules   []Rule   `yaml:"rules"`
	Choices []Choice `yaml:"choices"`
}

// shipped reads the embedded tables once. They are checked by the tests; a fault in them is the program's.
var shipped = sync.OnceValue(func() *Tables {
	t, err := load()
	if err != nil {
		panic("screen: shipped tables: " + err.Error())
	}
	return t
})

// Shipped gives a copy of the tables that come with the program.
func Shipped() Tables {
	t := *shipped()
	t.Rules = slices.Clone(t.Rules)
	return t
}

func load() (*Tables, error) {
	var rules rulesFile
	if err := decodeFile("rules.yaml", &rules); err != nil {
		return nil, err
	}
	var questions struct {
		Fields []Field `yaml:"fields"`
	}
	if err := decodeFile("fields.yaml", &questions); err != nil {
		return nil, err
	}
	t := &Tables{ID: rules.ID, Version: rules.Version, Sources: rules.Sources, Rules: rules.Rules, Choices: rules.Choices,
		Fields: questions.Fields, MgPerMmol: rules.Glucose.MgPerMmol, ClearanceMonths: rules.Clearance.Months}
	for _, read := range []func() error{t.readBranches, t.readSymptoms, t.readContraindications, t.readDrugs, t.readDevices} {
		if err := read(); err != nil {
			return nil, err
		}
	}
	t.addMissing()
	t.fillWords(t.Fields)
	return t, nil
}

func decodeFile(name string, v any) error {
	data, err := files.ReadFile("data/" + name)
	if err != nil {
		return err
	}
	_, err = yamlread.Decode(name, data, v)
	return err
}

// rowsOf reads a CSV table and calls each with a lookup by column name.
func rowsOf(name string, each func(get func(column string) string) error) error {
	f, err := files.Open("data/" + name)
	if err != nil {
		return err
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	for n, row := range rows[1:] {
		get := func(column string) string {
			i := slices.Index(rows[0], column)
			if i < 0 {
				panic("screen: " + name + " has no column " + column)
			}
			return row[i]
		}
		if err := each(get); err != nil {
			return fmt.Errorf("%s:%d: %w", name, n+2, err)
		}
	}
	return nil
}

func (t *Tables) readBranches() error {
	return rowsOf("branches.csv", func(get func(string) string) error {
		t.Branches = append(t.Branches, Branch{get("branch"), get("regular_exercise"), get("symptoms"), get("known_disease"), get("intended_intensity"),
			get("cleared_12_months_unchanged"), get("clearance"), get("rule"), get("source"), get("how"), get("note")})
		return nil
	})
}

func (t *Tables) readSymptoms() error {
	return rowsOf("symptoms.csv", func(get func(string) string) error {
		t.Symptoms = append(t.Symptoms, Symptom{get("word"), get("code"), get("text"), get("source"), get("how")})
		return nil
	})
}

func (t *Tables) readContraindications() error {
	return rowsOf("contraindications.csv", func(get func(string) string) error {
		c := Contraindication{get("word"), get("code"), get("class"), get("aha_2013"), get("ats_accp_2003"), get("text"), get("source"), get("how"), get("note")}
		t.Contraindications = append(t.Contraindications, c)
		rule := Rule{ID: "contra." + c.Word, Group: "contraindications", When: []Cond{{Field: "contraindications", Has: []string{c.Word}}},
			Text: upperFirst(c.Text), Decides: "physician", Source: c.Source, How: c.How, Note: c.Note}
		switch c.Class {
		case "absolute":
			rule.Does, rule.Lift, rule.Needed = DoNotTest, PhysicianAndReason, "Treatment, and a physician's clearance in knowledge of it"
		case "relative":
			rule.Does, rule.Lift, rule.Needed = PauseAndAsk, PhysicianOnly, "A physician's clearance: does the benefit outweigh the risk?"
		case "physician":
			rule.Does, rule.Lift, rule.Needed = DoNotTest, PhysicianOnly, "A physician's clearance for this test, and a physician at hand"
		default:
			return fmt.Errorf("class %q is not known", c.Class)
		}
		if c.Word == "recent_heart_attack" {
			rule.When = append(rule.When, Cond{Field: "days_since_heart_attack", NotAnswered: true})
		}
		t.Rules = append(t.Rules, rule, Rule{ID: "unsure." + c.Word, Group: "contraindications", Within: []string{rule.ID},
			When: []Cond{{Field: "contraindications_unsure", Has: []string{c.Word}}}, Does: PauseAndAsk, Lift: PhysicianOnly,
			Text: "Not sure: " + c.Text, Needed: "Find out before the test", Decides: "the clinician when it is known, else a physician", Source: c.Source, How: c.How})
		return nil
	})
}

func (t *Tables) readDrugs() error {
	return rowsOf("drugs.csv", func(get func(string) string) error {
		d := Drug{get("word"), get("examples"), get("hr_rest"), get("hr_exercise"), get("bp_rest"), get("bp_exercise"), get("what_happens"), get("bias"),
			get("estimate"), get("leads") == "yes", Outcome(get("does")), get("what_to_do"), get("source"), get("how"), get("note")}
		if !d.Does.known() {
			return fmt.Errorf("does %q is not an outcome", d.Does)
		}
		t.Drugs = append(t.Drugs, d)
		name := strings.ReplaceAll(d.Word, "_", " ")
		t.Rules = append(t.Rules, Rule{ID: "drug." + d.Word, Group: "drugs", When: []Cond{{Field: "drugs", Has: []string{d.Word}}}, Does: d.Does, Lift: ClinicianOnly,
			Text: "Drug, " + name + ": " + lowerFirst(d.Happens), Needed: d.ToDo, Decides: "clinician", Source: d.Source, How: d.How, Note: d.Note})
		return nil
	})
}

func (t *Tables) readDevices() error {
	return rowsOf("rhythm-devices.csv", func(get func(string) string) error {
		d := Device{get("word"), get("text"), get("problem"), get("how_to_read"), get("lead_by"), get("estimate"), get("leads") == "yes", Outcome(get("does")),
			get("source"), get("how"), get("note")}
		if !d.Does.known() {
			return fmt.Errorf("does %q is not an outcome", d.Does)
		}
		t.Devices = append(t.Devices, d)
		t.Rules = append(t.Rules, Rule{ID: "rhythm." + d.Word, Group: "drugs", When: []Cond{{Field: "rhythm_devices", Has: []string{d.Word}}}, Does: d.Does, Lift: ClinicianOnly,
			Text: upperFirst(d.Text) + ": " + d.Problem, Needed: upperFirst(d.HowToRead) + ". Lead by " + d.LeadBy, Decides: "clinician", Source: d.Source, How: d.How, Note: d.Note})
		return nil
	})
}

// addMissing makes a rule for each needed answer that was not given.
func (t *Tables) addMissing() {
	for _, f := range t.Fields {
		lift, decides := f.Missing, "the clinician, with the answer"
		if lift == "" {
			lift = ClinicianOnly
		}
		t.Rules = append(t.Rules, Rule{ID: "missing." + f.Name, Group: f.Group, Does: PauseAndAsk, Lift: lift,
			Text: "Not answered: " + f.Ask, Needed: "The answer", Decides: decides, Source: "own", How: "choice"})
	}
}

// fillWords gives the fields that take their words from a table those words.
func (t *Tables) fillWords(fields []Field) {
	for i := range fields {
		f := &fields[i]
		switch f.WordsFrom {
		case "symptoms":
			for _, s := range t.Symptoms {
				f.Words = append(f.Words, Word{Word: s.Word, Text: s.Text})
			}
		case "contraindications":
			for _, c := range t.Contraindications {
				f.Words = append(f.Words, Word{Word: c.Word, Text: c.Text})
			}
		case "drugs":
			for _, d := range t.Drugs {
				f.Words = append(f.Words, Word{Word: d.Word, Text: d.Examples})
			}
		case "rhythm-devices":
			for _, d := range t.Devices {
				f.Words = append(f.Words, Word{Word: d.Word, Text: d.Text})
			}
		case "rules":
			for _, r := range t.Rules {
				f.Words = append(f.Words, Word{Word: r.ID, Text: r.Text})
			}
		}
		t.fillWords(f.Fields)
	}
}

func (t *Tables) rule(id string) (*Rule, bool) {
	for i := range t.Rules {
		if t.Rules[i].ID == id {
			return &t.Rules[i], true
		}
	}
	return nil, false
}

func (t *Tables) field(name string) (*Field, bool) { return fieldIn(t.Fields, name) }

// fieldIn finds a field by its path, such as questionnaire.outcome.
func fieldIn(fields []Field, path string) (*Field, bool) {
	head, rest, deeper := strings.Cut(path, ".")
	for i := range fields {
		if fields[i].Name != head {
			continue
		}
		if deeper {
			return fieldIn(fields[i].Fields, rest)
		}
		return &fields[i], true
	}
	return nil, false
}

// cite gives the text of a source by its id.
func (t *Tables) cite(id string) string {
	for _, s := range t.Sources {
		if s.ID == id {
			return s.String()
		}
	}
	return id
}

func (f *Field) allows(word string) bool {
	return slices.ContainsFunc(f.Words, func(w Word) bool { return w.Word == word })
}

func upperFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

func lowerFirst(s string) string {
	if len(s) < 2 || s[1] >= 'A' && s[1] <= 'Z' {
		return s // an abbreviation
	}
	return strings.ToLower(s[:1]) + s[1:]
}
