package record

import "context"

// Writable tries whether the record takes a change. It changes nothing.
func (c *core) Writable(ctx context.Context) error {
	if c.writer == nil {
		return &StorageError{Path: c.place, Kind: ErrReadOnly}
	}
	tx, err := c.writer.BeginTx(ctx, nil)
	if err != nil {
		return c.fault(ctx, err)
	}
	defer tx.Rollback() //nolint:errcheck // nothing was changed
	_, err = tx.ExecContext(ctx, `UPDATE tests SET title = title WHERE id = ''`)
	return c.fault(ctx, err)
}
