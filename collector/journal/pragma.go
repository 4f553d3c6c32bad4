package journal

import (
	"context"
	"database/sql"
	"fmt"
	"net/url"
	"strconv"
	"strings"
)

// minSQLite is the oldest library that is known to keep what it committed:
// releases up to 3.51.2 could corrupt a file when the WAL was reset under two
// connections, and 3.53.3 had a fault in multi-file rollback, fixed in 3.53.4
// (sqlite.org, release history).
var minSQLite = [3]int{3, 53, 4}

// The settings that the promise of the intake rests on. Drivers differ in
// their defaults, so all are set and read back.
var (
	writerPragmas = []pragma{
		// A commit of a few readings writes a page for each series, and flash
		// pays for whole pages: the smallest ones write least, and readings take
		// no more room (BenchmarkFlash, BenchmarkCommit). The size must be set
		// before the journal mode; the driver sorts settings by name, hence both
		// in one. A file that is there keeps its size.
		{"page_size", "512);PRAGMA journal_mode(wal", ""},
		{"journal_mode", "", "wal"},
		synchronous,
		{"busy_timeout", "10000", "10000"},
		{"foreign_keys", "1", "1"},
		{"wal_autocheckpoint", "30000", "30000"},       // pages; fewer, larger checkpoints write less flash, and the log stays below the next bound
		{"journal_size_limit", "16777216", "16777216"}, // bytes of the WAL file after a checkpoint
		{"temp_store", "memory", "2"},                  // a full disk must not break sorting
		{"cache_size", "-4096", "-4096"},               // KiB; its allocator takes half as much again for such small pages
		{"trusted_schema", "0", "0"},
	}
	readerPragmas = []pragma{
		{"busy_timeout", "10000", "10000"},
		{"temp_store", "memory", "2"},
		{"cache_size", "-256", "-256"}, // KiB of each of some; the kernel caches behind them
		{"query_only", "1", "1"},
		{"trusted_schema", "0", "0"},
	}
)

// pragma is a setting: what it is set to (empty: set with another one), and
// what it must read as (empty: the promise does not rest on it).
type pragma struct{ name, set, want string }

// dsn names a file for the driver with its settings.
func dsn(path, mode string, pragmas []pragma) string {
	q := url.Values{}
	q.Set("mode", mode)
	for _, p := range pragmas {
		if p.set != "" {
			q.Add("_pragma", p.name+"("+p.set+")")
		}
	}
	if mode != "ro" {
		q.Set("_txlock", "immediate") // a deferred transaction that turns to writing fails at once when the file is busy
	}
	u := url.URL{Scheme: "file", Path: path, RawQuery: q.Encode()}
	if !strings.HasPrefix(path, "/") {
		u = url.URL{Scheme: "file", Opaque: (&url.URL{Path: path}).EscapedPath(), RawQuery: q.Encode()}
	}
	return u.String()
}

// readBack refuses a connection whose settings are not the ones asked for.
func readBack(ctx context.Context, c *sql.Conn, path string, pragmas []pragma) error {
	for _, p := range pragmas {
		if p.want == "" {
			continue
		}
		var got string
		if err := c.QueryRowContext(ctx, "PRAGMA "+p.name).Scan(&got); err != nil {
			return fmt.Errorf("%s: read setting %s: %w", path, p.name, err)
		}
		if got != p.want {
			return fmt.Errorf("%s: setting %s is %s and not %s: the file system or the build of SQLite does not support it; the journal needs a local disk", path, p.name, got, p.want)
		}
	}
	return nil
}

// checkLibrary refuses a SQLite that is known to lose data.
func checkLibrary(ctx context.Context, c *sql.Conn) error {
	var text string
	if err := c.QueryRowContext(ctx, "SELECT sqlite_version()").Scan(&text); err != nil {
		return fmt.Errorf("read the version of SQLite: %w", err)
	}
	have, err := parseVersion(text)
	if err != nil {
		return err
	}
	if older(have, minSQLite) {
		return fmt.Errorf("SQLite %s is too old to be trusted with the journal: want %d.%d.%d or newer; build with the module versions of go.mod", text, minSQLite[0], minSQLite[1], minSQLite[2])
	}
	return nil
}

func parseVersion(text string) (v [3]int, err error) {
	for i, part := range strings.SplitN(text, ".", 3) {
		if v[i], err = strconv.Atoi(part); err != nil {
			return v, fmt.Errorf("version of SQLite %q: want three numbers", text)
		}
	}
	return v, nil
}

func older(a, b [3]int) bool {
	for i := range a {
		if a[i] != b[i] {
			return a[i] < b[i]
		}
	}
	return false
}
