// Package doctor looks at everything a server stands on: disk, clock, record, backups, certificates, keys and network.
// Each finding says how it is and, where something is wrong, what to do.
package doctor

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"gradus/internal/backup"
	"gradus/internal/localca"
	"gradus/internal/record"
	"gradus/internal/vault"
)

// Level is how grave a finding is.
type Level string

const (
	OK        Level = "ok"
	Attention Level = "attention" // look at it soon
	Fault     Level = "fault"     // do not run tests before it is cured
)

// Finding is one line of what was found.
type Finding struct {
	What  string `json:"what"`
	Level Level  `json:"level"`
	Said  string `json:"said"`
	Do    string `json:"do,omitempty"` // what to do; "" when it is well
}

func ok(what, format string, args ...any) Finding {
	return Finding{what, OK, fmt.Sprintf(format, args...), ""}
}

// Worst is the gravest level of all.
func Worst(all []Finding) Level {
	worst := OK
	for _, f := range all {
		if f.Level == Fault || f.Level == Attention && worst == OK {
			worst = f.Level
		}
	}
	return worst
}

// Limits of the findings; all are our choices.
const (
	spaceFault     = 200 << 20 // bytes: a test writes about 1 MB, a backup as much as the record
	spaceAttention = 2 << 30
	syncAttention  = 50 * time.Millisecond // the median; the page waits for it at every event
	syncFault      = 500 * time.Millisecond
	backupOld      = 2 * 24 * time.Hour
	backupStale    = 14 * 24 * time.Hour
	clockJump      = 200 * time.Millisecond // between wall and monotonic clock during the look
	recordAhead    = 5 * time.Minute        // how far the newest test may lie in the future
)

// Folder for backups within the data directory, where no other is named.
const Backups = "backups"

// Looking is what to look at.
type Looking struct {
	Dir     string
	Backups string // folder of the backups
	Now     func() time.Time
	// Open opens the record for reading.
	Open func(context.Context) (Record, error)
	// Database says that the record is on a server, which backs it up.
	Database bool
}

// Record is what is asked of a record.
type Record interface {
	Schema(context.Context) (int64, error)
	Check(context.Context) error
	Tests(context.Context, record.TestFilter) ([]record.Test, error)
	Close() error
}

// Look looks at everything. It changes nothing but a small file that it removes again.
func Look(ctx context.Context, l Looking) []Finding {
	began := time.Now()
	all := []Finding{directory(l.Dir), space(l.Dir)}
	all = append(all, syncs(l.Dir), keys(l.Dir))
	all = append(all, theRecord(ctx, l)...)
	all = append(all, backups(l), certificate(l), addresses(l), synchronised())
	ended := time.Now()
	return append(all, clock(l.Now(), ended.Round(0).Sub(began.Round(0)), ended.Sub(began)))
}

func directory(dir string) Finding {
	info, err := os.Stat(dir)
	switch {
	case err != nil:
		return Finding{"data directory", Fault, err.Error(), "name the right one with --data; gradus serve makes it"}
	case !info.IsDir():
		return Finding{"data directory", Fault, dir + " is no directory", "name the right one with --data"}
	case runtime.GOOS != "windows" && info.Mode().Perm()&0o077 != 0:
		return Finding{"data directory", Attention, fmt.Sprintf("%s may be opened by others (%v)", dir, info.Mode().Perm()), "chmod 700 " + dir}
	}
	return ok("data directory", "%s, for its owner alone", dir)
}

func space(dir string) Finding {
	free, err := freeBytes(dir)
	if err != nil {
		return Finding{"disk space", Attention, "not known: " + err.Error(), "look at it yourself"}
	}
	said := fmt.Sprintf("%.1f GB free", float64(free)/1e9)
	switch {
	case free < spaceFault:
		return Finding{"disk space", Fault, said, "free some; when the disk is full nothing more is stored, and pages keep their events"}
	case free < spaceAttention:
		return Finding{"disk space", Attention, said, "free some, or move the data directory to a larger disk"}
	}
	return ok("disk space", "%s", said)
}

