// Package civil holds calendar dates without a time of day, and the bounds of
// a civil day in a zone.
//
// Consumption, plans and rounds are counted in the site's civil days, which
// last 23 or 25 hours when the clocks change; instants are kept in UTC
// elsewhere. The package imports nothing of ours. Start with [Parse] or [Of].
package civil

import (
	"fmt"
	"time"
)

// Date is a civil date in the proleptic Gregorian calendar, counted in days
// since 1970-01-01. Dates compare and subtract as integers; the zero value is
// 1970-01-01, which no site file may use, so it also serves as "not given".
type Date int32

const layout = "2006-01-02"

// Of returns the civil date of instant t in zone loc.
func Of(t time.Time, loc *time.Location) Date {
	y, m, d := t.In(loc).Date()
	return New(y, m, d)
}

// New returns the date of a year, month and day; out-of-range days roll over
// as in [time.Date].
func New(year int, month time.Month, day int) Date {
	return Date(time.Date(year, month, day, 0, 0, 0, 0, time.UTC).Unix() / 86400)
}

// Parse reads an ISO 8601 calendar date such as 2026-11-25.
func Parse(text string) (Date, error) {
	t, err := time.Parse(layout, text)
	if err != nil {
		return 0, fmt.Errorf("date %q: want year-month-day, such as 2026-11-25", text)
	}
	return Date(t.Unix() / 86400), nil
}

// String gives the ISO 8601 form.
func (d Date) String() string { return d.midnightUTC().Format(layout) }

// MarshalText gives the ISO 8601 form, for YAML and JSON.
func (d Date) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads the ISO 8601 form.
func (d *Date) UnmarshalText(text []byte) error {
	v, err := Parse(string(text))
	if err != nil {
		return err
	}
	*d = v
	return nil
}

// IsZero says that no date was given.
func (d Date) IsZero() bool { return d == 0 }

// Weekday gives the day of the week.
func (d Date) Weekday() time.Weekday { return d.midnightUTC().Weekday() }

// Format formats the date with a [time] layout.
func (d Date) Format(layout string) string { return d.midnightUTC().Format(layout) }

// Start is the first instant of the date in zone loc. Where a zone skips
// midnight, that is the first instant after the gap.
func (d Date) Start(loc *time.Location) time.Time {
	y, m, day := d.midnightUTC().Date()
	t := time.Date(y, m, day, 0, 0, 0, 0, loc)
	// time.Date may land on either side of a skipped midnight: step forward
	// until the date is reached. Zone gaps are at most a few hours, but whole
	// days have been skipped (Pacific zones), hence the bound of 25 hours.
	const quarter = 15 * time.Minute
	for i := 0; i < 100 && Of(t, loc) < d; i++ {
		t = t.Add(quarter)
	}
	// Where the clocks go back over midnight it comes twice, and time.Date may
	// give the second: the day has its whole 25 hours only from the first.
	for i := 0; i < 100 && Of(t.Add(-quarter), loc) >= d; i++ {
		t = t.Add(-quarter)
	}
	return t.UTC()
}

// End is the first instant after the date in zone loc.
func (d Date) End(loc *time.Location) time.Time { return (d + 1).Start(loc) }

// Length is the real length of the date in zone loc: 24 h but for the days on
// which the clocks change.
func (d Date) Length(loc *time.Location) time.Duration { return d.End(loc).Sub(d.Start(loc)) }

func (d Date) midnightUTC() time.Time { return time.Unix(int64(d)*86400, 0).UTC() }
