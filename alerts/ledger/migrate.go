package ledger

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
)

//go:embed migrations/*.sql
var migrations embed.FS

// steps gives the migrations in order; the n-th leads to user_version n.
func steps() ([]string, error) {
	names, err := fs.Glob(migrations, "migrations/*.sql")
	if err != nil {
		return nil, err
	}
	out := make([]string, len(names))
	for i, name := range names {
		b, err := migrations.ReadFile(name)
		if err != nil {
			return nil, err
		}
		out[i] = string(b)
	}
	return out, nil
}

// migrate brings the file to the newest form, one transaction a step. There is
// no way back but a backup.
func migrate(ctx context.Context, db *sql.DB, path string) error {
	all, err := steps()
	if err != nil {
		return fmt.Errorf("open ledger %s: %w", path, err)
	}
	version, err := versionOf(ctx, db, path, len(all))
	if err != nil {
		return err
	}
	for n := version; n < len(all); n++ {
		if err := step(ctx, db, all[n], n+1); err != nil {
			return fmt.Errorf("bring ledger %s to form %d: %w", path, n+1, err)
		}
	}
	return nil
}

func step(ctx context.Context, db *sql.DB, script string, version int) error {
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, script); err != nil {
		return errors.Join(err, tx.Rollback())
	}
	if _, err := tx.ExecContext(ctx, fmt.Sprintf("PRAGMA user_version = %d", version)); err != nil {
		return errors.Join(err, tx.Rollback())
	}
	return tx.Commit()
}

// known refuses a file in a form that this program does not read.
func known(ctx context.Context, db *sql.DB, path string) error {
	all, err := steps()
	if err != nil {
		return fmt.Errorf("open ledger %s: %w", path, err)
	}
	version, err := versionOf(ctx, db, path, len(all))
	if err != nil {
		return err
	}
	if version < len(all) {
		return fmt.Errorf("open ledger %s: its form %d is older than form %d of this program\ntry: start dwindle serve once, which renews it", path, version, len(all))
	}
	return nil
}

func versionOf(ctx context.Context, db *sql.DB, path string, newest int) (int, error) {
	var version int
	if err := db.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version); err != nil {
		return 0, fmt.Errorf("open ledger %s: %w\ntry: restore it from a backup if it is damaged", path, err)
	}
	if version > newest {
		return 0, fmt.Errorf("%w: %s has form %d, this program knows up to %d; the copy made before the upgrade can be put back\ntry: the newer dwindle, or `dwindle restore -c SITE.yaml --before-upgrade --replace`", ErrNewer, path, version, newest)
	}
	return version, nil
}
