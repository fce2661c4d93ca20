package backup_test

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"gradus/internal/record"
	"gradus/internal/vault"
	"gradus/protocol"
)

// TestLargeRestore backs a large encrypted record up, opens it again by a drill and restores it: 1 GB where GRADUS_SOAK
// is set, as make soak does, 16 MB in every run.
func TestLargeRestore(t *testing.T) {
	size := int64(16 << 20)
	if os.Getenv("GRADUS_SOAK") != "" {
		size = 1 << 30
	}
	s := made(t, true)
	random := rand.New(rand.NewPCG(7, 8))
	payload := func() []byte {
		b := make([]byte, 60_000)
		for i := range b {
			b[i] = byte(random.Uint32())
		}
		return b
	}
	for seq, written := uint64(0), int64(0); written < size; {
		var blocks []record.Block
		for range 40 {
			seq++
			blocks = append(blocks, record.Block{Seq: seq, From: protocol.Ms(10_000 * (seq - 1)), To: protocol.Ms(10_000*(seq-1) + 9_000), Kind: "heart-rate", Payload: payload()})
			written += 60_000
		}
		if err := s.store.AppendSamples(ctx, "t-1", blocks); err != nil {
			t.Fatal(err)
		}
	}
	path := filepath.Join(t.TempDir(), "large.zip")
	start := time.Now()
	m := s.backup(path)
	backed := time.Since(start)
	o, k, err := opened(t, path, withWords)
	if err != nil {
		t.Fatal(err)
	}
	start = time.Now()
	dir := filepath.Join(t.TempDir(), "new")
	if err := o.Restore(ctx, k, dir); err != nil {
		t.Fatal(err)
	}
	restored := time.Since(start)
	f, err := vault.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	if k, err = f.Unlock(words); err != nil {
		t.Fatal(err)
	}
	r, err := vault.Open(ctx, dir, k, record.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	in, err := record.Inspect(ctx, filepath.Join(dir, record.FileName), k.Record())
	if err != nil || in["samples"] != m.Contents["samples"] || in["samples"]*60_000 < size {
		t.Errorf("%v, %v", in, err)
	}
	if blocks, err := r.Samples(ctx, "t-1", "heart-rate", 50_000, 50_001); err != nil || len(blocks) != 1 || len(blocks[0].Payload) != 60_000 {
		t.Errorf("%d blocks, %v", len(blocks), err)
	}
	t.Logf("%.0f MB: backed up and read through in %v, restored and verified in %v", float64(m.Files[0].Size)/1e6, backed.Round(time.Millisecond), restored.Round(time.Millisecond))
}
