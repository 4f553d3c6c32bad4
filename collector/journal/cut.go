package journal

import (
	"context"
	"time"

	"dwindle/collector/reading"
)

// Cut is what was counted in a stretch of time that cuts a civil day.
type Cut struct {
	Series
	Since, Until time.Time // whole milliseconds
	reading.Amount
	// Edition is that of the derived data that it rests on.
	Edition int64
}

// cutsKept is how long before the newest cut of a series older ones are kept:
// nothing asks for what was before the fills that are looked back at.
const cutsKept = 500 * 24 * time.Hour

// SaveCuts keeps cuts. Those of series that were derived anew meanwhile are
// passed over.
func (j *Journal) SaveCuts(ctx context.Context, cuts []Cut) error {
	if len(cuts) == 0 {
		return nil
	}
	return j.write(ctx, "save amounts of cut days", func(ctx context.Context) error {
		for i := range cuts {
			c := &cuts[i]
			if _, err := j.stmts[stmtCut].ExecContext(ctx, c.Since.UnixMilli(), c.Until.UnixMilli(), c.Value, c.Seen, c.Known, int64(c.Flags), c.Device, string(c.Kind), c.Edition); err != nil {
				return err
			}
			if _, err := j.stmts[stmtCutOld].ExecContext(ctx, c.Device, string(c.Kind), c.Since.Add(-cutsKept).UnixMilli()); err != nil {
				return err
			}
		}
		return nil
	})
}

// Cut gives a cut that was saved of a series as it now is.
func (s *Snapshot) Cut(x *Saved, since, until time.Time) (a reading.Amount, ok bool, err error) {
	key := cutKey{x.ID, since.UnixMilli(), until.UnixMilli()}
	if s.memo != nil && s.memo.cuts != nil {
		a, ok = s.memo.cuts[key]
		return a, ok, nil
	}
	ok, err = s.one([]any{&a.Value, &a.Seen, &a.Known, &a.Flags}, "SELECT amount, seen, known, flags FROM cut WHERE series = ? AND since = ? AND until = ?", key.series, key.since, key.until)
	return a, ok, err
}

type cutKey struct{ series, since, until int64 }