// syncs measures how long the disk takes to have a small change for good.
func syncs(dir string) Finding {
	const what, rounds = "disk speed", 15
	f, err := os.CreateTemp(dir, ".doctor-*")
	if err != nil {
		return Finding{what, Fault, "nothing can be written: " + err.Error(), "make the data directory writable for the user that runs the server"}
	}
	defer os.Remove(f.Name())
	defer f.Close()
	took := make([]time.Duration, rounds)
	page := make([]byte, 4096)
	for i := range took {
		began := time.Now()
		if _, err = f.Write(page); err == nil {
			err = f.Sync()
		}
		if err != nil {
			return Finding{what, Fault, "the disk does not take a change: " + err.Error(), "look at the disk"}
		}
		took[i] = time.Since(began)
	}
	slices.Sort(took)
	median := took[rounds/2]
	said := fmt.Sprintf("a change is on disk after %.1f ms in the median, %.1f ms at most", ms(median), ms(took[rounds-1]))
	const do = "use a local disk that is not busy, no network drive"
	switch {
	case median > syncFault:
		return Finding{what, Fault, said, do}
	case median > syncAttention:
		return Finding{what, Attention, said, do}
	}
	return ok(what, "%s", said)
}

func ms(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }

// keys looks at files that nobody else may read.
func keys(dir string) Finding {
	const what = "key files"
	if runtime.GOOS == "windows" {
		return ok(what, "this system has no such permissions; the data directory is the user's own")
	}
	var open []string
	seen := 0
	for _, name := range []string{record.FileName, "forms.key", vault.FileName, filepath.Join(localca.Folder, localca.AuthorityKey), filepath.Join(localca.Folder, localca.ServerKey)} {
		info, err := os.Stat(filepath.Join(dir, name))
		if err != nil {
			continue
		}
		seen++
		if info.Mode().Perm()&0o077 != 0 {
			open = append(open, filepath.Join(dir, name))
		}
	}
	if len(open) > 0 {
		return Finding{what, Fault, "others may read " + strings.Join(open, ", "), "chmod 600 " + strings.Join(open, " ")}
	}
	return ok(what, "%d files, for their owner alone", seen)
}

// ErrLocked says that nobody gave the passphrase of the record.
var ErrLocked = errors.New("the record is encrypted, and nobody gave its passphrase")

// theRecord opens the record, asks its schema, and reads all of it.
func theRecord(ctx context.Context, l Looking) []Finding {
	const what = "record"
	store, err := l.Open(ctx)
	if errors.Is(err, ErrLocked) {
		return []Finding{{what, Attention, "it is encrypted and was not read", "give its passphrase with --passphrase-file"}}
	}
	if err != nil {
		return []Finding{{what, Fault, err.Error(), "see docs/operation.md, when the record does not open"}}
	}
	defer store.Close()
	schema, err := store.Schema(ctx)
	if err != nil {
		return []Finding{{what, Fault, err.Error(), "see docs/operation.md, when the record does not open"}}
	}
	if err := store.Check(ctx); err != nil {
		return []Finding{{what, Fault, err.Error(), "stop the server, copy the data directory away as it is, and go back to the newest good backup (gradus restore)"}}
	}
	out := []Finding{ok(what, "opens and is whole; schema %d", schema)}
	tests, err := store.Tests(ctx, record.TestFilter{Limit: 1})
	if err == nil && len(tests) > 0 && tests[0].Created.Sub(l.Now()) > recordAhead {
		out = append(out, Finding{"clock and record", Fault, fmt.Sprintf("the newest test is of %s, which this clock has not reached", tests[0].Created.Format(time.RFC3339)), "set the machine's clock; tests that begin now would stand before older ones"})
	}
	return out
}

