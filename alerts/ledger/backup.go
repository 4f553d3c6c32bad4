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
	return Copy(ctx, l.path, path)
}

// Copy is Backup for a file that nobody has open here, of any form.
func Copy(ctx context.Context, from, to string) (err error) {
	// A connection of its own: the pool's readers are query_only, under which
	// VACUUM INTO is refused.
	db, err := connect(from, "&mode=ro", 1)
	if err != nil {
		return fmt.Errorf("back up ledger: %w", err)
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	if _, err := db.ExecContext(ctx, "VACUUM INTO ?", to); err != nil {
		_ = os.Remove(to) // half a copy is none
		return fmt.Errorf("back up %s to %s: %w", from, to, fault(from, err))
	}
	f, err := os.Open(to)
	if err != nil {
		return fmt.Errorf("back up ledger: %w", err)
	}
	return errors.Join(f.Sync(), f.Close())
}

// Version gives the form of a ledger file and the one that this program
// writes. A newer file is refused with ErrNewer.
func Version(ctx context.Context, path string) (have, want int, err error) {
	all, err := steps()
	if err != nil {
		return 0, 0, fmt.Errorf("open ledger %s: %w", path, err)
	}
	if _, err := os.Stat(path); err != nil {
		return 0, len(all), fmt.Errorf("open ledger: %w", err)
	}
	db, err := connect(path, "&mode=ro&_pragma=query_only(1)", 1)
	if err != nil {
		return 0, len(all), err
	}
	defer db.Close()
	have, err = versionOf(ctx, db, path, len(all))
	return have, len(all), fault(path, err)
}

// Proof is what Verify found in a file.
type Proof struct {
	Version     int
	Alarms      int64
	Occurrences int64
	Transitions int64
	Log         int64 // entries of the logbook
}

// Verify reads a whole ledger file, of this form or an older one, checks that
// it is sound, and counts what is in it.
func Verify(ctx context.Context, path string) (p Proof, err error) {
	defer func() { err = fault(path, err) }()
	if p.Version, _, err = Version(ctx, path); err != nil {
		return p, err
	}
	db, err := connect(path, "&mode=ro&_pragma=query_only(1)", 1)
	if err != nil {
		return p, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	if err := sound(ctx, db, path, "integrity_check"); err != nil {
		return p, fmt.Errorf("verify %s: %w", path, err)
	}
	if p.Version == 0 {
		return p, fmt.Errorf("verify %s: the file is empty, it is no ledger", path)
	}
	for _, q := range []struct {
		dst   *int64
		table string
	}{{&p.Alarms, "alarm"}, {&p.Occurrences, "occurrence"}, {&p.Transitions, "transition"}, {&p.Log, "logbook"}} {
		if err := db.QueryRowContext(ctx, "SELECT count(*) FROM "+q.table).Scan(q.dst); err != nil {
			return p, fmt.Errorf("verify %s: %w", path, err)
		}
	}
	return p, nil
}
