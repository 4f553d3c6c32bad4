package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// ErrDamaged means that the file cannot be trusted: it is no database, or its
// pages contradict each other.
var ErrDamaged = errors.New("ledger is damaged")

// ErrGone means that the file was deleted, moved or replaced while it was in
// use. Nothing of the change was stored.
var ErrGone = errors.New("ledger is gone")

// ErrNewer means that the file was written by a newer program.
var ErrNewer = errors.New("ledger is from a newer version of dwindle")

// fault gives an error of SQLite that tells of damage its meaning.
func fault(path string, err error) error {
	var e *sqlite.Error
	if err == nil || !errors.As(err, &e) {
		return err
	}
	switch e.Code() & 0xff { // extended codes keep the primary one in the low byte
	case sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT:
		return fmt.Errorf("%w: %s: %w\ntry: dwindle serve puts it aside and goes on from the newest snapshot by itself; where that fails, stop it and `dwindle restore` the newest backup", ErrDamaged, path, err)
	}
	return err
}

// inPlace says that the file is still the one under the ledger's name: what is
// written to one that was taken away is gone when the process ends.
func (l *Ledger) inPlace() error {
	now, err := os.Stat(l.path)
	if err == nil && os.SameFile(now, l.file) {
		return nil
	}
	return fmt.Errorf("%w: %s was deleted, moved or replaced while in use\ntry: put the file back under its name; or stop dwindle and `dwindle restore` the newest backup", ErrGone, l.path)
}

// Check looks for contradictions in the file; one that has any is ErrDamaged.
func (l *Ledger) Check(ctx context.Context) error {
	if err := sound(ctx, l.read, l.path, "quick_check"); err != nil {
		return fmt.Errorf("check %s: %w", l.path, fault(l.path, err))
	}
	return nil
}

// sound makes one of SQLite's checks; a file with contradictions is ErrDamaged.
func sound(ctx context.Context, db *sql.DB, path, how string) error {
	var verdict string
	if err := db.QueryRowContext(ctx, "PRAGMA "+how+"(1)").Scan(&verdict); err != nil {
		return err
	}
	if verdict != "ok" {
		return fmt.Errorf("%w: %s: %s", ErrDamaged, path, verdict)
	}
	return nil
}
