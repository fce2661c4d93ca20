package record_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"reflect"
	"testing"

	"github.com/ncruces/go-sqlite3/vfs"

	"gradus/conduct"
	"gradus/internal/record"
	"gradus/internal/record/recordtest"
)

// often is a number of rounds: few in every run, many where GRADUS_SOAK is set, as make soak does.
func often(few, many int) int {
	if os.Getenv("GRADUS_SOAK") != "" {
		return many
	}
	return few
}

// TestPowerCut pulls the plug at a random write or sync. What was acknowledged is there, no call is there by half,
// and the file is sound.
func TestPowerCut(t *testing.T) { powerCuts(t, nil) }

// TestPowerCutEncrypted does the same below the encryption, which writes whole blocks: each append to the log writes its
// last block once more, and a torn one cannot be read at all.
func TestPowerCutEncrypted(t *testing.T) { powerCuts(t, testKey) }

func powerCuts(t *testing.T, key []byte) {
	rounds := often(20, 400)
	acknowledged, synced := 0, 0
	for seed := range rounds {
		c := cutRun{seed: uint64(seed), synchronous: "2", key: key}
		if err := c.run(t); err != nil {
			t.Fatalf("cut %d: %v", seed, err)
		}
		acknowledged += c.acknowledged
		synced += c.syncs
	}
	t.Logf("%d cuts, %d events acknowledged before them, %d syncs", rounds, acknowledged, synced)
	if acknowledged < 20*rounds {
		t.Errorf("only %d events were acknowledged in %d rounds; that proves little", acknowledged, rounds)
	}
}

// The control: with syncing off, or only at checkpoints, the same test must fail, or it shows nothing.
func TestPowerCutShowsMissingSyncs(t *testing.T) {
	for name, c := range map[string]cutRun{
		"off": {synchronous: "0"}, "normal": {synchronous: "1"},
		"off, encrypted": {synchronous: "0", key: testKey}, "normal, encrypted": {synchronous: "1", key: testKey},
	} {
		var lost error
		for seed := uint64(0); lost == nil && seed < 20; seed++ {
			c.seed = seed
			lost = c.run(t)
		}
		if lost == nil {
			t.Errorf("synchronous=%s lost nothing in 20 power cuts: the test cannot see a loss", name)
		}
		t.Logf("synchronous=%s: %v", name, lost)
	}
}

// cutRun is one power cut.
type cutRun struct {
	seed        uint64
	synchronous string
	key         []byte // nil: not encrypted

	random       *rand.Rand
	store        *record.SQLite
	made         map[string]bool            // tests acknowledged
	kept         map[string][]conduct.Event // events acknowledged
	flying       map[string][]conduct.Event // sent, not acknowledged
	blocks       map[string]int             // blocks of samples acknowledged
	acknowledged int
	syncs        int
}

// run writes until the cut and returns what the record says against its promise.
func (c *cutRun) run(t *testing.T) error {
	c.random, c.acknowledged, c.syncs = rand.New(rand.NewPCG(c.seed, 7)), 0, 0
	c.made, c.kept, c.flying, c.blocks = map[string]bool{}, map[string][]conduct.Event{}, map[string][]conduct.Event{}, map[string]int{}
	within := 2000
	if c.seed%4 == 0 { // while the file is made, or soon after
		within = 150
	}
	// Chance of its own: the disk is also used by what the record does in the background.
	disk := newCutDisk(rand.New(rand.NewPCG(c.seed, 8)), c.random.IntN(within))
	name := fmt.Sprintf("cut-%s-%d", c.synchronous, c.seed)
	var layer vfs.VFS = disk
	if c.key != nil {
		layer, name = record.Encrypting(disk), name+"-encrypted"
	}
	vfs.Register(name, layer)
	defer vfs.Unregister(name)

	pages := []int{3, 40, 1000}[c.random.IntN(3)]
	store, err := record.OpenUnsynced(ctx, t.TempDir(), name, c.key, c.synchronous, fmt.Sprintf("wal_autocheckpoint(%d)", pages))
	if err == nil {
		c.store = store
		err = c.write()
		store.Close()
	}
	if err != nil && !disk.off {
		t.Fatalf("seed %d: refused before the cut: %v", c.seed, err)
	}
	dir := t.TempDir()
	if err := disk.restore(dir); err != nil {
		t.Fatal(err)
	}
	c.syncs = disk.syncs
	return c.verify(dir)
}

// write appends to three tests, one event or several at once, with samples between, until an error.
func (c *cutRun) write() error {
	for range 300 {
		id := fmt.Sprint("t", c.random.IntN(3))
		if !c.made[id] {
			if _, err := c.store.NewTest(ctx, recordtest.NewTest(id)); err != nil {
				return err
			}
			c.made[id] = true
		}
		if c.random.IntN(5) == 0 {
			if err := c.store.AppendSamples(ctx, id, []record.Block{sampled(c.blocks[id])}); err != nil {
				return err
			}
			c.blocks[id]++
		}
		next := len(c.kept[id]) + 1
		for n := range 1 + c.random.IntN(3)*c.random.IntN(3) {
			c.flying[id] = append(c.flying[id], recordtest.Event(1, uint32(next+n)))
		}
		if _, err := c.store.Append(ctx, id, c.flying[id]); err != nil {
			return err
		}
		c.acknowledged += len(c.flying[id])
		c.kept[id] = append(c.kept[id], c.flying[id]...)
		c.flying[id] = nil
	}
	return nil
}

func sampled(i int) record.Block {
	return record.Block{Seq: uint64(i), From: 0, To: 9000, Kind: "heart-rate", Payload: make([]byte, 1+i*37%3000)}
}

// verify opens what the cut left.
func (c *cutRun) verify(dir string) error {
	s, err := record.Open(ctx, dir, record.Options{Key: c.key})
	if err != nil {
		return fmt.Errorf("reopening: %w", err)
	}
	defer s.Close()
	if err := intact(s); err != nil {
		return err
	}
	for id := range c.made {
		if err := c.verifyTest(s, id); err != nil {
			return fmt.Errorf("test %s: %w", id, err)
		}
	}
	return nil
}

func (c *cutRun) verifyTest(s *record.SQLite, id string) error {
	have, err := s.Events(ctx, id)
	if err != nil {
		return err
	}
	want, whole := c.kept[id], append(c.kept[id][:len(c.kept[id]):len(c.kept[id])], c.flying[id]...)
	if len(have) != len(want) && len(have) != len(whole) {
		return fmt.Errorf("%d events are there; %d were acknowledged and %d under way", len(have), len(want), len(whole)-len(want))
	}
	for i := range have {
		if !reflect.DeepEqual(have[i], whole[i]) {
			return fmt.Errorf("event %v has changed", have[i].ID())
		}
	}
	blocks, err := s.Samples(ctx, id, "heart-rate", 0, 1)
	if err == nil && len(blocks) < c.blocks[id] {
		err = fmt.Errorf("%d blocks of samples are there; %d were acknowledged", len(blocks), c.blocks[id])
	}
	if err != nil {
		return err
	}
	// The page sends again what it holds; then nothing is missing.
	if _, err := s.Append(ctx, id, whole); err != nil {
		return fmt.Errorf("sent again: %w", err)
	}
	if have, err = s.Events(ctx, id); err == nil && len(have) != len(whole) {
		err = errors.New("events are missing after they were sent again")
	}
	return err
}
