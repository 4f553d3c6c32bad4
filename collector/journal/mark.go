package journal

import (
	"context"
	"fmt"

	"dwindle/config/civil"
)

// Mark says what of the results of a civil day was handed to the outbox, so that
// they are handed on again only where they have changed. The journal does not
// look into it. Marks are forgotten when another receiver is named, or none: what
// it has got is not known then.
type Mark struct {
	Measurement string
	Day         civil.Date // zero: of no day
	Body        []byte
}

// Marks gives those of a measurement and of days from the first to the last, in
// order.
func (j *Journal) Marks(ctx context.Context, measurement string, first, last civil.Date) (list []Mark, err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("read what was handed on of %s: %w", measurement, j.fault(err))
		}
	}()
	rows, err := j.reader.QueryContext(ctx, "SELECT day, body FROM mark WHERE measurement = ? AND day BETWEEN ? AND ? ORDER BY day", measurement, int64(first), int64(last))
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		m, day := Mark{Measurement: measurement}, int64(0)
		if err := rows.Scan(&day, &m.Body); err != nil {
			return nil, err
		}
		m.Day = civil.Date(day)
		list = append(list, m)
	}
	return list, rows.Err()
}

// SaveMarks keeps marks, each in place of the one before; those of measurements
// and days before a date, but for such of no day, are forgotten.
func (j *Journal) SaveMarks(ctx context.Context, list []Mark, forget civil.Date) error {
	return j.write(ctx, "keep what was handed on", func(ctx context.Context) error {
		for _, m := range list {
			body := m.Body
			if body == nil {
				body = []byte{}
			}
			if _, err := j.w.ExecContext(ctx, "INSERT INTO mark VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET body = excluded.body", m.Measurement, int64(m.Day), body); err != nil {
				return err
			}
		}
		_, err := j.w.ExecContext(ctx, "DELETE FROM mark WHERE day <> 0 AND day < ?", int64(forget))
		return err
	})
}

// DropMarks forgets those of a measurement: all of it is handed on again.
func (j *Journal) DropMarks(ctx context.Context, measurement string) error {
	return j.write(ctx, "forget what was handed on of "+measurement, func(ctx context.Context) error {
		_, err := j.w.ExecContext(ctx, "DELETE FROM mark WHERE measurement = ?", measurement)
		return err
	})
}
