package exchange

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"gradus/estimate"
	"gradus/internal/exchange/fhir"
	"gradus/internal/exchange/table"
	"gradus/internal/record"
	"gradus/internal/sheet"
	"gradus/internal/signing"
	"gradus/internal/verified"
)

// recorded puts scored sheets into a record, as tests that were closed, and reads them back.
func recorded(t *testing.T, tests []*sheet.Scored) (record.Store, []*Recorded) {
	t.Helper()
	ctx := context.Background()
	store, err := record.Open(ctx, t.TempDir(), record.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { store.Close() })
	b := record.Batch{By: "AB"}
	at := map[string]int{}
	for _, x := range tests {
		who, known := at[x.Person.Participant]
		if !known {
			who = len(b.People)
			at[x.Person.Participant] = who
			b.People = append(b.People, record.BatchPerson{Participant: record.Participant{Code: x.Person.Participant, BirthDate: x.Person.Said["birth_date"]}})
		}
		sent, err := json.Marshal(x.Protocol)
		if err != nil {
			t.Fatal(err)
		}
		day, err := time.Parse(time.DateOnly, x.Person.Date)
		if err != nil {
			t.Fatal(err)
		}
		x.Events[0].By = x.Person.Said["examiner"]
		b.People[who].Days = append(b.People[who].Days, record.BatchDay{Date: x.Person.Date, State: record.VisitDone, Tests: []record.BatchTest{{Events: x.Events,
			Test: record.Test{ID: x.ID, Protocol: x.Protocol.ID, Version: x.Protocol.Version, Hash: x.Protocol.Hash, Sent: sent, Title: x.Protocol.Title, Created: day.Add(12 * time.Hour)}}}})
	}
	if _, err := store.BringIn(ctx, b); err != nil {
		t.Fatal(err)
	}
	var all []*Recorded
	for _, x := range tests {
		r, err := ReadTest(ctx, store, x.ID)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, r)
	}
	return store, all
}

// TestRecordedComesBack exports tests of the record, reads the package as a data sheet and scores it again: readings, signs,
// reason to stop, notes, result are the same.
func TestRecordedComesBack(t *testing.T) {
	for name, tests := range map[string][]*sheet.Scored{"demo": demo(t), "odd": oddTests(t)} {
		_, all := recorded(t, tests)
		var cases []Case
		for _, r := range all {
			cases = append(cases, r.CaseOf())
		}
		p, _, err := Study(cases, Choice{Identified: true})
		if err != nil {
			t.Fatal(err)
		}
		var b, out bytes.Buffer
		if err := p.Write(&b); err != nil {
			t.Fatal(err)
		}
		files, err := table.Unzip(b.Bytes())
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range table.Check(files) {
			t.Errorf("%s: %v", name, &f)
		}
		if err := Sheet(&out, files); err != nil {
			t.Fatal(err)
		}
		back := sheet.Score([]*sheet.Sheet{sheet.Read("back.csv", &out)}, today, plans)
		if back.Failed() || len(back.Tests) != len(tests) {
			t.Fatal(name, back.Faults, back.Tests[0].Faults)
		}
		want, have := asJSON(t, tests), asJSON(t, back.Tests)
		for i := range want {
			a, b := want[i].(map[string]any), have[i].(map[string]any)
			delete(a, "carried") // no column of the record
			delete(b, "carried")
			delete(a, "about") // the record holds kinds of disease, not what was typed
			delete(b, "about")
			for key := range a {
				if !reflect.DeepEqual(a[key], b[key]) {
					x, _ := json.Marshal(a[key])
					y, _ := json.Marshal(b[key])
					t.Errorf("%s %s: %s: sent %s\ncame back %s", name, tests[i].ID, key, x, y)
				}
			}
		}
	}
}

// TestStatusFollowsSigning says of each state of a report what other systems are told.
func TestStatusFollowsSigning(t *testing.T) {
	ctx := context.Background()
	store, all := recorded(t, demo(t)[:1])
	test := all[0].Test
	say := func(final bool, report, result int) {
		text, err := json.Marshal(signing.Said{Test: test.ID, Final: final, Report: report, Result: result})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := store.AddFact(ctx, record.Fact{Visit: test.Visit, Kind: signing.Fact, JSON: text, By: "examiner 2"}); err != nil {
			t.Fatal(err)
		}
	}
	status := func() string {
		r, err := ReadTest(ctx, store, test.ID)
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		if err := fhir.Write(&b, []fhir.Test{r.FHIR()}, fhir.Options{Program: "gradus"}); err != nil {
			t.Fatal(err)
		}
		var bundle struct {
			Entry []struct {
				Resource struct{ ResourceType, Status string }
			}
		}
		if err := json.Unmarshal(b.Bytes(), &bundle); err != nil {
			t.Fatal(err)
		}
		for _, e := range bundle.Entry {
			if e.Resource.ResourceType == "DiagnosticReport" {
				return e.Resource.Status
			}
		}
		return ""
	}
	for _, step := range []struct {
		name string
		do   func()
		want string
	}{
		{"nobody has said anything", func() {}, "preliminary"},
		{"a draft", func() { say(false, 1, 1) }, "preliminary"},
		{"signed", func() { say(true, 1, 1) }, "final"},
		{"changed after it was signed", func() { say(false, 2, 1) }, "preliminary"},
		{"signed again", func() { say(true, 2, 1) }, "amended"},
		{"signed for a result that is another one now", func() { say(true, 3, 2) }, "preliminary"},
	} {
		step.do()
		if got := status(); got != step.want {
			t.Errorf("%s: %s, want %s", step.name, got, step.want)
		}
	}
}