func backups(l Looking) Finding {
	const what = "backup"
	if l.Database {
		return Finding{what, Attention, "the record is in a database; this program does not know how it is backed up", "see that the database's own backups run (pg_dump, or an archive of its log) and that one was restored on trial"}
	}
	const do = "make one with gradus backup, on another disk, and try it with gradus restore --check"
	newest, ok := backup.Newest(l.Backups)
	if !ok {
		return Finding{what, Attention, "none is known in " + l.Backups, do + "; name another folder with --backup-dir"}
	}
	age := l.Now().Sub(newest)
	said := fmt.Sprintf("the newest is %d hours old", int(age.Hours()))
	switch {
	case age > backupStale:
		return Finding{what, Fault, said, do}
	case age > backupOld:
		return Finding{what, Attention, said, do}
	}
	return Finding{what, OK, said, ""}
}

func certificate(l Looking) Finding {
	const what = "certificate"
	folder := filepath.Join(l.Dir, localca.Folder)
	c, err := localca.Read(filepath.Join(folder, localca.ServerFile))
	if err != nil {
		if os.IsNotExist(err) {
			return ok(what, "none of its own: the server is for this machine alone, or uses one named with --tls-cert")
		}
		return Finding{what, Fault, err.Error(), "make it again with gradus certificate"}
	}
	left := c.NotAfter.Sub(l.Now())
	said := fmt.Sprintf("for %s, ends %s", strings.Join(localca.Names(c), ", "), c.NotAfter.UTC().Format(time.DateOnly))
	_, keyErr := os.Stat(filepath.Join(folder, localca.AuthorityKey))
	switch {
	case left < 0:
		return Finding{what, Fault, said, "renew it with gradus certificate; browsers refuse it"}
	case l.Now().Before(c.NotBefore):
		return Finding{what, Fault, said + ", begins " + c.NotBefore.UTC().Format(time.DateOnly), "set the machine's clock"}
	case left < localca.RenewBefore && keyErr != nil:
		return Finding{what, Attention, said, "bring the authority's key back for a moment and run gradus certificate"}
	}
	if root, err := localca.Read(filepath.Join(folder, localca.AuthorityFile)); err == nil && root.NotAfter.Sub(l.Now()) < 180*24*time.Hour {
		return Finding{what, Attention, said + ", its authority ends " + root.NotAfter.UTC().Format(time.DateOnly), "make a new authority with gradus certificate --new-authority, and let every device trust it"}
	}
	return ok(what, "%s", said)
}

// addresses compares what the certificate is for with where the machine is.
func addresses(l Looking) Finding {
	const what = "network address"
	have := localca.Addresses()
	if len(have) == 0 {
		return ok(what, "on no network; the pages are for this machine alone")
	}
	said := strings.Join(have, ", ")
	c, err := localca.Read(filepath.Join(l.Dir, localca.Folder, localca.ServerFile))
	if err != nil {
		return ok(what, "%s", said)
	}
	for _, ip := range c.IPAddresses {
		if ip.IsGlobalUnicast() && !slices.Contains(have, ip.String()) {
			return Finding{what, Attention, said + "; the certificate is for " + ip.String(), "give the machine a fixed address or a name, or run gradus certificate --new-authority with the present one"}
		}
	}
	return ok(what, "%s", said)
}

// clock compares how far the wall clock went with how far the clock went that never jumps, and says the zone.
func clock(now time.Time, wall, steady time.Duration) Finding {
	const what = "clock"
	zone, offset := now.Zone()
	said := fmt.Sprintf("%s, zone %s (UTC%+d:%02d)", now.Format("2006-01-02 15:04:05"), zone, offset/3600, max(offset, -offset)%3600/60)
	switch {
	case (wall - steady).Abs() > clockJump:
		return Finding{what, Attention, fmt.Sprintf("%s; it jumped by %.1f s while it was looked at", said, (wall - steady).Seconds()), "let the system keep the clock slowly (slew); test time does not follow the jump, the times in the log do"}
	case now.Year() < 2026:
		return Finding{what, Fault, said, "set the machine's clock"}
	}
	return ok(what, "%s", said)
}
