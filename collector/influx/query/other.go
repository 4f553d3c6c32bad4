package query

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/influxdata/influxdb-client-go/v2/api/query"

	"dwindle/collector/influx/schema"
	"dwindle/collector/reading"
)

// Bounds of the questions that are not about readings: proposals.
const (
	devicesRows = 5_000
	factRows    = 500 // of up to 60 kB each
	lateRows    = 5_000
	newestMost  = 200 // devices in one question
	// mostAtOnce bounds what may be at one time: the change feed has an entry for
	// each channel of a fleet there.
	mostAtOnce = 250_000
)

// firstTime is before all facts: people may date them back.
var firstTime = time.Date(1990, time.January, 1, 0, 0, 0, 0, time.UTC)

// Devices lists the devices of which there are readings, sorted.
func (r *Reader) Devices(ctx context.Context) (out []string, err error) {
	for after := ""; ; {
		var page []string
		// As schema.tagValues does it, which takes no limit: the server answers this
		// from its index. A comparison in the first filter would have it read all
		// readings (2.8.0; 800,000 of them: 2.5 s in place of 12 ms).
		err := r.ask(ctx, question{
			what:  fmt.Sprintf("the devices after %q", after),
			start: earliest, stop: latest, where: anyOf("_measurement", kinds()) + ` and r._field == "flags"`,
			then: "  |> keep(columns: [\"device\"])\n  |> group()\n  |> distinct(column: \"device\")\n  |> filter(fn: (r) => r._value > " + Quote(after) + ")\n  |> sort()\n" + limit(devicesRows), most: devicesRows,
		}, func() func(*query.FluxRecord) error {
			page = page[:0]
			return func(rec *query.FluxRecord) error {
				device, ok := rec.Value().(string)
				if !ok || device <= after {
					return fmt.Errorf("%v is no device after %q", rec.Value(), after)
				}
				page = append(page, device)
				return nil
			}
		})
		if err != nil {
			return nil, err
		}
		out = append(out, page...)
		if len(page) < devicesRows {
			return out, nil
		}
		after = page[len(page)-1]
	}
}

func limit(n int) string { return fmt.Sprintf("  |> limit(n: %d)\n", n) }

// Newest gives the time of the newest reading of each channel of some devices,
// replays by the broker with them.
func (r *Reader) Newest(ctx context.Context, devices []string) (map[reading.Channel]time.Time, error) {
	out := map[reading.Channel]time.Time{}
	for some := range slices.Chunk(devices, newestMost) { // none is empty
		var page map[reading.Channel]time.Time
		err := r.ask(ctx, question{
			what:  fmt.Sprintf("the newest readings of %d devices", len(some)),
			start: earliest, stop: latest, where: anyOf("device", some) + " and " + anyQuantity(schema.Quantities()) + ` and r._field == "flags"`,
			then: "  |> last()\n  |> keep(columns: [\"_time\", \"_measurement\", \"channel\", \"device\"])\n", most: len(some) * len(schema.Quantities()),
		}, func() func(*query.FluxRecord) error {
			page = map[reading.Channel]time.Time{}
			return func(rec *query.FluxRecord) error {
				ch := reading.Channel{Device: text(rec, "device"), Quantity: quantityOf(rec)}
				if slices.Contains(schema.Quantities(), ch.Quantity) {
					page[ch] = rec.Time().Truncate(time.Millisecond)
				}
				return nil
			}
		})
		if err != nil {
			return nil, err
		}
		for ch, at := range page {
			out[ch] = at
		}
	}
	return out, nil
}

