package station

import (
	"context"
	"time"

	"dwindle/collector/influx/mirror"
	"dwindle/collector/influx/query"
	"dwindle/collector/influx/schema"
	"dwindle/collector/journal"
	"dwindle/config"
)

// influxSource opens InfluxDB, as the site file names it.
func influxSource(site *config.Site) (mirror.Source, error) {
	r, err := query.New(query.Options{Server: site.Influx(), Site: site.ID})
	if err != nil {
		return nil, err
	}
	return reader{r}, nil
}

// reader gives what is asked in the words of the copy.
type reader struct{ *query.Reader }

// Late implements mirror.Source.
func (r reader) Late(ctx context.Context, since time.Time, fn func(mirror.Change) error) error {
	return r.Reader.Late(ctx, since, func(c schema.Changed) error {
		out := mirror.Change{At: c.Sent, Device: c.Device, Quantity: c.Quantity, From: c.From, To: c.To}
		if c.Quantity == schema.FactChannel {
			out.Quantity = ""
		}
		return fn(out)
	})
}

// Calibrations implements mirror.Source.
func (r reader) Calibrations(ctx context.Context, since time.Time, fn func(journal.Calibration) error) error {
	return r.Reader.Calibrations(ctx, since, func(c schema.Calibration) error { return fn(journal.Calibration(c)) })
}
