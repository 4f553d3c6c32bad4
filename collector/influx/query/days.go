package query

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/influxdata/influxdb-client-go/v2/api/query"

	"dwindle/collector/influx/schema"
	"dwindle/config/civil"
)

// Use says whose days are asked for: the tag channel of the measurement usage.
type Use string

// The uses.
const (
	OfMachine   Use = "machine"
	OfDispenser Use = "dispenser"
)

// Day is what a machine or a dispenser was used on a civil day of the site, as it
// was written last. What is not known is nil.
type Day struct {
	Date           civil.Date
	Point, Machine string
	RunHours       *float64 // h
	Pulses         *float64
	CommandedCM3   *float64
	DeliveredCM3   *float64
	Seen           *float64 // share of the day, 0 to 1
	Flags          string   // words, parted by blanks
}

// dayRows bounds the days of one question.
const dayRows = 1_000

// Days gives the days of a machine or a dispenser from the first to the last
// date, both included, in order. Days that were not written are left out. A day
// is as long as the clocks of the site's zone make it.
func (r *Reader) Days(ctx context.Context, use Use, device string, first, last civil.Date, loc *time.Location) (out []Day, err error) {
	for ; first <= last; first += dayRows {
		end := min(last, first+dayRows-1)
		var page []Day
		err := r.ask(ctx, question{
			what:  fmt.Sprintf("the days of %s %q from %s to %s", use, device, first, end),
			start: first.Start(loc), stop: end.End(loc),
			where: fmt.Sprintf("r._measurement == %s and r.channel == %s and r.device == %s", Quote(schema.Usage), Quote(string(use)), Quote(device)),
			then:  "  |> drop(columns: [\"_start\", \"_stop\"])\n  |> pivot(rowKey: [\"_time\"], columnKey: [\"_field\"], valueColumn: \"_value\")\n  |> group()\n  |> sort(columns: [\"_time\"])\n" + limit(2*dayRows+1), most: 2 * dayRows, // some may be of another zone
		}, func() func(*query.FluxRecord) error {
			page = page[:0]
			return func(rec *query.FluxRecord) error {
				d, ok, err := dayOf(rec, loc)
				if ok {
					page = append(page, d)
				}
				return err
			}
		})
		if err != nil {
			return nil, err
		}
		out = append(out, page...)
	}
	return out, nil
}

// dayOf reads a row of usage. One that does not begin where its day begins in
// the zone is of another zone that the site was in, and does not count.
func dayOf(rec *query.FluxRecord, loc *time.Location) (d Day, ok bool, err error) {
	if d.Date, err = civil.Parse(text(rec, "date")); err != nil {
		return d, false, fmt.Errorf("the day at %s: %w", instant(rec.Time()), err)
	}
	if !d.Date.Start(loc).Equal(rec.Time()) {
		return d, false, nil
	}
	for name, to := range map[string]*string{"point": &d.Point, "machine": &d.Machine, "flags": &d.Flags} {
		if *to = text(rec, name); *to == schema.Nothing {
			*to = ""
		}
	}
	missing := strings.Fields(text(rec, "missing"))
	for name, to := range map[string]**float64{
		"run_hours": &d.RunHours, "pulses": &d.Pulses, "commanded_cm3": &d.CommandedCM3, "delivered_cm3": &d.DeliveredCM3, "seen": &d.Seen,
	} {
		v := rec.ValueByKey(name)
		if v == nil || slices.Contains(missing, name) {
			continue
		}
		x, ok := v.(float64)
		if !ok {
			return d, false, fmt.Errorf("%s of %s is a %T", name, d.Date, v)
		}
		*to = &x
	}
	return d, true, nil
}
