package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"
)

// Backup writes a compact copy of the journal to a new file, while it is in
// use. The copy is of one moment. It proves itself with Verify.
func (j *Journal) Backup(ctx context.Context, path string) (err error) {
	if _, err := os.Stat(path); err == nil || !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("back up to %s: the file exists already; name another", path)
	}
	err = Copy(ctx, j.path, path)
	if errors.Is(err, ErrDamaged) {
		j.suspect(err)
	}
	return err
}

// Copy is Backup for a file that nobody has open here, of any version.
func Copy(ctx context.Context, from, to string) (err error) {
	db, err := sql.Open("sqlite", dsn(from, "ro", []pragma{{"busy_timeout", "10000", "10000"}, {"temp_store", "memory", "2"}}))
	if err != nil {
		return fmt.Errorf("back up %s: %w", from, err)
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	if _, err := db.ExecContext(ctx, "VACUUM INTO ?", to); err != nil {
		_ = os.Remove(to) // half a copy is none
		return fmt.Errorf("back up %s to %s: %w", from, to, fault(from, err))
	}
	return syncFile(to)
}

// Version gives the version of a journal file and the one that this program
// writes. A newer file is refused with ErrNewer.
func Version(ctx context.Context, path string) (have, want int, err error) {
	err = look(ctx, path, "read the version", func(c *sql.Conn) (err error) {
		have, err = version(ctx, c, path)
		return err
	})
	return have, schemaVersion(), err
}

// look opens a file of any version for reading; what names it in the error.
func look(ctx context.Context, path, what string, do func(c *sql.Conn) error) (err error) {
	defer func() { err = fault(path, err) }()
	if _, err := os.Stat(path); err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	db, err := sql.Open("sqlite", dsn(path, "ro", readerPragmas))
	if err != nil {
		return fmt.Errorf("%s: %s: %w", what, path, err)
	}
	defer db.Close()
	c, err := db.Conn(ctx)
	if err != nil {
		return fmt.Errorf("%s: %s: %w", what, path, err)
	}
	defer c.Close()
	return do(c)
}

func syncFile(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return fmt.Errorf("back up to %s: %w", path, err)
	}
	return errors.Join(f.Sync(), f.Close())
}

// Proof is what Verify found in a file.
type Proof struct {
	Version  int
	Readings int64
	Facts    int64
	Devices  int64
	Kept     int64 // messages kept aside
	Rows     int64 // readings and facts ever written
	From, To int64 // ms since 1970, of the readings; 0 without readings
	// Received is when the newest reading was received; zero without readings.
	Received time.Time
}

// Verify reads a whole journal file and checks that it is sound, of a version
// that this program knows, and counts what is in it.
func Verify(ctx context.Context, path string) (p Proof, err error) {
	err = look(ctx, path, "verify", func(c *sql.Conn) error { return p.read(ctx, c, path) })
	return p, err
}

func (p *Proof) read(ctx context.Context, c *sql.Conn, path string) (err error) {
	if p.Version, err = version(ctx, c, path); err != nil {
		return err
	}
	if err := sound(ctx, c, path, "integrity_check"); err != nil {
		return fmt.Errorf("verify %s: %w", path, err)
	}
	if p.Version == 0 {
		return fmt.Errorf("verify %s: the file is empty, it is no journal", path)
	}
	var received int64
	for _, q := range []struct {
		dst  *int64
		text string
	}{
		{&p.Readings, "SELECT (SELECT count(*) FROM reading) + (SELECT count(*) FROM increment)"},
		{&p.Facts, "SELECT count(*) FROM fact"},
		{&p.Devices, "SELECT count(DISTINCT device) FROM channel"},
		{&p.Kept, "SELECT count(*) FROM kept"},
		{&p.Rows, "SELECT coalesce((SELECT n FROM counter WHERE name = '" + CountRows + "'), 0)"},
		{&p.From, "SELECT coalesce(min(at), 0) FROM reading"},
		{&p.To, "SELECT coalesce(max(at), 0) FROM reading"},
		{&received, "SELECT coalesce(max(at + lag), 0) FROM reading"},
	} {
		if err := c.QueryRowContext(ctx, q.text).Scan(q.dst); err != nil {
			return fmt.Errorf("verify %s: %w", path, err)
		}
	}
	if received != 0 {
		p.Received = time.UnixMilli(received).UTC()
	}
	return nil
}
