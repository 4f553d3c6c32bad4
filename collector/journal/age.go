package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"dwindle/collector/reading"
	"dwindle/config/civil"
)

// Readings age: after a time only the days that were derived of them matter.
// Once a series is marked, its days before the mark are the record: nothing
// derives them anew, and what comes late for them is kept aside. The pages of
// the readings are used again; the file does not shrink.

// ReasonAged marks a reading that came for a time whose readings are gone.
const ReasonAged = "older_than_kept"

// ageKeeps is how many readings of a channel stay whatever their age: from its
// last ones a device's rhythm is learned, and since when it is silent.
const ageKeeps = 64

// Aged says since when the readings of a series are there.
type Aged struct {
	Series
	Until time.Time  // the beginning of Day, which is that of a bundle
	Day   civil.Date // of the site's zone as it was then
	State []byte     // of the fold, before the first reading from Until on
}

// BundleDay is the last day on or before one on which a bundle begins: ageing
// goes in such steps.
func BundleDay(day civil.Date) civil.Date { return civil.Date(span(day) * bundleDays) }

// Aged gives the mark of a series; ok is false where all of its readings are
// there.
func (s *Snapshot) Aged(series Series) (a Aged, ok bool, err error) {
	var until int64
	a.Series = series
	ok, err = s.one([]any{&until, &a.Day, &a.State}, "SELECT until, day, state FROM aged WHERE device = ? AND kind = ?", series.Device, string(series.Kind))
	if err != nil || !ok {
		return a, false, err
	}
	a.Until = time.UnixMilli(until).UTC()
	a.State, err = unpack(a.State)
	return a, true, s.wrap(err)
}

// OldestReadings says from when on readings are complete: what is before, is
// gone of at least one series. Zero: nothing is gone.
func (j *Journal) OldestReadings(ctx context.Context) (time.Time, error) {
	var until *int64
	if err := j.reader.QueryRowContext(ctx, "SELECT max(until) FROM aged").Scan(&until); err != nil {
		return time.Time{}, fmt.Errorf("read %s: %w", j.path, j.fault(err))
	}
	if until == nil {
		return time.Time{}, nil
	}
	return time.UnixMilli(*until).UTC(), nil
}

// Age marks a series. All days before the mark must be derived and saved. A
// mark never goes back.
func (j *Journal) Age(ctx context.Context, a Aged) error {
	err := j.write(ctx, fmt.Sprintf("let %s of %s age", a.Kind, a.Device), func(ctx context.Context) error {
		if _, err := j.w.ExecContext(ctx, `INSERT INTO aged VALUES (?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET until = excluded.until, day = excluded.day, state = excluded.state
			WHERE excluded.until > until`, a.Device, string(a.Kind), a.Until.UnixMilli(), int64(a.Day), pack(a.State)); err != nil {
			return err
		}
		_, err := j.w.ExecContext(ctx, "DELETE FROM checkpoint WHERE place >= (SELECT id << 32 FROM series WHERE device = ?1 AND kind = ?2) AND place < (SELECT (id << 32) + ?3 FROM series WHERE device = ?1 AND kind = ?2)",
			a.Device, string(a.Kind), checkpointPlace(0, a.Day))
		return err
	})
	if err != nil {
		return err
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	j.known.aged[a.Series] = max(j.known.aged[a.Series], a.Until.UnixMilli())
	return nil
}

// DropAged removes readings before the mark of a series, at most about so many
// in one transaction; more says that there are others. Readings that are still to
// be forwarded stay for a stated time (see [Outbox.WaitForReceiver]); then the
// oldest are given up, which is counted under CountGivenUp+ReasonAged.
func (j *Journal) DropAged(ctx context.Context, series Series, most int) (n int64, more bool, err error) {
	j.mu.Lock()
	until, ok := j.known.aged[series]
	j.mu.Unlock()
	if !ok {
		return 0, false, nil
	}
	known, _ := j.channelsOf(series.Device)
	counts := map[string]int64{} // what the receiver will not get
	err = j.write(ctx, fmt.Sprintf("remove old readings of %s", series.Device), func(ctx context.Context) error {
		n, more = 0, false
		for _, ch := range known {
			if KindOf(ch.quantity) != series.Kind {
				continue
			}
			if int(n) >= most {
				more = true
				return nil
			}
			table := "reading"
			if ch.quantity == reading.PulseIncrement {
				table = "increment"
			}
			// Up to the mark, the newest of the channel that stay, or the bound.
			end := until
			if at, ok, err := j.nth(ctx, table, ch.id, "DESC", ageKeeps-1); err != nil {
				return err
			} else if !ok {
				continue // fewer than stay
			} else if at < end {
				end = at
			}
			hold, held, err := j.forwardHolds(ctx, ch.id)
			if err != nil {
				return err
			}
			if held {
				end = min(end, max(hold.first(), until-j.fwd.patience))
			}
			if at, ok, err := j.nth(ctx, table, ch.id, "ASC", most-int(n)); err != nil {
				return err
			} else if ok && at < end {
				end, more = at, true
			}
			if held && end > hold.first() {
				if lost, err := j.giveUp(ctx, table, ch.id, hold, end); err != nil {
					return err
				} else if lost > 0 {
					counts[CountGivenUp+ReasonAged] += lost
				}
			}
			done, err := j.w.ExecContext(ctx, "DELETE FROM "+table+" WHERE channel = ? AND at < ?", ch.id, end)
			if err != nil {
				return err
			}
			gone, err := done.RowsAffected()
			if err != nil {
				return err
			}
			n += gone
		}
		return nil
	})
	if err == nil && len(counts) > 0 {
		j.mu.Lock()
		j.countMore(counts)
		j.mu.Unlock()
	}
	return n, more, err
}

// nth gives the time of a channel's reading at a place in the order of time,
// the first at 0; ok is false where there are not so many.
func (j *Journal) nth(ctx context.Context, table string, channel int64, order string, place int) (at int64, ok bool, err error) {
	err = j.w.QueryRowContext(ctx, "SELECT at FROM "+table+" WHERE channel = ? ORDER BY at "+order+" LIMIT 1 OFFSET ?", channel, place).Scan(&at)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, false, nil
	}
	return at, err == nil, err
}

