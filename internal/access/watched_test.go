package access_test

import (
	"context"
	"os"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"gradus/internal/access"
	"gradus/internal/audit"
	"gradus/internal/record"
	"gradus/internal/record/recordtest"
)

// unwatched are the methods by which nobody sees anything of a person: they write, which the record enters itself, or they
// are about machines, accounts, the trail and the record as a whole.
var unwatched = strings.Fields(`AddParticipant UpdateParticipant Archive Merge UndoMerge AddVisit UpdateVisit AddFact SaveMachine Machine Machines MachineVersions
	AddControlRun StrikeControlRun ControlRuns NewTest Reassign AddResult HandOut BringIn Append AppendSamples Check Close Note Head Entries EachEntry VerifyTrail
	AddSite Sites ChangeSite AddAccount AnyAccount Account AccountByLogin AccountByHandle ListAccounts ChangeAccount AddPasskey Passkeys UsedPasskey RemovePasskey
	SetRecoveryCodes UseRecoveryCode RecoveryCodesLeft AddReset UseReset AddSession Session Signed Awake ChangeSession Sessions EndSessions Failed AttemptsAt Succeeded
	Countersign AddConsent KeepUntil Erase Erasures KeepFile DropFiles DropOldFiles KeepStudyCodes Link UndoLink`)

// A way to see a person that a later version adds is watched, or stands above.
func TestEveryLookIsWatched(t *testing.T) {
	source, err := os.ReadFile("watched.go")
	if err != nil {
		t.Fatal(err)
	}
	kind := reflect.TypeFor[record.Store]()
	for i := range kind.NumMethod() {
		name := kind.Method(i).Name
		own := regexp.MustCompile(`(?m)^func \(w \*watched\) ` + name + `\(`).Match(source)
		if own == slices.Contains(unwatched, name) {
			t.Errorf("%s: watched %v, named as nothing to watch %v", name, own, !own)
		}
	}
}

// entered returns the looks of the trail, the oldest first.
func entered(t *testing.T, s record.Store) (looks []string) {
	t.Helper()
	list, err := s.Entries(bare, record.TrailFilter{})
	if err != nil {
		t.Fatal(err)
	}
	slices.Reverse(list)
	for _, e := range list {
		if e.Action == "see" || e.Action == "refused" {
			looks = append(looks, strings.TrimSpace(strings.Join([]string{e.Actor, e.Session, e.Action, e.Entity, e.Note}, " ")))
		}
	}
	return looks
}

func TestLooks(t *testing.T) {
	raw := open(t)
	failing := &failingTrail{Store: raw}
	now := time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC)
	store := access.GuardedAt(failing, func() time.Time { return now })
	anna := access.With(bare, access.Principal{Account: 7, Roles: []access.Role{access.Clinician}, Site: 1, Session: strings.Repeat("ab", 32)})
	carl := access.With(bare, access.Principal{Account: 9, Roles: []access.Role{access.Administrator}, Site: 1})
	p, err := store.AddParticipant(anna, record.Participant{Code: "P-1", Name: "Berta Beispiel"})
	if err != nil {
		t.Fatal(err)
	}
	test := recordtest.NewTest("T")
	test.Participant = p.ID
	if _, err := raw.NewTest(bare, test); err != nil {
		t.Fatal(err)
	}
	look := func(ctx context.Context) {
		for range 3 {
			_, _ = store.Participant(ctx, p.ID)
			_, _ = store.ParticipantByCode(ctx, "p-1")
			_, _ = store.EventsSince(ctx, "T", nil)
			_, _ = store.Participants(ctx, record.ParticipantFilter{Query: "berta"})
		}
	}
	look(anna)
	look(carl)
	look(bare) // nobody acts: nothing is given, and nothing entered
	_, _ = store.Participant(anna, 99)
	now = now.Add(4 * time.Minute)
	look(anna)
	want := []string{"account/7 abababababab see person/1", "account/7 abababababab see test/T", "account/7 abababababab see people 1",
		"account/9  refused person/1 see", "account/9  refused people see", "account/9  refused test/T see"}
	if got := entered(t, raw); !reflect.DeepEqual(got, want) {
		t.Errorf("got %q\nwant %q", got, want)
	}
	// What cannot be entered is shown all the same, and counted.
	now = now.Add(time.Minute)
	failing.fail = true
	if _, err := store.Participant(anna, p.ID); err != nil {
		t.Error(err)
	}
	failing.fail = false
	look(anna)
	want = append(want, "account/7 abababababab see test/T (1 looks before this one could not be entered)", "account/7 abababababab see people 1")
	if got := entered(t, raw); !reflect.DeepEqual(got, want) {
		t.Errorf("got %q\nwant %q", got, want)
	}
}

type failingTrail struct {
	record.Store
	fail bool
}

func (f *failingTrail) Note(ctx context.Context, e audit.Entry) error {
	if f.fail {
		return record.ErrDiskFull
	}
	return f.Store.Note(ctx, e)
}
