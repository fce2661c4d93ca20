package recordtest

import (
	"math"
	"testing"

	"gradus/internal/record"
	"gradus/protocol"
)

// block is 10 s of invented heart rates.
func block(seq uint64, from protocol.Ms) record.Block {
	var samples []record.Sample
	for i := range 10 {
		samples = append(samples, record.Sample{At: from + protocol.Ms(i)*protocol.Second, V: float64(90 + i)})
	}
	return record.Block{Seq: seq, From: from, To: from + 9*protocol.Second, Kind: "heart-rate", Payload: record.Pack(samples)}
}

func samples(t *testing.T, b *bench) {
	b.test(t, "t")
	ten := 10 * protocol.Second
	list := []record.Block{block(1, 0), block(2, ten), block(record.SeqOf(2, 1), 2*ten), block(3, 3*ten)}
	other := block(4, 0)
	other.Kind = "cadence"
	for _, call := range [][]record.Block{list[:2], list[1:3], {other, list[3]}, list, nil} {
		if err := b.AppendSamples(ctx, "t", call); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct {
		from, to protocol.Ms
		want     []record.Block
	}{
		{0, math.MaxInt32, list},
		{0, ten, list[:1]},
		{9 * protocol.Second, ten, list[:1]},
		{9*protocol.Second + 1, ten, nil},
		{ten + 1, 3*ten + 1, list[1:]},
		{ten, 3 * ten, list[1:3]},
		{5 * ten, 6 * ten, nil},
	} {
		equal(t, "samples", must(b.Samples(ctx, "t", "heart-rate", c.from, c.to))(t), c.want)
	}
	equal(t, "another kind", must(b.Samples(ctx, "t", "cadence", 0, ten))(t), []record.Block{other})
	equal(t, "unknown kind", len(must(b.Samples(ctx, "t", "power", 0, ten))(t)), 0)
}

func samplesRefused(t *testing.T, b *bench) {
	b.test(t, "t")
	good := block(1, 0)
	if err := b.AppendSamples(ctx, "t", []record.Block{good}); err != nil {
		t.Fatal(err)
	}
	twin := good
	twin.Payload = append([]byte{1}, good.Payload...)
	err := b.AppendSamples(ctx, "t", []record.Block{block(2, 0), twin})
	equal(t, "number", refused[*record.BlockConflictError](t, "other samples", err).Seq, uint64(1))
	for what, change := range map[string]func(*record.Block){
		"too long":     func(b *record.Block) { b.To = b.From + record.MaxBlock + 1 },
		"backwards":    func(b *record.Block) { b.To = b.From - 1 },
		"before":       func(b *record.Block) { b.From = -1 },
		"no kind":      func(b *record.Block) { b.Kind = "" },
		"two words":    func(b *record.Block) { b.Kind = "heart rate" },
		"no payload":   func(b *record.Block) { b.Payload = nil },
		"much payload": func(b *record.Block) { b.Payload = make([]byte, 65<<10) },
		"high number":  func(b *record.Block) { b.Seq = 1 << 63 },
	} {
		bad := block(3, 10*protocol.Second)
		change(&bad)
		refused[*record.InvalidError](t, what, b.AppendSamples(ctx, "t", []record.Block{block(2, 0), bad}))
	}
	missing(t, "samples of an unknown test", b.AppendSamples(ctx, "u", []record.Block{good}))
	_, err = b.Samples(ctx, "u", "heart-rate", 0, 1)
	missing(t, "samples of an unknown test", err)
	equal(t, "samples", must(b.Samples(ctx, "t", "heart-rate", 0, math.MaxInt32))(t), []record.Block{good})
}
