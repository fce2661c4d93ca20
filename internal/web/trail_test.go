package web_test

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"gradus/internal/access"
	"gradus/internal/audit"
	"gradus/internal/record"
)

// The page of the trail tells a site lead in plain words who saw and did what at the own site, and an administrator the
// same with people by number.
func TestWhoSawAndDidWhat(t *testing.T) {
	c := openClinic(t)
	ctx := context.Background()
	person, test := c.ids["person"], c.ids["test"]
	c.signedIn("clinician").get("/people/" + person)
	c.signedIn("researcher").get("/people/" + person) // refused before the record is asked
	north, err := c.store.AddParticipant(ctx, record.Participant{Code: "N-9", Name: "Name of N-9", Site: c.accounts["clinician-north"].Site})
	if err != nil {
		t.Fatal(err)
	}
	lead := c.signedIn("site-lead")
	about := "/trail?person=" + person
	says(t, about, lead.get(about), "Kim clinician (clinician)</strong> <a href=\"/people/"+person+"\">looked at person A-1", "entered person A-1", "Only what is about person A-1")
	says(t, "kind", lead.get(about+"&kind=look"), "looked at person A-1")
	if p := lead.get(about + "&kind=look"); strings.Contains(p.text, "entered person") || strings.Contains(p.text, "Name of") {
		t.Errorf("looks alone hold more, or a name: %s", p.text)
	}
	says(t, "test", lead.get("/trail?test="+test), "entered test "+test, "recorded events", "Only what is about test "+test)
	says(t, "account", lead.get("/trail?account=account/"+fmt.Sprint(c.accounts["clinician"].ID)), "Kim clinician")
	says(t, "day", lead.get("/trail?to=1999-01-01"), "No entry is as asked for")
	if p := lead.get("/trail?from=soon"); p.status != http.StatusUnprocessableEntity {
		t.Errorf("no day: %d", p.status)
	}
	found := lead.send("/trail", "/trail", url.Values{"do": {"find"}, "trail_code": {"a-1"}, "trail_kind": {"look"}})
	if found.at != "/trail" || !strings.Contains(found.text, "looked at person A-1") || !strings.Contains(found.text, `value="A-1"`) {
		t.Errorf("found by code: %d at %s", found.status, found.at)
	}
	// Another site's people and accounts are like those that never were.
	for _, p := range []page{lead.send("/trail", "/trail", url.Values{"do": {"find"}, "trail_code": {"N-9"}}), lead.send("/trail", "/trail", url.Values{"do": {"find"}, "trail_code": {"never"}})} {
		if p.status != http.StatusUnprocessableEntity {
			t.Errorf("a code that this site does not have: %d", p.status)
		}
	}
	theirs, never := lead.get("/trail?person="+fmt.Sprint(north.ID)), lead.get("/trail?person=987654")
	if theirs.status != http.StatusNotFound || never.status != theirs.status {
		t.Errorf("another site's person: %d, one that never was: %d", theirs.status, never.status)
	}
	own := lead.get("/trail").text
	for _, foreign := range []string{"person number " + fmt.Sprint(north.ID), "N-9", "Kim clinician-north", "Kim site-lead-north"} {
		if strings.Contains(own, foreign) {
			t.Errorf("the lead of another site reads %q", foreign)
		}
	}
	// An administrator reads all, and nobody's code or name.
	admin := c.signedIn("administrator")
	all := admin.get("/trail")
	says(t, "administrator", all, "person number "+fmt.Sprint(north.ID), "People stand here by number", "was refused", "/trail/file")
	for _, word := range []string{"A-1", "B-2", "N-9", "Name of"} {
		if strings.Contains(all.text, word) {
			t.Errorf("an administrator reads %q", word)
		}
	}
	// Pages hold fifty entries, each once.
	seen := map[string]bool{}
	at, entry := "/trail", regexp.MustCompile(`<li value="(\d+)">`)
	for pages := 0; at != ""; pages++ {
		p := admin.get(at)
		for _, m := range entry.FindAllStringSubmatch(p.text, -1) {
			if seen[m[1]] {
				t.Fatalf("entry %s stands twice", m[1])
			}
			seen[m[1]] = true
		}
		next := regexp.MustCompile(`rel="next" href="([^"]+)"`).FindStringSubmatch(p.text)
		if at = ""; next != nil {
			at = strings.ReplaceAll(next[1], "&amp;", "&")
		}
		if pages > 20 {
			t.Fatal("the pages have no end")
		}
	}
	if len(seen) <= 50 || !seen["1"] {
		t.Errorf("the pages show %d entries, the first among them %v", len(seen), seen["1"])
	}
	// That the trail was looked at is entered.
	says(t, "looks at the trail", admin.get("/trail?kind=look&account=account/"+fmt.Sprint(c.accounts["site-lead"].ID)), "looked at the audit trail", "The part about person number "+person)
	// The way there, for whom it leads somewhere.
	says(t, "person", lead.get("/people/"+person), `href="/trail?person=`+person+`"`)
	says(t, "result", lead.get("/tests/"+test), `href="/trail?test=`+test+`"`)
	if p := c.signedIn("clinician").get("/people/" + person); strings.Contains(p.text, "/trail") {
		t.Error("a clinician is shown a way that is closed")
	}
}