// What the site compared with the paper counts in a file that leaves the record, as on its pages.
func TestComparisonOfTheSiteCounts(t *testing.T) {
	store, all := recorded(t, demo(t))
	before := all[slices.IndexFunc(all, func(r *Recorded) bool {
		return r.Estimator != nil && r.Estimator.Unverified() && len(r.Estimator.Terms) > 0
	})]
	v := &estimate.Verification{Estimator: before.Estimator.ID, By: "A. Reader (invented)", On: "2026-01-02", Against: "the paper", Coefficients: map[string]float64{}}
	for _, term := range before.Estimator.Terms {
		v.Coefficients[cmp.Or(term.Input+term.Of, "constant")] = term.Coefficient
	}
	text, err := verified.Checked(before.Estimator, v)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := store.KeepFile(context.Background(), record.File{Kind: record.FileVerified, Name: before.Estimator.ID, Content: []byte(text)}, false); err != nil {
		t.Fatal(err)
	}
	after, err := ReadTest(context.Background(), store, before.Test.ID)
	if err != nil || after.Estimator.Unverified() || after.Estimator.Verification.By != v.By {
		t.Errorf("%v %+v", err, after.Estimator.Verification)
	}
}

// People of three sites who were decided to be one go under one code, as one person whose tests are counted on; what is not
// de-identified is as it was.
func TestOnePersonOfSeveralSites(t *testing.T) {
	ctx := context.Background()
	store, all := recorded(t, demo(t)[:1])
	one := all[0]
	for i, id := range []string{"second", "third", "other"} {
		site, err := store.AddSite(ctx, record.Site{Name: id})
		if err != nil {
			t.Fatal(err)
		}
		p, err := store.AddParticipant(ctx, record.Participant{Code: "X-" + id, Site: site.ID})
		if err != nil {
			t.Fatal(err)
		}
		test := one.Test
		test.ID, test.Participant, test.Visit, test.Site, test.Created, test.Closed = id, p.ID, 0, 0, time.Time{}, time.Time{}
		_, e1 := store.NewTest(ctx, test)
		_, e2 := store.Append(ctx, id, one.Events)
		r, e3 := ReadTest(ctx, store, id)
		_, e4 := store.Link(ctx, record.Link{One: p.ID, Other: all[i].Person.ID, Same: i < 2, By: "KL", Why: "invented"})
		if err := errors.Join(e1, e2, e3, e4); err != nil {
			t.Fatal(err)
		}
		all = append(all, r)
	}
	if err := AsOne(ctx, store, all); err != nil {
		t.Fatal(err)
	}
	var cases []Case
	for _, r := range all {
		cases = append(cases, r.CaseOf())
	}
	codes := map[string]string{}
	if added, err := AddCodes(codes, cases); err != nil || added != 2 {
		t.Fatal(added, err)
	}
	tests := func(choice Choice) (who []string) {
		t.Helper()
		p, _, err := Study(cases, choice)
		if err != nil {
			t.Fatal(err)
		}
		i := slices.IndexFunc(p.Tables, func(x table.Table) bool { return x.Name == "tests" })
		column := func(row []string, name string) string {
			at := slices.IndexFunc(p.Tables[i].Fields, func(f table.Field) bool { return f.Name == name })
			if at < 0 {
				return ""
			}
			return row[at]
		}
		for _, row := range p.Tables[i].Rows {
			who = append(who, column(row, "participant")+" "+column(row, "visit"))
		}
		slices.Sort(who)
		return who
	}
	code, other := codes[one.Person.Code], codes["X-other"]
	want := []string{code + " 1", code + " 2", code + " 3", other + " 1"}
	slices.Sort(want)
	if got := tests(Choice{Codes: codes}); !slices.Equal(got, want) {
		t.Errorf("%q, not %q", got, want)
	}
	if got := strings.Join(tests(Choice{Identified: true}), ","); !strings.Contains(got, "X-second") || !strings.Contains(got, "X-third") {
		t.Errorf("as it is: %s", got)
	}
	if groups := SmallGroups(cases); len(groups) != 1 || !strings.HasSuffix(groups[0], ": 2") {
		t.Errorf("people %q", groups)
	}
}
