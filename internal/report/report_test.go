package report_test

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode"

	"gradus/change"
	"gradus/conduct"
	"gradus/estimate"
	estimators "gradus/estimate/library"
	"gradus/internal/report"
	"gradus/internal/sheet"
	"gradus/interpret"
	"gradus/protocol"
	protocols "gradus/protocol/library"
)

var update = flag.Bool("update", false, "write the expected texts anew")

var read = map[string]*protocol.Protocol{}

func plans(id string) (*protocol.Protocol, *estimate.Estimator, error) {
	p := read[id]
	if p == nil {
		var err error
		if p, err = protocols.Load(id, estimators.LineOf); err != nil {
			return nil, nil, err
		}
		read[id] = p
	}
	if p.Outcome.Estimator == "none" {
		return p, nil, nil
	}
	e, err := estimators.ByID(p.Outcome.Estimator)
	return p, e, err
}

// cases scores sheets and makes a case of each test that could be scored.
func cases(t testing.TB, names ...string) (all []*report.Case) {
	t.Helper()
	var sheets []*sheet.Sheet
	for _, name := range names {
		f, err := os.Open(name)
		if err != nil {
			t.Fatal(err)
		}
		sheets = append(sheets, sheet.Read(filepath.Base(name), f))
		f.Close()
	}
	scores := sheet.Score(sheets, time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC), plans)
	for _, s := range scores.Tests {
		if len(s.Faults) > 0 {
			t.Fatalf("%s: %v", s.ID, s.Faults[0])
		}
		c, err := report.OfSheet(s, scores.Tests, change.Choice{})
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, c)
	}
	return all
}

func everybody(t testing.TB) []*report.Case {
	return append(cases(t, "../../demo/day-1.csv", "../../demo/day-2.csv"), cases(t, "testdata/two-visits.csv")...)
}

// tool runs a reader of PDF files.
func tool(t *testing.T, name string, args ...string) []byte {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		t.Fatalf("%s is missing: %v; install Debian's poppler-utils (make deps)", name, err)
	}
	var errw bytes.Buffer
	cmd := exec.Command(path, args...)
	cmd.Stderr = &errw
	out, err := cmd.Output()
	if err != nil || errw.Len() > 0 {
		t.Fatalf("%s %v: %v: %s", name, args, err, errw.String())
	}
	return out
}

// plain makes the spaces of a text equal, so that only the words are compared.
func plain(text string) string {
	return strings.Join(strings.FieldsFunc(text, func(r rune) bool { return unicode.IsSpace(r) || r == '\u00a0' }), " ")
}

func pagesOf(t *testing.T, file string) string {
	_, after, _ := strings.Cut(string(tool(t, "pdfinfo", file)), "Pages:")
	pages, _, _ := strings.Cut(strings.TrimSpace(after), "\n")
	return pages
}