// records walks points that have a few fields each, in the order of time, page by
// page: what is of one measurement, of all devices.
func (r *Reader) records(ctx context.Context, what, measurement, field string, start, stop time.Time, most int, fn func(*schema.Record) error) error {
	where := "r._measurement == " + Quote(measurement)
	length := firstLength
	for start.Before(stop) {
		end := stop
		if e := start.Add(length); e.Before(end) {
			end = e
		}
		page, err := r.recordsOf(ctx, what, where, start, end, most)
		if err != nil {
			return err
		}
		n := len(page)
		if n == most {
			// Several may share the last time; they come again.
			end = page[n-1].Time
			if end.Equal(page[0].Time) {
				end = end.Add(time.Nanosecond)
				if page, err = r.recordsOf(ctx, what, where, start, end, mostAtOnce); err != nil {
					return err
				}
				if len(page) == mostAtOnce {
					return fmt.Errorf("ask InfluxDB for %s: more than %d are at %s", what, mostAtOnce, instant(page[0].Time))
				}
			}
		}
		for i := range page {
			if !page[i].Time.Before(end) {
				break
			}
			if page[i].Foreign() {
				continue
			}
			if err := fn(&page[i]); err != nil {
				return err
			}
		}
		if n == most {
			length = max(length/4, leastLength)
		} else if n < most/4 {
			length = min(length*4, mostLength)
		}
		start = end
		if n == 0 && start.Before(stop) {
			if start, err = r.first(ctx, what, where+" and r._field == "+Quote(field), start, stop); err != nil {
				return err
			}
		}
	}
	return nil
}

// first gives the time of the first point of a range, or its end.
func (r *Reader) first(ctx context.Context, what, where string, start, stop time.Time) (at time.Time, err error) {
	err = r.ask(ctx, question{
		what: fmt.Sprintf("the first of %s from %s on", what, instant(start)), start: start, stop: stop, where: where,
		then: "  |> first()\n  |> keep(columns: [\"_time\"])\n  |> group()\n  |> min(column: \"_time\")\n", most: 1,
	}, func() func(*query.FluxRecord) error {
		at = stop
		return func(rec *query.FluxRecord) error {
			if at = rec.Time(); at.Before(start) {
				return fmt.Errorf("%s is before %s", instant(at), instant(start))
			}
			return nil
		}
	})
	return at, err
}

func (r *Reader) recordsOf(ctx context.Context, what, where string, start, stop time.Time, most int) (page []schema.Record, err error) {
	err = r.ask(ctx, question{
		what:  fmt.Sprintf("%s from %s to %s", what, instant(start), instant(stop)),
		start: start, stop: stop, where: where, most: most,
		// Of no series more than the page can take is put together.
		then: limit(most) + "  |> drop(columns: [\"_start\", \"_stop\"])\n  |> pivot(rowKey: [\"_time\"], columnKey: [\"_field\"], valueColumn: \"_value\")\n  |> group()\n  |> sort(columns: [\"_time\"])\n" + limit(most),
	}, func() func(*query.FluxRecord) error {
		page = page[:0]
		return func(rec *query.FluxRecord) error {
			x := schema.Record{Measurement: rec.Measurement(), Time: rec.Time(), Site: r.site, Device: text(rec, "device"), Channel: text(rec, "channel")}
			for name, v := range rec.Values() {
				if v == nil || slices.Contains(columns, name) {
					continue
				}
				if err := x.Set(name, v); err != nil {
					return err
				}
			}
			page = append(page, x)
			return nil
		}
	})
	return page, err
}

// columns of an answer that are no fields.
var columns = []string{"result", "table", "_time", "_measurement", "site", "device", "channel"}

// Facts hands the facts from one instant up to another, both included, to fn, in
// the order of their times: those that others correct or repeat with them.
func (r *Reader) Facts(ctx context.Context, from, to time.Time, fn func(reading.StoredFact) error) error {
	if from.Before(firstTime) {
		from = firstTime
	}
	_, stop := bounds(from, to)
	return r.records(ctx, "the facts", schema.Fact, "id", from.UTC().Truncate(time.Millisecond), stop, factRows, func(x *schema.Record) error {
		f, err := schema.StoredFactOf(x)
		if err != nil {
			return fmt.Errorf("read facts from InfluxDB: %w", err)
		}
		return fn(f)
	})
}

// Late hands what the change feed has from an instant on to fn, in the order in
// which it was sent.
func (r *Reader) Late(ctx context.Context, since time.Time, fn func(schema.Changed) error) error {
	if since.Before(earliest) {
		since = earliest
	}
	return r.records(ctx, "the change feed", schema.Late, "to_ms", since.UTC(), latest, lateRows, func(x *schema.Record) error {
		c, err := schema.ChangedOf(x)
		if err != nil {
			return fmt.Errorf("read the change feed in InfluxDB: %w", err)
		}
		return fn(c)
	})
}

