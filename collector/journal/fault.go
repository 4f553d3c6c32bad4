package journal

import (
	"errors"
	"fmt"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// ErrDamaged means that the file cannot be trusted: it is no database, or its
// pages contradict each other. Nothing was changed in it.
var ErrDamaged = errors.New("journal is damaged")

// ErrUnwritable means that the file cannot be written now: disk full, disk
// read-only, or an error of the disk. Nothing of the batch was stored, and the
// same batch may be tried again.
var ErrUnwritable = errors.New("journal cannot be written")

// ErrGone means that the file was deleted, moved or replaced while it was in
// use. Nothing of the batch was stored. What was stored before is in the file
// that the process still holds open.
var ErrGone = errors.New("journal is gone")

// ErrRefused means that something in the batch can never be stored: trying the
// same again is of no use, the rest of the batch can be stored without it.
var ErrRefused = errors.New("journal refuses the content")

// full says whether an error of SQLite is that of a full disk.
func full(err error) bool {
	var e *sqlite.Error
	return errors.As(err, &e) && e.Code()&0xff == sqlite3.SQLITE_FULL
}

// fault gives an error of SQLite its meaning.
func fault(path string, err error) error {
	var e *sqlite.Error
	if err == nil || !errors.As(err, &e) {
		return err
	}
	switch e.Code() & 0xff { // extended codes keep the primary one in the low byte
	case sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT:
		return fmt.Errorf("%w: %s: %w\ntry: %s", ErrDamaged, path, err, tryDamaged)
	case sqlite3.SQLITE_CONSTRAINT, sqlite3.SQLITE_MISMATCH, sqlite3.SQLITE_TOOBIG, sqlite3.SQLITE_RANGE:
		return fmt.Errorf("%w: %s: %w", ErrRefused, path, err)
	case sqlite3.SQLITE_FULL:
		return fmt.Errorf("%w: disk full: %s: %w\ntry: free space on the disk of the data directory", ErrUnwritable, path, err)
	case sqlite3.SQLITE_READONLY:
		return fmt.Errorf("%w: file or disk is read-only: %s: %w\ntry: make the file writable for the user that runs dwindle; a disk that the system has turned read-only has a fault, see the system's log", ErrUnwritable, path, err)
	case sqlite3.SQLITE_IOERR:
		return fmt.Errorf("%w: disk error: %s: %w\ntry: see the system's log for faults of the disk, and keep a backup elsewhere", ErrUnwritable, path, err)
	case sqlite3.SQLITE_CANTOPEN:
		return fmt.Errorf("%w: cannot open %s (this user must be able to write in its directory, even to read): %w", ErrUnwritable, path, err)
	}
	return err
}
