package journal

import (
	"context"
	"database/sql"
	"fmt"
	"maps"
)

// The names of the counters that the journal keeps over restarts. They are
// written with the derived tables, at least once a minute while the intake
// runs, so a crash may lose the last minute of them, never a reading.
const (
	CountReceived   = "received"
	CountStored     = "stored"
	CountDuplicates = "duplicates"
	CountRows       = "rows"
	CountCommits    = "commits"
	CountUnknown    = "unknown"         // messages of devices that are not in the register
	CountForgotten  = "unknown_dropped" // unknown devices that had to make room

	CountCoerced = "coerced"  // values and names in another form, understood
	CountMissing = "missing"  // fields without a value
	CountBadTime = "bad_time" // messages whose own time could not be used

	CountIgnored  = "ignored"  // values that no mapping takes, in messages that were used
	CountSkipped  = "skipped"  // messages of topics that the site file wants ignored
	CountReplaced = "replaced" // readings that gave way when their message was run again

	// Followed by a reason.
	CountKept        = "kept."
	CountOverwritten = "overwritten."
	CountRecovered   = "recovered." // of the kept ones, understood when run again
)

// Counters gives all counters.
func (j *Journal) Counters(ctx context.Context) (map[string]int64, error) {
	if j.writes {
		j.counting.Lock()
		defer j.counting.Unlock()
		return maps.Clone(j.total), nil
	}
	c, err := j.reader.Conn(ctx)
	if err != nil {
		return nil, fmt.Errorf("read the counters of %s: %w", j.path, err)
	}
	defer c.Close()
	out, err := counters(ctx, c)
	if err != nil {
		return nil, fmt.Errorf("read the counters of %s: %w", j.path, j.fault(err))
	}
	return out, nil
}

func counters(ctx context.Context, c *sql.Conn) (map[string]int64, error) {
	rows, err := c.QueryContext(ctx, "SELECT name, n FROM counter")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := map[string]int64{}
	for rows.Next() {
		var name string
		var n int64
		if err := rows.Scan(&name, &n); err != nil {
			return nil, err
		}
		out[name] = n
	}
	return out, rows.Err()
}

// SaveCounters writes the counters now.
func (j *Journal) SaveCounters(ctx context.Context) error {
	release, err := j.hold()
	if err != nil {
		return err
	}
	defer release()
	ctx = context.WithoutCancel(ctx)
	counts := j.count
	raw := j.raw.due()
	err = inTx(ctx, j.w, func() error {
		if raw {
			if err := j.writeRaw(ctx); err != nil {
				return err
			}
		}
		return j.writeCounters(ctx)
	})
	if raw {
		j.rawSettled(err)
	}
	if err != nil {
		j.count = counts
		return fmt.Errorf("write the counters: %w", j.fault(err))
	}
	return nil
}

// writeCounters adds what was counted since; it is part of a transaction. The
// caller puts the counts back if that fails.
func (j *Journal) writeCounters(ctx context.Context) error {
	for name, n := range j.count {
		if _, err := j.stmts[stmtCounter].ExecContext(ctx, name, n); err != nil {
			return err
		}
	}
	j.count = map[string]int64{}
	return j.writeNotes(ctx)
}

// countMore adds to counters, to be written with the others. Under j.mu.
func (j *Journal) countMore(counts map[string]int64) {
	j.counting.Lock()
	defer j.counting.Unlock()
	for name, n := range counts {
		j.count[name] += n
		j.total[name] += n
	}
}
