package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"dwindle/config/civil"
)

// SaveForecast keeps the forecasts issued on a civil date as they were issued
// (JSON). The last one of a date stands.
func (j *Journal) SaveForecast(ctx context.Context, date civil.Date, at time.Time, body []byte) error {
	release, err := j.hold()
	if err != nil {
		return err
	}
	defer release()
	_, err = j.w.ExecContext(context.WithoutCancel(ctx), "INSERT INTO forecast VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET at = excluded.at, body = excluded.body WHERE excluded.at >= at", int64(date), at.UnixMilli(), body)
	if err != nil {
		return fmt.Errorf("keep the forecasts of %s: %w", date, j.fault(err))
	}
	return nil
}

// Forecast gives the forecasts issued on a civil date; ok is false where none
// were.
func (j *Journal) Forecast(ctx context.Context, date civil.Date) (at time.Time, body []byte, ok bool, err error) {
	var ms int64
	err = j.reader.QueryRowContext(ctx, "SELECT at, body FROM forecast WHERE date = ?", int64(date)).Scan(&ms, &body)
	if errors.Is(err, sql.ErrNoRows) {
		return time.Time{}, nil, false, nil
	}
	if err != nil {
		return time.Time{}, nil, false, fmt.Errorf("read the forecasts of %s: %w", date, j.fault(err))
	}
	return time.UnixMilli(ms).UTC(), body, true, nil
}

// ForecastDays gives the civil dates from the first to the last on which forecasts
// were issued, in order.
func (j *Journal) ForecastDays(ctx context.Context, first, last civil.Date) (days []civil.Date, err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("read the days of issued forecasts: %w", j.fault(err))
		}
	}()
	rows, err := j.reader.QueryContext(ctx, "SELECT date FROM forecast WHERE date BETWEEN ? AND ? ORDER BY date", int64(first), int64(last))
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var day int64
		if err := rows.Scan(&day); err != nil {
			return nil, err
		}
		days = append(days, civil.Date(day))
	}
	return days, rows.Err()
}
