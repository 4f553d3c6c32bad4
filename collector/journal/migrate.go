package journal

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

// applicationID marks the file as a journal of this program in SQLite's
// header, so that another program's database is never migrated.
const applicationID = 0x64776a31 // "dwj1"

// ErrNewer means that the file was written by a newer program.
var ErrNewer = errors.New("journal is from a newer version of dwindle")

// schemaVersion is the newest version that this program knows: the number of
// its migrations.
func schemaVersion() int {
	names, err := fs.Glob(migrations, "migrations/*.sql")
	if err != nil {
		return 0 // the pattern is constant
	}
	return len(names)
}

// version reads the version of a file and refuses what is not ours or newer.
func version(ctx context.Context, c *sql.Conn, path string) (int, error) {
	var have, app int
	if err := c.QueryRowContext(ctx, "PRAGMA user_version").Scan(&have); err != nil {
		return 0, fmt.Errorf("read the version of %s: %w", path, err)
	}
	if err := c.QueryRowContext(ctx, "PRAGMA application_id").Scan(&app); err != nil {
		return 0, fmt.Errorf("read the kind of %s: %w", path, err)
	}
	var tables int
	if err := c.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema").Scan(&tables); err != nil {
		return 0, fmt.Errorf("read the tables of %s: %w", path, err)
	}
	if app != applicationID && (have != 0 || tables != 0) {
		return 0, fmt.Errorf("%s is a database of another program; name another data directory", path)
	}
	if want := schemaVersion(); have > want {
		return 0, fmt.Errorf("%w: %s has version %d, this program knows up to %d; the copy made before the upgrade can be put back\ntry: the newer dwindle, or `dwindle restore -c SITE.yaml --before-upgrade --replace`", ErrNewer, path, have, want)
	}
	return have, nil
}

// migrate brings the file up to date, one transaction a step.
func migrate(ctx context.Context, c *sql.Conn, path string) error {
	have, err := version(ctx, c, path)
	if err != nil {
		return err
	}
	for v := have + 1; v <= schemaVersion(); v++ {
		step, err := migrations.ReadFile(fmt.Sprintf("migrations/%04d.sql", v))
		if err != nil {
			return fmt.Errorf("migration %d: %w", v, err)
		}
		err = inTx(ctx, c, func() error {
			if _, err := c.ExecContext(ctx, string(step)); err != nil {
				return err
			}
			_, err := c.ExecContext(ctx, fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = %d", applicationID, v))
			return err
		})
		if err != nil {
			return fmt.Errorf("bring %s to version %d: %w", path, v, err)
		}
	}
	return nil
}

// inTx runs fn inside one immediate transaction of c. The transaction is ended
// whatever becomes of ctx, so that the connection stays usable.
func inTx(ctx context.Context, c *sql.Conn, fn func() error) error {
	end := context.WithoutCancel(ctx)
	if _, err := c.ExecContext(ctx, "BEGIN IMMEDIATE"); err != nil {
		return err
	}
	if err := fn(); err != nil {
		// On a full disk SQLite may have rolled back already: the error of the
		// cause is the one worth telling.
		_, _ = c.ExecContext(end, "ROLLBACK")
		return err
	}
	if _, err := c.ExecContext(end, "COMMIT"); err != nil {
		_, _ = c.ExecContext(end, "ROLLBACK")
		return err
	}
	return nil
}
