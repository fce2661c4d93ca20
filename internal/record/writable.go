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

// Schema is the version of the record's schema.
func (c *core) Schema(ctx context.Context) (version int64, err error) {
	err = c.reader.QueryRowContext(ctx, `SELECT max(version_id) FROM `+versionTable).Scan(&version)
	return version, c.fault(ctx, err)
}
