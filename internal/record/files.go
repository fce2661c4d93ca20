package record

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
)

// Files is the part of a store that keeps what would else lie beside the record, in the directory of one server: so it is
// encrypted, backed up and moved with the record, and the same at every server.
type Files interface {
	// File returns a file with its content, or ErrNotFound.
	File(ctx context.Context, kind, name, version string) (File, error)
	// FilesOf returns all files of a kind with their content, by name and version. It is not meant for large ones.
	FilesOf(ctx context.Context, kind string) ([]File, error)
	// KeepFile keeps a file and returns it with its moment. One that is there is replaced only when over says so; else the
	// same content once more changes nothing, and another is a FileTakenError.
	KeepFile(ctx context.Context, f File, over bool) (File, error)
	// DropFiles removes all versions of a file; none is no error.
	DropFiles(ctx context.Context, kind, name string) error
	// DropOldFiles removes the files of a kind that were kept longer ago than age, and the oldest until so many names are left.
	DropOldFiles(ctx context.Context, kind string, age time.Duration, most int) error
	// StudyCodes returns the study codes of a site by the clinic's codes of its people; site 0 is the first one.
	StudyCodes(ctx context.Context, site int64) (map[string]string, error)
	// KeepStudyCodes keeps the codes of those who have none yet and returns all that hold then.
	KeepStudyCodes(ctx context.Context, site int64, codes map[string]string) (map[string]string, error)
}

// Kinds of files.
const (
	FileProtocol = "protocol" // of the site: id, version
	FileVerified = "verified" // a comparison of an equation with its paper: id of the equation
	FileMapping  = "mapping"  // of the columns of a spreadsheet: id
	FileUpload   = "upload"   // a spreadsheet that somebody looks at, or its mapping: drawn by chance
	FileCard     = "card"     // the site's card: a version each
)

// File is a named file of the record.
type File struct {
	ID      int64
	Kind    string
	Name    string
	Version string // or ""
	Title   string // what people call it, or ""
	Content []byte // at most 32 MiB
	By      string // or "", of one that was taken over from a directory
	At      time.Time
}

// FileTakenError says that another content is kept under a name.
type FileTakenError struct{ Kind, Name, Version string }

func (e *FileTakenError) Error() string {
	return fmt.Sprintf("record: %s %s %s is kept with another content; give it another version", e.Kind, e.Name, e.Version)
}

const (
	mostFile    = 32 << 20
	fileColumns = `id, kind, name, version, title, content, by, at_ms`
)

func scanFile(row interface{ Scan(...any) error }, f *File) error {
	var at int64
	err := row.Scan(&f.ID, &f.Kind, &f.Name, &f.Version, &f.Title, &f.Content, &f.By, &at)
	f.At = fromMs(at)
	return err
}

// File returns a file with its content.
func (s *core) File(ctx context.Context, kind, name, version string) (f File, err error) {
	f, err = oneFile(ctx, s.reader, kind, name, version)
	return f, s.fault(ctx, err)
}

func oneFile(ctx context.Context, q querier, kind, name, version string) (f File, err error) {
	err = scanFile(q.QueryRowContext(ctx, `SELECT `+fileColumns+` FROM files WHERE kind = ? AND name = ? AND version = ?`, kind, name, version), &f)
	if errors.Is(err, sql.ErrNoRows) {
		return File{}, fmt.Errorf("record: %s %s %s: %w", kind, name, version, ErrNotFound)
	}
	return f, err
}

// FilesOf returns all files of a kind.
func (s *core) FilesOf(ctx context.Context, kind string) (list []File, err error) {
	err = each(ctx, s.reader, func(rows *sql.Rows) error {
		var f File
		err := scanFile(rows, &f)
		list = append(list, f)
		return err
	}, `SELECT `+fileColumns+` FROM files WHERE kind = ? ORDER BY name, version`, kind)
	return list, s.fault(ctx, err)
}

