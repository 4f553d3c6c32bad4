// Package journal keeps what was observed: readings, dated facts, messages
// kept aside and unknown devices, in one SQLite file, with tables derived from
// them that can be rebuilt at any time.
//
// The promise of the collector rests on it: what [Journal.Commit] returned
// without an error is on disk. It decides nothing about what readings mean;
// it imports config/civil, collector/reading and collector/health only. Start
// with [Open] for the one writer, [OpenReader] for readers beside it.
package journal

import (
	"context"
	"database/sql"
	"errors"
	"log/slog"

	"dwindle/collector/health"
)

// Options of Open and OpenReader. The zero value is usable.
type Options struct {
	Health *health.Checks // nil: nothing is reported
	Log    *slog.Logger   // nil: discarded
}

// Journal is one open journal file. Safe for concurrent use.
type Journal struct {
	path   string
	writer *sql.DB // nil in a reader
	reader *sql.DB
	health *health.Checks
	log    *slog.Logger
}

var errNotBuilt = errors.New("journal: not built yet")

// Open opens the journal for writing and makes it if there is none. One
// process only may hold it so; the caller sees to that.
func Open(ctx context.Context, path string, opt Options) (*Journal, error) { return nil, errNotBuilt }

// OpenReader opens an existing journal for reading; it works beside a running
// writer.
func OpenReader(ctx context.Context, path string, opt Options) (*Journal, error) {
	return nil, errNotBuilt
}

// Close closes the file.
func (j *Journal) Close() error { return errNotBuilt }
