package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"gradus/conduct"
	"gradus/internal/record"
)

// kills is how often the server is killed: few times in every run, many where GRADUS_SOAK is set.
func kills() int {
	if os.Getenv("GRADUS_SOAK") != "" {
		return 1000
	}
	return 20
}

// The server is killed at random moments while a page sends events, and started again on the same directory. Every
// acknowledged event is there, none is there by half or twice, and what the page held goes through afterwards.
func TestServerKilled(t *testing.T) {
	dir := t.TempDir()
	random := rand.New(rand.NewPCG(1, 2))
	args := []string{"serve", "--listen", "127.0.0.1:0", "--no-browser", "--plain", "--data", dir}
	cmd, address, _ := program(t, args...)
	id := prepared(t, address)
	sent := []conduct.Event{}
	acknowledged := uint32(1)
	for range kills() {
		dead := time.After(time.Duration(random.IntN(60)) * time.Millisecond)
		gone := make(chan struct{})
		go func() {
			<-dead
			_ = cmd.Process.Kill()
			_ = cmd.Wait()
			close(gone)
		}()
		for {
			n := acknowledged
			for range 1 + random.IntN(4) {
				if n++; int(n)-2 == len(sent) {
					sent = append(sent, conduct.Event{Term: 1, N: n, Kind: conduct.Note, Text: fmt.Sprintf("entry %d %s", n, strings.Repeat("x", random.IntN(900)))})
				}
			}
			to, err := deliver(address, id, sent[acknowledged-1:n-1])
			if err != nil {
				break // it is dead; what was not acknowledged is held
			}
			acknowledged = to
		}
		<-gone
		cmd, address, _ = program(t, args...)
		stored := events(t, address, id)
		if len(stored) < int(acknowledged) {
			t.Fatalf("%d events were acknowledged, %d are there", acknowledged, len(stored))
		}
		trailIntact(t, dir)
		for i, e := range stored[1:] {
			if e != sent[i] {
				t.Fatalf("event %d is %+v, sent was %+v", i+2, e, sent[i])
			}
		}
	}
	if len(sent) < 2*kills() {
		t.Fatalf("only %d events were sent: the kills came too early to say anything", len(sent))
	}
	if to, err := deliver(address, id, sent[acknowledged-1:]); err != nil || int(to) != len(sent)+1 {
		t.Errorf("what was held: %d, %v", to, err)
	}
	if stored := events(t, address, id); len(stored) != len(sent)+1 {
		t.Errorf("%d events in the end, want %d", len(stored), len(sent)+1)
	}
	trailIntact(t, dir)
	t.Logf("%d kills, %d events sent", kills(), len(sent))
}

// trailIntact holds a record against its audit trail, beside the server.
func trailIntact(t *testing.T, dir string) {
	t.Helper()
	s, err := record.Open(t.Context(), dir, record.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if head, faults, err := s.VerifyTrail(t.Context(), nil); err != nil || len(faults) > 0 || head.Seq == 0 {
		t.Fatalf("audit trail: %d entries, %v, %v", head.Seq, faults, err)
	}
}

// prepared makes a person and a test the way a browser does.
func prepared(t *testing.T, address string) string {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	c := &http.Client{Jar: jar}
	send := func(path string, fields url.Values) string {
		resp, err := c.Get(address + path)
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(resp.Body)
		resp.Body.Close()
		token := regexp.MustCompile(`name="token" value="([0-9a-f]+)"`).FindSubmatch(text)
		if err != nil || token == nil {
			t.Fatalf("%s has no form: %v", path, err)
		}
		fields.Set("token", string(token[1]))
		if resp, err = c.PostForm(address+path, fields); err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		return resp.Request.URL.Path
	}
	send("people", url.Values{"code": {"K-1"}})
	send("people/1/screening", url.Values{"consent": {"yes"}, "told": {"all"}, "regular_exercise": {"no"}, "intended_intensity": {"moderate"}, "known_disease": {"none"},
		"symptoms": {"none"}, "contraindications": {"none"}, "rest_sbp_mmhg": {"120"}, "rest_dbp_mmhg": {"80"}, "rest_hr_bpm": {"70"}, "irregular_beats_per_min": {"0"},
		"drugs": {"none"}, "rhythm_devices": {"none"}, "by": {"K"}, "do": {"judge"}})
	at := send("people/1/new", url.Values{"age_years": {"58"}, "sex": {"female"}, "mass_kg": {"71"}, "end_point_percent": {"85"}, "max_hr_formula": {"220-age"}, "blood_pressure": {"none"},
		"protocol": {"recumbent-stepper"}, "do": {"begin"}})
	id, ok := strings.CutPrefix(strings.TrimSuffix(at, "/run"), "/tests/")
	if !ok {
		t.Fatalf("no test was begun: at %s", at)
	}
	return id
}

// deliver sends events and returns up to which they are acknowledged.
func deliver(address, id string, events []conduct.Event) (uint32, error) {
	body, err := json.Marshal(map[string]any{"now_ms": 0, "events": events})
	if err != nil {
		return 0, err
	}
	resp, err := http.Post(address+"api/tests/"+id+"/events", "application/json", strings.NewReader(string(body)))
	if err != nil {
		return 0, err
	}
	defer resp.Body.Close()
	var a struct{ Acked map[string]uint32 }
	if err := json.NewDecoder(resp.Body).Decode(&a); err != nil {
		return 0, err
	}
	if resp.StatusCode != http.StatusOK {
		return 0, fmt.Errorf("%s", resp.Status)
	}
	return a.Acked["1"], nil
}

func events(t *testing.T, address, id string) []conduct.Event {
	t.Helper()
	var a struct {
		Load struct{ Events []conduct.Event }
	}
	if err := json.Unmarshal([]byte(fetch(t, address+"api/tests/"+id)), &a); err != nil {
		t.Fatal(err)
	}
	return a.Load.Events
}