func pdfFile(t *testing.T, d *report.Document, paper string) string {
	t.Helper()
	var b bytes.Buffer
	if err := report.WritePDF(&b, d, paper); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "paper.pdf")
	if err := os.WriteFile(file, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// Another program opens each paper: words in their order, embedded fonts, pages of the right size, ink in grey only
// and inside the margins.
func TestAnotherReaderOpensThePapers(t *testing.T) {
	all := everybody(t)
	if testing.Short() {
		all = append(all[:2:2], all[len(all)-1])
	}
	for _, c := range all {
		for _, kind := range report.Kinds {
			d, err := c.Paper(kind)
			if err != nil {
				continue // that there is none is tested by name
			}
			for paper, size := range map[string]string{"a4": "A4", "letter": "letter"} {
				t.Run(c.Test+" "+kind+" "+paper, func(t *testing.T) {
					file := pdfFile(t, d, paper)
					if info := string(tool(t, "pdfinfo", file)); !strings.Contains(info, "pts ("+size+")") {
						t.Errorf("not %s:\n%s", size, info)
					}
					for line := range strings.Lines(string(tool(t, "pdffonts", file))) {
						if f := strings.Fields(line); len(f) > 5 && strings.Contains(line, "TrueType") && (f[4] != "yes" || f[6] != "yes") {
							t.Errorf("a font is not embedded, or its text cannot be copied: %s", line)
						}
					}
					if info, err := os.Stat(file); err != nil || info.Size() > 60_000 {
						t.Errorf("%d bytes: the fonts are not cut down to what is used", info.Size())
					}
					text := plain(string(tool(t, "pdftotext", "-layout", file, "-")))
					words := plain(string(tool(t, "pdftotext", file, "-")))
					if !strings.Contains(words, plain(d.Title)) || !strings.Contains(text, "Page 1") {
						t.Errorf("title or page number is missing:\n%.500s", text)
					}
					for _, b := range d.Blocks {
						if p, ok := b.(report.Para); ok && !p.Small && !strings.Contains(words, plain(p.Text)) && pagesOf(t, file) == "1" {
							t.Errorf("paragraph is missing: %s\nin: %s", p.Text, words)
						}
					}
					if (kind == report.KindNote || kind == report.KindLetter || kind == report.KindComparison || kind == report.KindSheet) && pagesOf(t, file) != "1" {
						t.Errorf("%s pages, want 1", pagesOf(t, file))
					}
					looksLikePaper(t, file)
				})
			}
		}
	}
}

// looksLikePaper renders the first page and looks at its ink.
func looksLikePaper(t *testing.T, file string) {
	t.Helper()
	img := tool(t, "pdftoppm", "-r", "60", "-f", "1", "-l", "1", file)
	var w, h, most int
	if _, err := fmt.Sscanf(string(img[:40]), "P6\n%d %d\n%d", &w, &h, &most); err != nil {
		t.Fatal(err)
	}
	px := img[len(img)-3*w*h:]
	ink, edge := 0, 0
	thirds := [3]int{}
	for i := range w * h {
		r, g, b := px[3*i], px[3*i+1], px[3*i+2]
		if r != g || g != b {
			t.Fatalf("colour at %d,%d: %d %d %d", i%w, i/w, r, g, b)
		}
		if r > 200 {
			continue
		}
		ink++
		x, y := i%w, i/w
		if x < w/20 || x > w-w/20 || y < h/40 || y > h-h/60 {
			edge++
		}
		thirds[min(2, 3*y/h)]++
	}
	if share := float64(ink) / float64(w*h); share < 0.01 || share > 0.35 || thirds[0] == 0 || edge > 0 {
		t.Errorf("ink on %.3f of the page, thirds %v, in the margins %d", share, thirds, edge)
	}
}

// The note stands on one page with its parts in their places.
func TestNoteHasItsPlaces(t *testing.T) {
	c := cases(t, "../../demo/day-1.csv")[0]
	c.Question, c.Referrer, c.Screening = "how fit is she before the programme?", "the referrer", "may be tested"
	file := pdfFile(t, c.Note(), "a4")
	boxes := string(tool(t, "pdftotext", "-bbox", file, "-"))
	y := func(word string) float64 {
		m := regexp.MustCompile(`yMin="([0-9.]+)"[^>]*>` + regexp.QuoteMeta(word) + `<`).FindStringSubmatch(boxes)
		if m == nil {
			t.Fatalf("word %q is not on the page", word)
		}
		v, _ := strconv.ParseFloat(m[1], 64)
		return v
	}
	order := []string{"Exercise", "Estimated", "physician", "Why.", "Screening.", "Protocol.", "Minutes.", "Minute", "Result.", "Validity.", "Meaning.", "Plan.", "Cautions.", "Sources.", "Page"}
	for i := 1; i < len(order); i++ {
		if y(order[i]) < y(order[i-1]) {
			t.Errorf("%q stands above %q", order[i], order[i-1])
		}
	}
	if y("physician") > 842/3 {
		t.Errorf("the physician's box begins at %.0f pt, below the first third", y("physician"))
	}
}

// Equal input, equal bytes; other input, other bytes.
func TestSameBytes(t *testing.T) {
	write := func(change bool, kind, format string) []byte {
		c := cases(t, "testdata/two-visits.csv")[0]
		if change {
			c.Participant = "somebody else"
		}
		var b bytes.Buffer
		if err := c.Write(&b, kind, format, "a4"); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	for _, kind := range report.Kinds {
		for _, format := range report.Formats {
			if !bytes.Equal(write(false, kind, format), write(false, kind, format)) {
				t.Errorf("%s as %s: other bytes the second time", kind, format)
			}
			if bytes.Equal(write(false, kind, format), write(true, kind, format)) {
				t.Errorf("%s as %s: does not say whose it is", kind, format)
			}
		}
	}
}

// The texts as they are expected; -update writes them.
func TestTexts(t *testing.T) {
	all := everybody(t)
	find := func(id string) *report.Case {
		for _, c := range all {
			if c.Test == id {
				return c
			}
		}
		t.Fatalf("no test %s", id)
		return nil
	}
	for _, x := range []struct{ test, kind string }{{"D1", report.KindNote}, {"D1", report.KindLetter}, {"D1", report.KindPlan}, {"D1", report.KindSheet}, {"D2", report.KindNote}, {"D3", report.KindNote}, {"D3", report.KindLetter}, {"A2", report.KindComparison}, {"C2", report.KindComparison}} {
		var b bytes.Buffer
		if err := find(x.test).Write(&b, x.kind, "txt", "a4"); err != nil {
			t.Fatal(err)
		}
		d, err := find(x.test).Paper(x.kind)
		if err != nil {
			t.Fatal(err)
		}
		if x.kind == report.KindNote { // the full note behind its short text
			b.WriteString("\n=====\n\n")
			if err := report.WriteText(&b, d); err != nil {
				t.Fatal(err)
			}
		}
		name := filepath.Join("testdata", x.test+"-"+x.kind+".txt")
		if *update {
			if err := os.WriteFile(name, b.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
			continue
		}
		want, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(want, b.Bytes()) {
			t.Errorf("%s differs; go test ./internal/report -update writes it. Now:\n%s", name, b.String())
		}
	}
}

// The estimate never stands without its range, in no paper.
func TestNoNumberWithoutItsError(t *testing.T) {
	for _, c := range everybody(t) {
		r := c.Result()
		if r == nil {
			continue
		}
		value := fmt.Sprintf("%.1f mL/kg/min", float64(r.Value))
		high := fmt.Sprintf("%.1f", float64(r.High95))
		for _, kind := range report.Kinds {
			d, err := c.Paper(kind)
			if err != nil {
				continue
			}
			var b bytes.Buffer
			if err := report.WriteText(&b, d); err != nil {
				t.Fatal(err)
			}
			for _, part := range strings.SplitAfter(plain(b.String()), ". ") {
				if at := strings.Index(part, value); at >= 0 && !strings.Contains(part[at:], high) && !strings.Contains(part, "with it the estimate would be") {
					t.Errorf("%s of %s: %q without its range: %s", kind, c.Test, value, part)
				}
			}
			if text := b.String(); strings.Contains(text, "NaN") || strings.Contains(text, "Inf") {
				t.Errorf("%s of %s: a number that is none:\n%s", kind, c.Test, text)
			}
		}
	}
}

// The letter can be read after six years of school: grade by Flesch and Kincaid (Derivation of new readability formulas
// for Navy enlisted personnel, 1975): 0.39 words per sentence + 11.8 syllables per word - 15.59. It holds nothing that
// frightens or labels.
func TestLetterIsPlain(t *testing.T) {
	const mostGrade = 6.0
	if g := grade("The cat sat on the mat. It was warm."); g > 1 {
		t.Fatalf("grade of a child's sentence is %.1f", g)
	}
	if g := grade("Cardiorespiratory capacity estimation necessitates submaximal ergometric examination of individual participants."); g < 12 {
		t.Fatalf("grade of a learned sentence is %.1f", g)
	}
	for _, c := range everybody(t) {
		d := c.Letter()
		var text strings.Builder
		for _, b := range d.Blocks {
			switch b := b.(type) {
			case report.Para:
				text.WriteString(b.Text + " ")
			case report.List:
				text.WriteString(strings.Join(b.Items, " ") + " ")
			}
		}
		if g := grade(text.String()); g > mostGrade {
			t.Errorf("letter of %s: grade %.1f, more than %.0f: %s", c.Test, g, mostGrade, text.String())
		}
		banned := []string{"independen", "depend", "mortality", "risk", "death", "ischaemia", "poor", "low fitness", "percentile", "%", "predicted", "VO2", "abnormal", "disease", "failure"}
		for _, table := range interpret.References() {
			if table.Kind == interpret.Bands {
				for _, cell := range table.Blocks[0].Cells {
					banned = append(banned, strings.ToLower(cell.Statistic))
				}
			}
		}
		for _, word := range banned {
			if regexp.MustCompile(`(?i)\b` + regexp.QuoteMeta(word)).MatchString(text.String()) {
				t.Errorf("letter of %s says %q: %s", c.Test, word, text.String())
			}
		}
		if !d.Large {
			t.Error("the letter is not set large")
		}
	}
}

// grade counts a number as one syllable, as it is read in a glance.
func grade(text string) float64 {
	sentences, words, syllables := 0, 0, 0
	for _, s := range regexp.MustCompile(`[.!?:]+(\s|$)`).Split(text, -1) {
		n := 0
		for _, w := range strings.FieldsFunc(strings.ToLower(s), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) && r != '\'' }) {
			n++
			syllables += syllablesOf(w)
		}
		if n > 0 {
			sentences++
			words += n
		}
	}
	return 0.39*float64(words)/float64(sentences) + 11.8*float64(syllables)/float64(words) - 15.59
}

func syllablesOf(word string) int {
	n := len(regexp.MustCompile(`[aeiouy]+`).FindAllString(word, -1))
	if strings.HasSuffix(word, "e") && !strings.HasSuffix(word, "le") && n > 1 {
		n--
	}
	return max(n, 1)
}

// A letter for somebody whose test gave no usable number has no number, and does not blame.
func TestLetterWithoutScore(t *testing.T) {
	for _, c := range everybody(t) {
		var b bytes.Buffer
		if err := c.Write(&b, report.KindLetter, "txt", ""); err != nil {
			t.Fatal(err)
		}
		has := strings.Contains(b.String(), "score is about")
		if has != c.Usable() {
			t.Errorf("%s: usable %v, letter:\n%s", c.Test, c.Usable(), b.String())
		}
	}
}

// A test whose outcome is no score is told by what it measured, an uptake in L/min by body mass too, and one whose error nobody
// has published is not given as a score in the letter.
func TestTestsOfOtherKinds(t *testing.T) {
	for _, x := range []struct {
		test, kind string
		has        []string
		not        string
	}{
		// 2.11 × 162 - 2.29 × 70 - 5.78 × 68 + 667 = 455.5 m, lower limit 139 m below (Eur Respir J 2014;44:1447, table 5)
		{"walk-1", report.KindNote, []string{"Distance: 412 m, heart rate 118 /min; no oxygen uptake is estimated", "412 m are 90 % of the 455 m", "not below its lower limit of 316 m"}, "No estimate of fitness"},
		{"walk-1", report.KindLetter, []string{"Your distance was 412 metres."}, "we can trust"},
		{"arm-1", report.KindNote, []string{"Work rate and heart rate: 30 W, heart rate 114 /min"}, "No estimate of fitness"},
		{"arm-1", report.KindLetter, []string{"It gives no score, and it was not meant to."}, "each step was harder"},
		{"step-1", report.KindLetter, []string{"No one has found out yet how sure a score from such a test is."}, "each step was harder"},
		{"cycle-1", report.KindNote, []string{"VO2max 2.78 L/min", "35.6 mL/kg/min (95 % range", "at 78 kg", "percentile"}, "the tables are in"},
		{"cycle-1", report.KindLetter, []string{"Your fitness score is about"}, "we can trust"},
	} {
		found := false
		for _, c := range cases(t, "../../demo/families.csv") {
			if c.Test != x.test {
				continue
			}
			found = true
			var b bytes.Buffer
			if err := c.Write(&b, x.kind, "html", ""); err != nil {
				t.Fatal(err)
			}
			said := plain(b.String())
			for _, want := range x.has {
				if !strings.Contains(said, want) {
					t.Errorf("%s of %s has no %q:\n%s", x.kind, x.test, want, said)
				}
			}
			if strings.Contains(said, x.not) {
				t.Errorf("%s of %s says %q", x.kind, x.test, x.not)
			}
		}
		if !found {
			t.Errorf("no test %s", x.test)
		}
	}
}

// There is a blank sheet for every shipped protocol, on one page, with the person's own limits and branch table.
func TestBlankSheets(t *testing.T) {
	in := conduct.Inputs{AgeYears: 61, Sex: conduct.Female, MassKg: 74, RestHR: 66, RestSBP: 132, RestDBP: 80, Drug: conduct.DrugNo, Rhythm: conduct.Sinus, HRLimit: 140, LimitsBy: "the referrer"}
	list := protocols.IDs()
	if len(list) < 30 {
		t.Fatalf("only %d protocols", len(list))
	}
	for i, id := range list {
		p, e, err := plans(id)
		if err != nil {
			t.Fatal(err)
		}
		for name, who := range map[string]*conduct.Inputs{"nobody": {}, "person": &in} {
			d := report.Blank(p, e, who, map[string]string{"person": "X (invented)"}[name], "2026-03-02", "test")
			var b bytes.Buffer
			if err := report.WriteText(&b, d); err != nil {
				t.Fatal(err)
			}
			text := plain(b.String())
			l := conduct.LimitsOf(p, who)
			if l.EndBeat > 0 && !strings.Contains(text, fmt.Sprintf("%d /min", l.EndBeat)) {
				t.Errorf("%s for %s: no end point %d:\n%s", id, name, l.EndBeat, b.String())
			}
			if l.HRLimit > 0 && !strings.Contains(text, fmt.Sprintf("Safety limit, heart rate %g /min", l.HRLimit)) {
				t.Errorf("%s for %s: no safety limit %g", id, name, l.HRLimit)
			}
			if p.Choose.Is() {
				for _, row := range p.Choose.It.Rows {
					for _, w := range row.Work {
						if !strings.Contains(text, fmt.Sprintf("%g W", *w.Watts)) {
							t.Errorf("%s: branch table lacks %g W", id, *w.Watts)
						}
					}
				}
			}
			for k := range p.Table {
				if !strings.Contains(text, plain(p.Table[k].Text)) {
					t.Errorf("%s: stop sign is missing: %s", id, p.Table[k].Text)
				}
			}
			if testing.Short() && i%6 > 0 {
				continue
			}
			if pages := pagesOf(t, pdfFile(t, d, "letter")); pages != "1" {
				t.Errorf("%s for %s: %s pages", id, name, pages)
			}
		}
	}
}

// The first sentence answers what was asked.
func TestFirstSentenceAnswers(t *testing.T) {
	all := cases(t, "testdata/two-visits.csv")
	two := all[0]
	for asks, want := range map[string]string{"": "Estimated VO2peak is ", report.AskTraining: "Training may begin at ", report.AskChange: "No change beyond the error of the test: "} {
		two.Asks = asks
		p, ok := two.Note().Blocks[0].(report.Para)
		if !ok || !strings.HasPrefix(p.Text, want) {
			t.Errorf("asked %q: %q", asks, p.Text)
		}
	}
	alone := cases(t, "../../demo/day-1.csv")[0]
	alone.Asks = report.AskChange
	if got := alone.Answer(); !strings.Contains(got, "no earlier test") {
		t.Error(got)
	}
}

func TestNoComparisonWithoutTwo(t *testing.T) {
	if _, err := cases(t, "../../demo/day-1.csv")[0].Comparison(); err == nil {
		t.Error("a comparison of one test")
	}
}

// Draft or final, by whom, when, and what it replaces; with the letter that calls papers back.
func TestSigning(t *testing.T) {
	for _, x := range []struct {
		s    report.Signing
		want string
	}{
		{report.Signing{}, "Draft, not signed."},
		{report.Signing{By: "T. Tester", On: "2026-03-02"}, "Final, version 1, signed by T. Tester on 2026-03-02."},
		{report.Signing{Version: 2, Replaces: "the drug was recorded late", Pending: true, By: "T. Tester"}, "Draft of version 2, not signed. Replaces version 1: the drug was recorded late."},
		{report.Signing{Version: 2, Replaces: "the drug was recorded late", By: "T. Tester", On: "2026-03-03"}, "Final, version 2, signed by T. Tester on 2026-03-03. Replaces version 1: the drug was recorded late."},
	} {
		if got := x.s.Text(); got != x.want {
			t.Errorf("%q, want %q", got, x.want)
		}
	}
	c := cases(t, "../../demo/day-1.csv")[0]
	c.Signing = report.Signing{Version: 2, By: "T. Tester", On: "2026-03-03", Replaces: "the mass was wrong"}
	d := c.Recall([]report.HandedOut{{Version: 1, What: "letter", To: "the participant", By: "T. Tester", On: "2026-03-02"}}, report.Was{Version: 1, Text: "estimated VO2peak 29.0 mL/kg/min (95 % range 20.0 to 38.0)"})
	var b bytes.Buffer
	if err := report.WriteText(&b, d); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Please use version 2 only", "The mass was wrong.", "20.0 to 38.0", "17.3 to 34.8", "letter", "the participant"} {
		if !strings.Contains(plain(b.String()), want) {
			t.Errorf("the recall lacks %q:\n%s", want, b.String())
		}
	}
}

