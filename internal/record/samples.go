package record

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"math"
	"strings"

	"gradus/protocol"
)

// maxPayload is the most that one block may hold, in bytes: 10 s of a sensor that floods.
const maxPayload = 64 << 10

// AppendSamples stores blocks of samples.
func (s *core) AppendSamples(ctx context.Context, test string, blocks []Block) error {
	for _, b := range blocks {
		if err := checkBlock(test, b); err != nil {
			return err
		}
	}
	return s.together(ctx, &job{test: test, later: true, blocks: blocks})
}

// testKnown looks a test up once: a test that is there is never taken away.
func (s *core) testKnown(ctx context.Context, q querier, test string) error {
	if _, ok := s.known.Load(test); ok {
		return nil
	}
	if err := testExists(ctx, q, test); err != nil {
		return err
	}
	s.known.Store(test, struct{}{})
	return nil
}

// sameBlock refuses a block under whose number another one is stored.
func (s *core) sameBlock(ctx context.Context, tx *sql.Tx, test string, b Block) error {
	var have Block
	err := tx.StmtContext(ctx, s.st.sample).QueryRowContext(ctx, test, int64(b.Seq)).Scan(&have.From, &have.To, &have.Kind, &have.Payload)
	if err == nil && !have.same(b) {
		return &BlockConflictError{Test: test, Seq: b.Seq}
	}
	return err
}

func (b Block) same(other Block) bool {
	return b.From == other.From && b.To == other.To && b.Kind == other.Kind && bytes.Equal(b.Payload, other.Payload)
}

// Samples returns the blocks of a stretch of test time.
func (s *core) Samples(ctx context.Context, test, kind string, from, to protocol.Ms) ([]Block, error) {
	var blocks []Block
	err := s.read(ctx, func(tx *sql.Tx) error {
		if err := testExists(ctx, tx, test); err != nil {
			return err
		}
		// No block is longer than MaxBlock, so the index finds where the first one can begin.
		return each(ctx, tx, func(rows *sql.Rows) error {
			b := Block{Kind: kind}
			var seq int64
			err := rows.Scan(&seq, &b.From, &b.To, &b.Payload)
			b.Seq = uint64(seq)
			blocks = append(blocks, b)
			return err
		}, `SELECT seq, from_ms, to_ms, payload FROM samples WHERE test = ? AND kind = ? AND from_ms >= ? AND from_ms < ? AND to_ms >= ? ORDER BY from_ms, seq`,
			test, kind, int64(from-MaxBlock), int64(to), int64(from))
	})
	if err != nil {
		return nil, err
	}
	return blocks, nil
}

func checkBlock(test string, b Block) error {
	what := fmt.Sprintf("test %s: samples %d", test, b.Seq)
	switch {
	case b.Seq > math.MaxInt64:
		return &InvalidError{what, "the number is above the largest; number blocks from 1"}
	case b.From < 0 || b.To < b.From || b.To-b.From > MaxBlock:
		return &InvalidError{what, fmt.Sprintf("%d to %d ms is not a stretch of at most %d ms", b.From, b.To, MaxBlock)}
	case b.Kind == "" || len(b.Kind) > 32 || strings.ContainsFunc(b.Kind, func(r rune) bool { return r <= ' ' || r > '~' }):
		return &InvalidError{what, fmt.Sprintf("kind %q is not one word", b.Kind)}
	case len(b.Payload) == 0 || len(b.Payload) > maxPayload:
		return &InvalidError{what, fmt.Sprintf("%d bytes is not between 1 and %d; send smaller blocks", len(b.Payload), maxPayload)}
	}
	return nil
}
