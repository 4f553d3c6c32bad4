package journal

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"slices"
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
	// Notices follow from the readings, too: with From those at or after Since
	// are replaced, with Whole all.
	Since   time.Time
	Notices []reading.Notice
	// Seq is the newest note of late readings that is dealt with, 0: none.
	Seq int64
}

// SaveDerived writes derived data in one transaction, and the counters with
// it. One caller at a time derives. Of series whose saved data turned out to be
// damaged nothing is kept: they have to be derived from their beginning.
func (j *Journal) SaveDerived(ctx context.Context, updates []Update) (damaged []Series, err error) {
	release, err := j.hold()
	if err != nil {
		return nil, err
	}
	defer release()
	ctx = context.WithoutCancel(ctx)
	counts := j.count
	err = inTx(ctx, j.w, func() error {
		for i := range updates {
			sound, err := j.saveSeries(ctx, &updates[i])
			if err != nil {
				return fmt.Errorf("%s of %s: %w", updates[i].Kind, updates[i].Device, err)
			}
			if !sound {
				damaged = append(damaged, updates[i].Series)
			}
		}
		return j.writeCounters(ctx)
	})
	if err != nil {
		j.count = counts
		return nil, fmt.Errorf("save daily figures: %w", j.fault(err))
	}
	return damaged, nil
}

// saveSeries writes one update. Where what is there cannot be read, all that is
// derived of the series is given up: it follows again from the readings.
func (j *Journal) saveSeries(ctx context.Context, u *Update) (sound bool, err error) {
	if u.Kind == reading.Level {
		err = saveFigures(saving[LevelDay]{&levelForm, j, ctx}, u, u.Levels)
	} else {
		err = saveFigures(saving[Part]{&partForm, j, ctx}, u, u.Parts)
	}
	if errors.Is(err, ErrState) {
		return false, j.dropSeries(ctx, u.Series)
	}
	return true, err
}

func saveFigures[T any](s saving[T], u *Update, figures []T) error {
	j, ctx := s.j, s.ctx
	if day, ok, err := j.agedDay(ctx, u.Series); err != nil {
		return err
	} else if ok && (u.Whole || u.From != 0 && u.From < day) {
		// What is before the mark stays, whatever was told.
		later := *u
		later.Whole, later.From, later.Since = false, day, time.UnixMilli(j.known.aged[u.Series]).UTC()
		u = &later
		n, _ := slices.BinarySearchFunc(figures, day, func(x T, d civil.Date) int { return cmp.Compare(s.day(&x), d) })
		figures = figures[n:]
	}
	anew := u.Whole || u.From != 0
	touched := s.least(figures, firstOfAll, lastDay) // the earliest day that may change
	var open []T
	if !u.Whole {
		var err error
		if open, err = s.open(u.Series); err != nil {
			return err
		}
		if anew {
			touched = s.least(open, u.From, touched)
			open = s.before(open, u.From)
		}
	}
	closed, open := s.divide(s.merge(open, figures))
	var id int64
	err := j.stmts[stmtSeries].QueryRowContext(ctx, u.Device, string(u.Kind), u.Rules, u.At.UnixMilli(), pack(u.State), time.Now().UnixMilli(), s.encode(open), anew).Scan(&id)
	if err != nil {
		return err
	}
	if anew {
		from := u.From
		if u.Whole {
			from = firstOfAll
			_, err = j.w.ExecContext(ctx, "DELETE FROM bundle WHERE place BETWEEN ? AND ?", placeOf(id, firstSpan), placeOf(id, lastSpan))
		} else {
			touched, err = s.cut(id, u.From, touched)
		}
		if err != nil {
			return err
		}
		if _, err := j.w.ExecContext(ctx, "DELETE FROM checkpoint WHERE place BETWEEN ? AND ?", checkpointPlace(id, from), checkpointPlace(id, lastDay)); err != nil {
			return err
		}
		if _, err := j.w.ExecContext(ctx, "DELETE FROM cut WHERE series = ?", id); err != nil {
			return err
		}
	}
	if anew {
		since := int64(math.MinInt64)
		if !u.Whole {
			since = u.Since.UnixMilli()
		}
		if err := j.unnote(ctx, u.Series, since); err != nil {
			return err
		}
	}
	if err := j.saveNotices(ctx, u.Notices); err != nil {
		return err
	}
	if u.Whole {
		touched = firstOfAll
	}
	if err := j.dropDigest(ctx, id, touched); err != nil {
		return err
	}
	if err := s.add(id, closed); err != nil {
		return err
	}
	if err := j.saveCheckpoints(ctx, id, u.Checkpoints); err != nil {
		return err
	}
	if u.Seq > 0 {
		if _, err := j.w.ExecContext(ctx, "DELETE FROM touched WHERE device = ? AND kind = ? AND seq <= ?", u.Device, string(u.Kind), u.Seq); err != nil {
			return err
		}
	}
	return nil
}

// open gives the figures that lie with a series.
func (s saving[T]) open(series Series) ([]T, error) {
	var body []byte
	err := s.j.stmts[stmtOpen].QueryRowContext(s.ctx, series.Device, string(series.Kind)).Scan(&body)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return s.decode(body, nil)
}

// dropSeries forgets all that is derived of a series.
func (j *Journal) dropSeries(ctx context.Context, series Series) error {
	day, ok, err := j.agedDay(ctx, series)
	if err != nil {
		return err
	}
	if ok {
		return j.backToMark(ctx, series, day)
	}
	var id int64
	err = j.w.QueryRowContext(ctx, "DELETE FROM series WHERE device = ? AND kind = ? RETURNING id", series.Device, string(series.Kind)).Scan(&id)
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	if err != nil {
		return err
	}
	if _, err := j.w.ExecContext(ctx, "DELETE FROM bundle WHERE place BETWEEN ? AND ?", placeOf(id, firstSpan), placeOf(id, lastSpan)); err != nil {
		return err
	}
	if _, err := j.w.ExecContext(ctx, "DELETE FROM cut WHERE series = ?", id); err != nil {
		return err
	}
	if err := j.dropDigest(ctx, id, firstOfAll); err != nil {
		return err
	}
	if err := j.unnote(ctx, series, math.MinInt64); err != nil {
		return err
	}
	_, err = j.w.ExecContext(ctx, "DELETE FROM checkpoint WHERE place BETWEEN ? AND ?", checkpointPlace(id, firstOfAll), checkpointPlace(id, lastDay))
	return err
}

// DropDerived empties the derived tables; they follow again from the readings.
// Days whose readings are gone stay.
func (j *Journal) DropDerived(ctx context.Context) error {
	return j.write(ctx, "drop the daily figures", func(ctx context.Context) error {
		for series := range j.known.aged {
			if err := j.dropSeries(ctx, series); err != nil {
				return err
			}
		}
		const stay = "(SELECT series.id FROM series JOIN aged ON aged.device = series.device AND aged.kind = series.kind)"
		_, err := j.w.ExecContext(ctx, "DELETE FROM bundle WHERE place >> 28 NOT IN "+stay+
			"; DELETE FROM cut; DELETE FROM digest; DELETE FROM checkpoint; DELETE FROM touched; DELETE FROM series WHERE id NOT IN "+stay+"; DELETE FROM notice WHERE about <> '' AND NOT EXISTS (SELECT 1 FROM aged WHERE aged.device = notice.device AND aged.kind = notice.about)")
		return err
	})
}