// LateEnd gives the time of the newest entry of the change feed; zero: there is
// none.
func (r *Reader) LateEnd(ctx context.Context) (end time.Time, err error) {
	err = r.ask(ctx, question{
		what: "the end of the change feed", start: earliest, stop: latest, where: "r._measurement == " + Quote(schema.Late) + ` and r._field == "to_ms"`,
		then: "  |> last()\n  |> group()\n  |> max(column: \"_time\")\n  |> keep(columns: [\"_time\"])\n", most: 1,
	}, func() func(*query.FluxRecord) error {
		end = time.Time{}
		return func(rec *query.FluxRecord) error {
			end = rec.Time().UTC()
			return nil
		}
	})
	return end, err
}

// forwardedAhead is how far ahead of our clock a gateway may date how far it has
// forwarded: one whose clock was years ahead would hide what it says since.
const forwardedAhead = 24 * time.Hour

// Forwarded gives up to when a gateway has forwarded all that it had; zero: it has
// not said so yet.
func (r *Reader) Forwarded(ctx context.Context) (upto time.Time, err error) {
	err = r.ask(ctx, question{
		what: "how far the gateway has forwarded", start: earliest, stop: time.Now().Add(forwardedAhead), where: "r._measurement == " + Quote(schema.Forwarded) + ` and r._field == "upto_ms"`,
		then: "  |> last()\n  |> keep(columns: [\"_value\"])\n", most: 1,
	}, func() func(*query.FluxRecord) error {
		upto = time.Time{}
		return func(rec *query.FluxRecord) error {
			x := schema.Record{Measurement: schema.Forwarded}
			err := x.Set("upto_ms", rec.Value())
			if err == nil {
				upto, err = schema.ForwardedOf(&x)
			}
			return err
		}
	})
	return upto, err
}

// Keeps gives how long the server keeps what is in the bucket; 0: for ever.
func (r *Reader) Keeps(ctx context.Context) (keeps time.Duration, err error) {
	found := false
	err = r.ask(ctx, question{
		what: "how long it keeps the bucket " + r.server.Bucket, start: earliest, stop: latest, // of no meaning here
		from: "buckets()\n  |> filter(fn: (r) => r.name == " + Quote(r.server.Bucket) + ")\n",
		then: "  |> keep(columns: [\"retentionPeriod\"])\n", most: 1,
	}, func() func(*query.FluxRecord) error {
		keeps, found = 0, false
		return func(rec *query.FluxRecord) error {
			ns, ok := rec.ValueByKey("retentionPeriod").(int64)
			if !ok || ns < 0 {
				return fmt.Errorf("%v is no time", rec.ValueByKey("retentionPeriod"))
			}
			keeps, found = time.Duration(ns), true
			return nil
		}
	})
	if err == nil && !found {
		err = fmt.Errorf("InfluxDB does not list the bucket %s: see that it is there, and that the token may read it", r.server.Bucket)
	}
	return keeps, err
}

// Calibrations hands the calibrations that were stored from an instant on to fn,
// in the order in which they were.
func (r *Reader) Calibrations(ctx context.Context, since time.Time, fn func(schema.Calibration) error) error {
	if since.Before(earliest) {
		since = earliest
	}
	return r.records(ctx, "the calibrations", schema.Calibrated, "version", since.UTC().Truncate(time.Millisecond), latest, factRows, func(x *schema.Record) error {
		c, err := schema.CalibrationOf(x)
		if err != nil {
			return fmt.Errorf("read calibrations from InfluxDB: %w", err)
		}
		return fn(c)
	})
}

// kinds are the measurements of readings.
func kinds() (out []string) {
	for _, q := range schema.Quantities() {
		kind, _, _ := strings.Cut(string(q), ".")
		if !slices.Contains(out, kind) {
			out = append(out, kind)
		}
	}
	return out
}
