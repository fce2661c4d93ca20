package record_test

import (
	"bufio"
	"encoding/hex"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"reflect"
	"testing"
	"time"

	"gradus/conduct"
	"gradus/internal/pgtest"
	"gradus/internal/record"
	"gradus/internal/record/recordtest"
)

// The test binary is its own child: what the child does, and where.
const (
	childTask = "GRADUS_RECORD_CHILD"
	childDir  = "GRADUS_RECORD_DIR"
	childKey  = "GRADUS_RECORD_KEY" // in hex; "": not encrypted
)

// testKey is the key of the encrypted records of the tests.
var testKey = []byte("invented key of thirty-two bytes")

func childOptions() record.Options {
	key, err := hex.DecodeString(os.Getenv(childKey))
	if err != nil || len(key) == 0 {
		return record.Options{}
	}
	return record.Options{Key: key}
}

func TestMain(m *testing.M) {
	switch os.Getenv(childTask) {
	case "":
		os.Exit(pgtest.Main(m))
	case "append":
		fmt.Fprintln(os.Stderr, appendForever(os.Getenv(childDir)))
	case "open":
		fmt.Println(openOnce(os.Getenv(childDir), record.Options{}))
		fmt.Println(openOnce(os.Getenv(childDir), record.Options{ReadOnly: true}))
	}
	os.Exit(3)
}

func child(program, task, dir string) *exec.Cmd {
	c := exec.Command(program)
	c.Env = append(os.Environ(), childTask+"="+task, childDir+"="+dir)
	c.Stderr = os.Stderr
	return c
}

func openOnce(dir string, o record.Options) error {
	s, err := record.Open(ctx, dir, o)
	if err != nil {
		return err
	}
	return s.Close()
}

// appendForever takes the pen and tells of each event when it is acknowledged.
func appendForever(dir string) error {
	s, err := record.Open(ctx, dir, childOptions())
	if err != nil {
		return err
	}
	if _, err := s.NewTest(ctx, recordtest.NewTest("t")); err != nil {
		return err
	}
	marks, err := s.Append(ctx, "t", nil)
	if err != nil {
		return err
	}
	term := uint32(1)
	if len(marks) > 0 {
		term = marks[len(marks)-1].Term + 1
	}
	for n := uint32(1); ; {
		var events []conduct.Event
		for range 1 + n%3 {
			events = append(events, recordtest.Event(term, n))
			n++
		}
		if _, err := s.Append(ctx, "t", events); err != nil {
			return err
		}
		fmt.Println(term, n-1)
	}
}

// TestKill kills a program that writes, with kill -9 at a random moment, again and again on the same file.
func TestKill(t *testing.T) { kills(t, nil) }

// TestKillEncrypted does the same to an encrypted record.
func TestKillEncrypted(t *testing.T) { kills(t, testKey) }

func kills(t *testing.T, key []byte) {
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	rounds := often(20, 1000)
	dir := t.TempDir()
	random := rand.New(rand.NewPCG(1, 2))
	acknowledged := record.Marks{}
	total := 0
	for round := range rounds {
		writer := child(program, "append", dir)
		writer.Env = append(writer.Env, childKey+"="+hex.EncodeToString(key))
		for _, id := range killed(t, writer, random) {
			acknowledged = append(acknowledged, id)
			total += int(id.N)
		}
		if err := allThere(t, dir, key, acknowledged); err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
	}
	t.Logf("%d kills, %d events acknowledged", rounds, total)
	if total < rounds {
		t.Errorf("only %d events were acknowledged in %d rounds; that proves little", total, rounds)
	}
}

// killed runs a writer until it is killed and returns the last event that it had acknowledged.
func killed(t *testing.T, c *exec.Cmd, random *rand.Rand) (last []conduct.ID) {
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	kill := func() { c.Process.Kill() }
	if random.IntN(4) == 0 { // while it starts or soon after
		time.AfterFunc(time.Duration(random.IntN(60))*time.Millisecond, kill)
	}
	lines := bufio.NewScanner(out)
	for after := random.IntN(300); lines.Scan(); after-- {
		var id conduct.ID
		if _, err := fmt.Sscan(lines.Text(), &id.Term, &id.N); err != nil {
			t.Fatalf("the child says %q: %v", lines.Text(), err)
		}
		last = []conduct.ID{id}
		if after == 0 {
			time.AfterFunc(time.Duration(random.IntN(1500))*time.Microsecond, kill)
		}
	}
	var ended *exec.ExitError
	if err := c.Wait(); !errors.As(err, &ended) || ended.ExitCode() == 3 {
		t.Fatalf("the child ended by itself: %v", err)
	}
	return last
}

func allThere(t *testing.T, dir string, key []byte, acknowledged record.Marks) error {
	s := openKeyed(t, dir, key)
	defer s.Close()
	if err := intact(s); err != nil {
		return err
	}
	events, err := s.Events(ctx, "t")
	if errors.Is(err, record.ErrNotFound) && len(acknowledged) == 0 {
		return nil
	}
	if err != nil {
		return err
	}
	var have record.Marks
	for i, e := range events {
		if !reflect.DeepEqual(e, recordtest.Event(e.Term, e.N)) {
			return fmt.Errorf("event %v has changed", e.ID())
		}
		if e.N != 1 && e.N != events[i-1].N+1 {
			return fmt.Errorf("there is a gap before event %v", e.ID())
		}
		if e.N == 1 {
			have = append(have, e.ID())
		}
		have[len(have)-1] = e.ID()
	}
	for _, id := range acknowledged {
		if have.N(id.Term) < id.N {
			return fmt.Errorf("event %v was acknowledged; the last one there is %d.%d", id, id.Term, have.N(id.Term))
		}
	}
	return nil
}
