package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// Kept returns a small thing that was kept under a name, or ErrNotFound.
func (s *core) Kept(ctx context.Context, name string) ([]byte, error) {
	var content []byte
	err := s.reader.QueryRowContext(ctx, `SELECT content FROM kept WHERE name = ?`, name).Scan(&content)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, fmt.Errorf("record: %s: %w", name, ErrNotFound)
	}
	return content, s.fault(ctx, err)
}

// Keep keeps something under a name in place of what is there.
func (s *core) Keep(ctx context.Context, name string, content []byte) error {
	return s.keep(ctx, `INSERT INTO kept (name, content) VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET content = excluded.content`, name, content)
}

// KeepFirst keeps something under a name unless something is there, and returns what is there then.
func (s *core) KeepFirst(ctx context.Context, name string, content []byte) ([]byte, error) {
	if err := s.keep(ctx, `INSERT INTO kept (name, content) VALUES (?, ?) ON CONFLICT (name) DO NOTHING`, name, content); err != nil {
		return nil, err
	}
	return s.Kept(ctx, name)
}

// keep writes by one statement, which needs no lock of its own.
func (s *core) keep(ctx context.Context, query string, args ...any) error {
	if s.writer == nil {
		return &StorageError{Path: s.place, Server: s.server, Kind: ErrReadOnly, Err: errOpenedReadOnly}
	}
	_, err := s.writer.ExecContext(ctx, query, args...)
	return s.fault(ctx, err)
}