// loadAged reads the marks.
func (j *Journal) loadAged(ctx context.Context) error {
	j.known.aged = map[Series]int64{}
	rows, err := j.w.QueryContext(ctx, "SELECT device, kind, until FROM aged")
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var s Series
		var until int64
		if err := rows.Scan(&s.Device, &s.Kind, &until); err != nil {
			return err
		}
		j.known.aged[s] = until
	}
	return rows.Err()
}

// agedDay gives the day of a series' mark.
func (j *Journal) agedDay(ctx context.Context, series Series) (day civil.Date, ok bool, err error) {
	if _, ok := j.known.aged[series]; !ok {
		return 0, false, nil
	}
	err = j.w.QueryRowContext(ctx, "SELECT day FROM aged WHERE device = ? AND kind = ?", series.Device, string(series.Kind)).Scan(&day)
	return day, err == nil, err
}

// backToMark forgets what is derived of a series from its mark on, and nothing
// before it: that cannot be derived again.
func (j *Journal) backToMark(ctx context.Context, series Series, day civil.Date) error {
	var id int64
	err := j.w.QueryRowContext(ctx, `UPDATE series SET head_at = (SELECT until - 1 FROM aged WHERE device = ?1 AND kind = ?2), head_state = (SELECT state FROM aged WHERE device = ?1 AND kind = ?2),
		open = x'', edition = edition + 1 WHERE device = ?1 AND kind = ?2 RETURNING id`, series.Device, string(series.Kind)).Scan(&id)
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	if err != nil {
		return err
	}
	if _, err := j.w.ExecContext(ctx, "DELETE FROM bundle WHERE place BETWEEN ? AND ?", placeOf(id, span(day)), placeOf(id, lastSpan)); err != nil {
		return err
	}
	if _, err := j.w.ExecContext(ctx, "DELETE FROM checkpoint WHERE place >= ? AND place < ?", checkpointPlace(id, day), (id+1)<<32); err != nil {
		return err
	}
	if _, err := j.w.ExecContext(ctx, "DELETE FROM touched WHERE device = ? AND kind = ?", series.Device, string(series.Kind)); err != nil {
		return err
	}
	if _, err := j.w.ExecContext(ctx, "DELETE FROM cut WHERE series = ?", id); err != nil {
		return err
	}
	if err := j.unnote(ctx, series, j.known.aged[series]); err != nil {
		return err
	}
	return j.dropDigest(ctx, id, firstOfAll)
}
