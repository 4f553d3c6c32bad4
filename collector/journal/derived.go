package journal

import (
	"context"
	"fmt"
	"math"
	"time"

	"dwindle/collector/reading"
	"dwindle/config/civil"
)

// Part is what the readings of one civil day (Emitted) brought for one civil
// day (Day, the same or an earlier one).
type Part struct {
	Emitted, Day civil.Date
	Amount       float64 // h, pulses or cm3
	Seen, Known  time.Duration
	Flags        reading.Flags
}

// Checkpoint is the state of a fold before the first reading of a civil day.
type Checkpoint struct {
	Day   civil.Date
	State []byte
}

// LevelDay is the last level reading of a civil day.
type LevelDay struct {
	Day civil.Date
	reading.Sample
}

// Head is how far a series is derived.
type Head struct {
	At    time.Time // readings up to here are folded in
	State []byte    // the fold's state there
	Rules string    // fingerprint of what the fold was told
	// Edition changes whenever days that were complete are derived anew; set
	// by the journal.
	Edition int64
}

// Update is new derived data of one series. It replaces what was derived from
// civil day From on; with Whole everything.
type Update struct {
	Series
	Head
	Whole       bool
	From        civil.Date
	Parts       []Part // full values, not differences
	Checkpoints []Checkpoint
	Levels      []LevelDay
	// Seq is the newest note of late readings that is dealt with, 0: none.
	Seq int64
}

// SaveDerived writes derived data in one transaction, and the counters with
// it. One caller at a time derives.
func (j *Journal) SaveDerived(ctx context.Context, updates []Update) error {
	release, err := j.hold()
	if err != nil {
		return err
	}
	defer release()
	ctx = context.WithoutCancel(ctx)
	counts := j.count
	err = inTx(ctx, j.w, func() error {
		for i := range updates {
			if err := j.saveSeries(ctx, &updates[i]); err != nil {
				return fmt.Errorf("%s of %s: %w", updates[i].Kind, updates[i].Device, err)
			}
		}
		return j.writeCounters(ctx)
	})
	if err != nil {
		j.count = counts
		return fmt.Errorf("save daily figures: %w", fault(j.path, err))
	}
	return nil
}

func (j *Journal) saveSeries(ctx context.Context, u *Update) error {
	var id int64
	anew := u.Whole || u.From != 0
	err := j.w.QueryRowContext(ctx, `INSERT INTO series (device, kind, rules, head_at, head_state, edition) VALUES (?, ?, ?, ?, ?, ?)
		ON CONFLICT DO UPDATE SET rules = excluded.rules, head_at = excluded.head_at, head_state = excluded.head_state,
		edition = CASE ? WHEN 0 THEN edition ELSE max(edition + 1, excluded.edition) END RETURNING id`,
		u.Device, string(u.Kind), u.Rules, u.At.UnixMilli(), pack(u.State), time.Now().UnixMilli(), anew).Scan(&id)
	if err != nil {
		return err
	}
	from := int64(u.From)
	if u.Whole {
		from = math.MinInt64
	}
	if anew {
		for _, q := range []string{
			"DELETE FROM part WHERE series = ? AND emitted >= ?",
			"DELETE FROM checkpoint WHERE series = ? AND day >= ?",
			"DELETE FROM level_day WHERE series = ? AND day >= ?",
		} {
			if _, err := j.w.ExecContext(ctx, q, id, from); err != nil {
				return err
			}
		}
	}
	for _, p := range u.Parts {
		if _, err := j.stmts[stmtPart].ExecContext(ctx, id, int64(p.Emitted), int64(p.Day), p.Amount, p.Seen.Milliseconds(), p.Known.Milliseconds(), int64(p.Flags)); err != nil {
			return err
		}
	}
	if err := j.saveCheckpoints(ctx, id, u.Checkpoints); err != nil {
		return err
	}
	for _, l := range u.Levels {
		if _, err := j.stmts[stmtLevelDay].ExecContext(ctx, id, int64(l.Day), string(l.Quantity), l.At.UnixMilli(), l.Value, int64(l.Flags)); err != nil {
			return err
		}
	}
	if u.Seq > 0 {
		if _, err := j.w.ExecContext(ctx, "DELETE FROM touched WHERE device = ? AND kind = ? AND seq <= ?", u.Device, string(u.Kind), u.Seq); err != nil {
			return err
		}
	}
	return nil
}

// DropDerived empties the derived tables; they follow again from the readings.
func (j *Journal) DropDerived(ctx context.Context) error {
	release, err := j.hold()
	if err != nil {
		return err
	}
	defer release()
	ctx = context.WithoutCancel(ctx)
	err = inTx(ctx, j.w, func() error {
		_, err := j.w.ExecContext(ctx, "DELETE FROM part; DELETE FROM checkpoint; DELETE FROM level_day; DELETE FROM touched; DELETE FROM series")
		return err
	})
	if err != nil {
		return fmt.Errorf("drop the daily figures: %w", fault(j.path, err))
	}
	return nil
}

// Checkpoints are kept for each of the last days and for one day a week before
// that: late data older than this are rare, and then cost a week more to fold.
const checkpointDays = 35

func (j *Journal) saveCheckpoints(ctx context.Context, series int64, checks []Checkpoint) error {
	if len(checks) == 0 {
		return nil
	}
	dense := checks[len(checks)-1].Day - checkpointDays
	for _, c := range checks {
		if c.Day < dense && c.Day%7 != 0 {
			continue
		}
		if _, err := j.stmts[stmtCheckpoint].ExecContext(ctx, series, int64(c.Day), pack(c.State)); err != nil {
			return err
		}
	}
	// What has grown old since the last time: two weeks of it, so that the
	// work does not grow with the history.
	_, err := j.w.ExecContext(ctx, "DELETE FROM checkpoint WHERE series = ? AND day >= ? AND day < ? AND day % 7 <> 0", series, int64(dense-14), int64(dense))
	return err
}