// A letter that the font lacks is marked and said; the HTML has it.
func TestLetterNotInTheFont(t *testing.T) {
	c := cases(t, "../../demo/day-1.csv")[0]
	c.Participant = "Łukasz 李 (invented)"
	text := plain(string(tool(t, "pdftotext", pdfFile(t, c.Letter(), "a4"), "-")))
	if !strings.Contains(text, "Łukasz ? (invented)") || !strings.Contains(text, "a letter that the printed font lacks") {
		t.Errorf("%.300s", text)
	}
	var b bytes.Buffer
	if err := report.WriteHTML(&b, c.Letter(), ""); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(b.String(), "Łukasz 李 (invented)") {
		t.Error("the HTML lost a letter")
	}
}

// What people typed is text, not a part of the page.
func TestHTMLEscapes(t *testing.T) {
	c := cases(t, "../../demo/day-1.csv")[0]
	c.Participant, c.Question = `<script>alert(1)</script>`, `"><img src=x>`
	for _, kind := range []string{report.KindNote, report.KindLetter, report.KindPlan, report.KindSheet} {
		var b bytes.Buffer
		if err := c.Write(&b, kind, "html", ""); err != nil {
			t.Fatal(err)
		}
		if strings.Contains(b.String(), "<script") || strings.Contains(b.String(), "<img") {
			t.Errorf("%s: typed text became a part of the page", kind)
		}
	}
}

func TestUnknownPaper(t *testing.T) {
	c := cases(t, "../../demo/day-1.csv")[0]
	if err := c.Write(&bytes.Buffer{}, "poem", "pdf", "a4"); err == nil || !strings.Contains(err.Error(), "use note, letter") {
		t.Error(err)
	}
	if err := c.Write(&bytes.Buffer{}, report.KindLetter, "pdf", "a5"); err == nil || !strings.Contains(err.Error(), "use a4 or letter") {
		t.Error(err)
	}
	if err := c.Write(&bytes.Buffer{}, report.KindLetter, "doc", "a4"); err == nil || !strings.Contains(err.Error(), "use pdf, html, txt") {
		t.Error(err)
	}
}