// The button follows the chain, compares the end on a paper, and finds what was changed past the program.
func TestTrailIsVerifiedFromThePage(t *testing.T) {
	c := openClinic(t)
	ctx := context.Background()
	lead, admin := c.signedIn("site-lead"), c.signedIn("administrator")
	head, err := c.store.Head(ctx)
	if err != nil {
		t.Fatal(err)
	}
	verify := func(anchor string) page {
		return lead.send("/trail", "/trail", url.Values{"do": {"verify"}, "trail_anchor": {anchor}})
	}
	says(t, "verified", verify(""), "each follows from the one before", "No paper was compared", "End of the trail: audit:")
	says(t, "paper", verify(head.Short().String()), "The end of the trail on the paper stands in it")
	other := head.Short()
	other.Digits = strings.Repeat("0", 16)
	says(t, "another paper", verify(other.String()), "The trail is broken", "the trail was made anew")
	other = head.Short()
	other.Seq += 100_000
	says(t, "cut", verify(other.String()), "its end was cut off")
	if p := verify("audit:x"); p.status != http.StatusUnprocessableEntity {
		t.Errorf("no end of a trail: %d", p.status)
	}
	file := admin.get("/trail/file")
	now, faults, err := audit.CheckFile(strings.NewReader(file.text), "trail.jsonl", []audit.Anchor{head.Short()}, nil)
	if err != nil || len(faults) > 0 || now.Seq <= head.Seq {
		t.Errorf("the file: %v %v %v", now, faults, err)
	}
	bent := strings.Replace(file.text, `"action":"add"`, `"action":"see"`, 1)
	if _, faults, err := audit.CheckFile(strings.NewReader(bent), "trail.jsonl", nil, nil); err != nil || len(faults) != 1 {
		t.Errorf("a changed file: %v %v", faults, err)
	}
	says(t, "export", admin.get("/trail?kind=out"), "made a file for elsewhere of the audit trail")
	if p := lead.get("/trail/file"); p.status != http.StatusForbidden {
		t.Errorf("a site lead takes the whole trail along: %d", p.status)
	}
}

