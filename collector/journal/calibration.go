package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"dwindle/config/civil"
)

// Calibration is what a fleet's past taught by a civil day; the journal does not
// look into it.
type Calibration struct {
	Version string
	Learned civil.Date // no later day was looked at
	Stored  time.Time
	Body    []byte // JSON
}

// keptCalibrations bounds how many are kept: learned weekly, those of almost
// four years, in less than a megabyte.
const keptCalibrations = 200

// SaveCalibration keeps a calibration, as the newest of its day. One that is
// kept already is not doubled. Of too many the longest learned go.
func (j *Journal) SaveCalibration(ctx context.Context, c Calibration) error {
	return j.write(ctx, "keep calibration "+c.Version, func(ctx context.Context) error {
		_, err := j.w.ExecContext(ctx, "INSERT INTO calibration VALUES (?, ?, ?, ?) ON CONFLICT DO UPDATE SET learned = excluded.learned, stored = excluded.stored, body = excluded.body",
			c.Version, int64(c.Learned), c.Stored.UnixMilli(), c.Body)
		if err != nil {
			return err
		}
		_, err = j.w.ExecContext(ctx, "DELETE FROM calibration WHERE version NOT IN (SELECT version FROM calibration ORDER BY learned DESC, stored DESC, version LIMIT ?)", keptCalibrations)
		return err
	})
}

// Calibration gives the newest calibration that was learned on or before a civil
// day; ok is false where there is none.
func (j *Journal) Calibration(ctx context.Context, day civil.Date) (c Calibration, ok bool, err error) {
	var learned, stored int64
	err = j.reader.QueryRowContext(ctx, "SELECT version, learned, stored, body FROM calibration WHERE learned <= ? ORDER BY learned DESC, stored DESC, version LIMIT 1", int64(day)).
		Scan(&c.Version, &learned, &stored, &c.Body)
	if errors.Is(err, sql.ErrNoRows) {
		return Calibration{}, false, nil
	}
	if err != nil {
		return Calibration{}, false, fmt.Errorf("read the calibration of %s: %w", day, j.fault(err))
	}
	c.Learned, c.Stored = civil.Date(learned), time.UnixMilli(stored).UTC()
	return c, true, nil
}

// Calibrations calls fn with each calibration that is kept, the longest learned
// first.
func (j *Journal) Calibrations(ctx context.Context, fn func(Calibration) error) (err error) {
	rows, err := j.reader.QueryContext(ctx, "SELECT version, learned, stored, body FROM calibration ORDER BY learned, stored, version")
	if err != nil {
		return fmt.Errorf("read the calibrations: %w", j.fault(err))
	}
	defer rows.Close()
	for rows.Next() {
		var c Calibration
		var learned, stored int64
		if err := rows.Scan(&c.Version, &learned, &stored, &c.Body); err != nil {
			return fmt.Errorf("read the calibrations: %w", j.fault(err))
		}
		c.Learned, c.Stored = civil.Date(learned), time.UnixMilli(stored).UTC()
		if err := fn(c); err != nil {
			return err
		}
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("read the calibrations: %w", j.fault(err))
	}
	return nil
}
