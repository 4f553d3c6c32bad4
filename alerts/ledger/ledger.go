// Package ledger keeps what was decided: alarms, their occurrences and
// transitions, and the logbook of who did what, when and why. One SQLite file.
//
// It imports alerts/alarm for the nouns and nothing else of ours. What is
// stored of an alarm is its facts, so a restart changes nothing. Start with
// [Open] for the one writer, [OpenReader] beside it.
package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"strconv"
	"strings"
	"time"

	_ "modernc.org/sqlite" // registers the driver
)

// minSQLite is the oldest library that may open a ledger: older ones can
// damage a WAL file when it is reset beside a reader (fixed in 3.51.3) or a
// rollback journal (fixed in 3.53.4).
const minSQLite = "3.53.4"

// busyWait is how long a statement waits for the other process's lock.
const busyWait = 5 * time.Second

// Ledger is an open ledger file. Safe for concurrent use.
type Ledger struct {
	path  string
	write *sql.DB // nil in a reader
	read  *sql.DB
	file  os.FileInfo // what was opened for writing, to notice that it was taken away
}

// Open opens the ledger for writing and makes it if there is none. One process
// may do so at a time; who holds the data directory decides that.
// A damaged file is refused with ErrDamaged, a newer one with ErrNewer.
func Open(ctx context.Context, path string) (_ *Ledger, err error) {
	defer func() { err = fault(path, err) }()
	// The file is made with our mode first: SQLite would take the umask's.
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o640)
	if err != nil {
		return nil, fmt.Errorf("open ledger %s: %w\ntry: see that the data directory exists and may be written", path, err)
	}
	l := &Ledger{path: path}
	l.file, err = f.Stat()
	if err := errors.Join(err, f.Close()); err != nil {
		return nil, fmt.Errorf("open ledger %s: %w", path, err)
	}
	l.write, err = connect(path, "&_txlock=immediate&_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_pragma=wal_autocheckpoint(1000)&_pragma=journal_size_limit(16777216)", 1)
	if err != nil {
		return nil, err
	}
	err = errors.Join(check(ctx, l.write, path, true))
	if err == nil {
		err = migrate(ctx, l.write, path)
	}
	if err == nil {
		l.read, err = connect(path, "&_pragma=query_only(1)", 4)
	}
	if err != nil {
		return nil, errors.Join(err, l.Close())
	}
	return l, nil
}

// OpenReader opens an existing ledger for reading, beside a running writer or
// without one.
func OpenReader(ctx context.Context, path string) (*Ledger, error) {
	if _, err := os.Stat(path); err != nil {
		return nil, fmt.Errorf("open ledger %s: %w", path, err)
	}
	db, err := connect(path, "&_pragma=query_only(1)", 4)
	if err != nil {
		return nil, err
	}
	l := &Ledger{path: path, read: db}
	if err := check(ctx, db, path, false); err != nil {
		return nil, errors.Join(err, l.Close())
	}
	if err := known(ctx, db, path); err != nil {
		return nil, errors.Join(err, l.Close())
	}
	return l, nil
}

// Close closes the file.
func (l *Ledger) Close() error {
	var errs []error
	for _, db := range []*sql.DB{l.write, l.read} {
		if db != nil {
			errs = append(errs, db.Close())
		}
	}
	if err := errors.Join(errs...); err != nil {
		return fmt.Errorf("close ledger %s: %w", l.path, err)
	}
	return nil
}

// Path is the file's path.
func (l *Ledger) Path() string { return l.path }

func connect(path, options string, conns int) (*sql.DB, error) {
	// The path goes into a URI: a '?' or '%' in it must not become an option.
	uri := "file:" + (&url.URL{Path: path}).EscapedPath() +
		"?_pragma=busy_timeout(" + strconv.FormatInt(busyWait.Milliseconds(), 10) + ")&_pragma=cache_size(-256)&_pragma=foreign_keys(1)&_pragma=temp_store(2)" + options
	db, err := sql.Open("sqlite", uri)
	if err != nil {
		return nil, fmt.Errorf("open ledger %s: %w", path, err)
	}
	db.SetMaxOpenConns(conns)
	db.SetMaxIdleConns(1)
	return db, nil
}

// check reads back what was asked for: a driver that ignores a pragma would
// lose the promise silently.
func check(ctx context.Context, db *sql.DB, path string, writer bool) error {
	var version string
	if err := db.QueryRowContext(ctx, "SELECT sqlite_version()").Scan(&version); err != nil {
		return fmt.Errorf("open ledger %s: %w", path, err)
	}
	if older(version, minSQLite) {
		return fmt.Errorf("open ledger %s: SQLite %s is older than %s\ntry: a build of dwindle with the library it names in go.mod", path, version, minSQLite)
	}
	want := map[string]string{"busy_timeout": strconv.FormatInt(busyWait.Milliseconds(), 10), "foreign_keys": "1"}
	if writer {
		want["journal_mode"], want["synchronous"] = "wal", "2"
	} else {
		want["query_only"] = "1"
	}
	for name, value := range want {
		var got string
		if err := db.QueryRowContext(ctx, "PRAGMA "+name).Scan(&got); err != nil {
			return fmt.Errorf("open ledger %s: read %s: %w", path, name, err)
		}
		if got != value {
			return fmt.Errorf("open ledger %s: %s is %s where %s was asked for\ntry: a local file system; network ones cannot hold a ledger", path, name, got, value)
		}
	}
	return nil
}

func older(have, want string) bool {
	h, w := strings.Split(have, "."), strings.Split(want, ".")
	for i := range w {
		var a, b int
		if i < len(h) {
			a, _ = strconv.Atoi(h[i])
		}
		b, _ = strconv.Atoi(w[i])
		if a != b {
			return a < b
		}
	}
	return false
}