// Every paper carries the end of the trail, and the page that verifies takes it from there.
func TestPapersAnchorTheTrail(t *testing.T) {
	c := openClinic(t)
	lead := c.signedIn("site-lead")
	ends := regexp.MustCompile(`audit:[0-9]+:[0-9a-f]{16}\b`)
	test := "/tests/" + c.ids["test"]
	for _, at := range []string{test + "/papers/note", test + "/papers/letter", "/people/" + c.ids["person"] + "/over-time/paper", test} {
		end := ends.FindString(lead.get(at).text)
		if end == "" {
			t.Errorf("%s holds no end of the trail", at)
			continue
		}
		says(t, at, lead.send("/trail", "/trail", url.Values{"do": {"verify"}, "trail_anchor": {end}}), "The end of the trail on the paper stands in it")
	}
	file := lead.send(test+"/papers", test+"/papers/file", url.Values{"paper_kind": {"letter"}, "paper_format": {"txt"}, "paper_size": {"a4"}, "paper_to": {"Dr. K."}})
	if !ends.MatchString(strings.Join(strings.Fields(file.text), " ")) {
		t.Errorf("the file: %d %.300s", file.status, file.text)
	}
	lead.send(test+"/papers", test+"/papers/said", url.Values{"asks": {"training"}, "by": {"Somebody Else"}, "do": {"sign"}})
	says(t, "signed", lead.get(test+"/papers"), "signed by Kim site-lead")
	says(t, "signature", lead.get("/trail?kind=sign"), "signed test "+c.ids["test"], "the report, version 1")
	says(t, "print", lead.get("/trail?kind=out"), "made a paper of test "+c.ids["test"], "letter txt")
}

// Where an account is signed in, no form asks who enters something, and whatever is sent, the account stands for it.
func TestTheAccountSignsWhatItEnters(t *testing.T) {
	c := openClinic(t)
	ctx := context.Background()
	w := c.signedIn("site-lead")
	asks := regexp.MustCompile(`name="(by|n_by|entered_by|paper_by|merge_by|reassign_by|bring_by|compared_by)"`)
	seen := 0
	c.eachRoute(func(pattern string, right access.Right, how string) {
		if !strings.HasPrefix(pattern, "GET ") || strings.HasSuffix(pattern, "/stream") || how == "open" {
			return
		}
		p := w.do(c.route(pattern, c.ids, ""))
		if m := asks.FindString(p.text); m != "" {
			t.Errorf("%s asks %s", pattern, m)
		}
		if strings.Contains(p.text, "the account that is signed in") {
			seen++
		}
	})
	if seen < 15 {
		t.Errorf("only %d pages say that the account enters", seen)
	}
	person, _ := strconv.ParseInt(c.ids["person"], 10, 64)
	at := "/people/" + c.ids["person"] + "/consent"
	if p := w.send(at, at, url.Values{"purpose": {"research"}, "consent_said": {"given"}, "consent_date": {"2026-03-02"}, "by": {"Somebody Else"}}); !strings.Contains(p.text, "Kim site-lead") || strings.Contains(p.text, "Somebody Else") {
		t.Errorf("consent: %d %.2000s", p.status, p.text)
	}
	if all, err := c.store.Consents(ctx, person); err != nil || len(all) != 1 || all[0].By != "Kim site-lead" {
		t.Errorf("%v %v", all, err)
	}
	test := "/tests/" + c.ids["test"]
	w.send(test+"/papers", test+"/papers/file", url.Values{"paper_kind": {"letter"}, "paper_format": {"txt"}, "paper_size": {"a4"}, "paper_to": {"Dr. K."}, "paper_by": {"Somebody Else"}})
	w.send("/machines", "/machines", url.Values{"machine_name": {"Cycle by the window"}, "machine_kind": {"cycle"}, "shows": {"watts"}, "entered_by": {"Somebody Else"}})
	papers, e1 := c.store.Papers(ctx, c.ids["test"])
	machines, e2 := c.store.Machines(ctx)
	if e1 != nil || e2 != nil || len(papers) != 1 || papers[0].By != "Kim site-lead" || machines[len(machines)-1].By != "Kim site-lead" {
		t.Errorf("%+v %+v %v %v", papers, machines, e1, e2)
	}
}
