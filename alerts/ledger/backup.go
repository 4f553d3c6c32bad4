package ledger

import (
	"context"
	"errors"
	"fmt"
	"os"
)

// Backup writes a whole copy of the ledger to a file that must not exist,
// beside a running writer.
func (l *Ledger) Backup(ctx context.Context, path string) (err error) {
	if _, err := os.Stat(path); !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("back up to %s: the file exists already; name another", path)
	}
	// A connection of its own: the pool's readers are query_only, under which
	// VACUUM INTO is refused.
	db, err := connect(l.path, "&mode=ro", 1)
	if err != nil {
		return fmt.Errorf("back up ledger: %w", err)
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	if _, err := db.ExecContext(ctx, "VACUUM INTO ?", path); err != nil {
		_ = os.Remove(path) // half a copy is none
		return fmt.Errorf("back up %s to %s: %w", l.path, path, err)
	}
	f, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("back up ledger: %w", err)
	}
	return errors.Join(f.Sync(), f.Close())
}

// Verify opens a ledger file, checks its version and its integrity, and says
// what is wrong with it.
func Verify(ctx context.Context, path string) (err error) {
	l, err := OpenReader(ctx, path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, l.Close()) }()
	var verdict string
	if err := l.read.QueryRowContext(ctx, "PRAGMA integrity_check(1)").Scan(&verdict); err != nil {
		return fmt.Errorf("verify %s: %w", path, err)
	}
	if verdict != "ok" {
		return fmt.Errorf("verify %s: %s", path, verdict)
	}
	return nil
}