// KeepFile keeps a file.
func (s *core) KeepFile(ctx context.Context, f File, over bool) (File, error) {
	f.By, f.Title = strings.TrimSpace(f.By), strings.TrimSpace(f.Title)
	what := fmt.Sprintf("%s %s %s", f.Kind, f.Name, f.Version)
	switch {
	case f.Kind == "" || f.Name == "" || len(f.Name) > 200 || len(f.Version) > 200 || len(f.Title) > 400 || len(f.By) > 400:
		return File{}, &InvalidError{what, "it needs a kind and a name, and no part of them may be longer than 200 characters"}
	case len(f.Content) == 0 || len(f.Content) > mostFile:
		return File{}, &InvalidError{what, fmt.Sprintf("it is empty or longer than %d MiB", mostFile>>20)}
	}
	err := s.write(ctx, func(tx *sql.Tx) error {
		have, err := oneFile(ctx, tx, f.Kind, f.Name, f.Version)
		switch {
		case errors.Is(err, ErrNotFound):
			f.At = s.stamp()
			return tx.QueryRowContext(ctx, `INSERT INTO files (kind, name, version, title, content, by, at_ms) VALUES (?, ?, ?, ?, ?, ?, ?) RETURNING id`,
				f.Kind, f.Name, f.Version, f.Title, f.Content, f.By, ms(f.At)).Scan(&f.ID)
		case err != nil:
			return err
		case slices.Equal(have.Content, f.Content):
			f = have
			return nil
		case !over:
			return &FileTakenError{f.Kind, f.Name, f.Version}
		}
		f.ID, f.At = have.ID, s.stamp()
		_, err = tx.ExecContext(ctx, `UPDATE files SET title = ?, content = ?, by = ?, at_ms = ? WHERE id = ?`, f.Title, f.Content, f.By, ms(f.At), f.ID)
		return err
	})
	if err != nil {
		return File{}, err
	}
	return f, nil
}

// DropFiles removes all versions of a file.
func (s *core) DropFiles(ctx context.Context, kind, name string) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `DELETE FROM files WHERE kind = ? AND name = ?`, kind, name)
		return err
	})
}

// DropOldFiles removes the files of a kind that are old or too many.
func (s *core) DropOldFiles(ctx context.Context, kind string, age time.Duration, most int) error {
	return s.write(ctx, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, `DELETE FROM files WHERE kind = ? AND at_ms < ?`, kind, ms(s.stamp().Add(-age))); err != nil {
			return err
		}
		_, err := tx.ExecContext(ctx, `DELETE FROM files WHERE kind = ? AND name NOT IN (SELECT name FROM files WHERE kind = ? GROUP BY name ORDER BY max(id) DESC LIMIT ?)`, kind, kind, most)
		return err
	})
}

// StudyCodes returns the study codes of a site.
func (s *core) StudyCodes(ctx context.Context, site int64) (map[string]string, error) {
	codes, err := studyCodes(ctx, s.reader, firstSite(site))
	return codes, s.fault(ctx, err)
}

func firstSite(site int64) int64 {
	if site == 0 {
		return FirstSite
	}
	return site
}

func studyCodes(ctx context.Context, q querier, site int64) (map[string]string, error) {
	codes := map[string]string{}
	err := each(ctx, q, func(rows *sql.Rows) error {
		var who, code string
		err := rows.Scan(&who, &code)
		codes[who] = code
		return err
	}, `SELECT participant, code FROM study_codes WHERE site = ?`, site)
	return codes, err
}

// KeepStudyCodes keeps the codes of those who have none yet.
func (s *core) KeepStudyCodes(ctx context.Context, site int64, codes map[string]string) (all map[string]string, err error) {
	site = firstSite(site)
	for who, code := range codes {
		if who == "" || code == "" || len(who) > 200 || len(code) > 64 {
			return nil, &InvalidError{"study code", "it needs whose it is, at most 200 characters, and a code of at most 64"}
		}
	}
	err = s.write(ctx, func(tx *sql.Tx) error {
		for _, who := range slices.Sorted(maps.Keys(codes)) {
			if _, err := tx.ExecContext(ctx, `INSERT INTO study_codes (site, participant, code) VALUES (?, ?, ?) ON CONFLICT DO NOTHING`, site, who, codes[who]); err != nil {
				return err
			}
		}
		all, err = studyCodes(ctx, tx, site)
		return err
	})
	return all, err
}

// followCode lets a person's study code stay with the person when the clinic's code changes.
func followCode(ctx context.Context, tx *sql.Tx, site int64, p Participant) error {
	_, err := tx.ExecContext(ctx, `UPDATE study_codes SET participant = ? WHERE site = ? AND participant = (SELECT code FROM participants WHERE id = ?)
		AND NOT EXISTS (SELECT 1 FROM study_codes o WHERE o.site = ? AND o.participant = ?)`, p.Code, site, p.ID, site, p.Code)
	return err
}
