package mirror

import (
	"context"
	"time"

	"dwindle/collector/influx/query"
	"dwindle/collector/influx/schema"
	"dwindle/collector/journal"
)

// InfluxDB gives a source that asks a reader of InfluxDB 2.
func InfluxDB(r *query.Reader) Source { return influxDB{r} }

// influxDB gives what is asked in the words of the copy.
type influxDB struct{ *query.Reader }

// Late implements Source.
func (s influxDB) Late(ctx context.Context, since time.Time, fn func(Change) error) error {
	return s.Reader.Late(ctx, since, func(c schema.Changed) error {
		out := Change{At: c.Sent, Device: c.Device, Quantity: c.Quantity, From: c.From, To: c.To}
		if c.Quantity == schema.FactChannel {
			out.Quantity = ""
		}
		return fn(out)
	})
}

// Calibrations implements Source.
func (s influxDB) Calibrations(ctx context.Context, since time.Time, fn func(journal.Calibration) error) error {
	return s.Reader.Calibrations(ctx, since, func(c schema.Calibration) error { return fn(journal.Calibration(c)) })
}
