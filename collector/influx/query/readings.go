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

// Readings hands the readings of a device after one instant and up to another to
// fn, in the order of reading.Compare; quantities nil: of all its channels. An
// error of fn ends it. What was handed out before an error is right as far as it
// goes. What is written meanwhile may be there or not. Points without our fields
// are somebody else's and left out.
func (r *Reader) Readings(ctx context.Context, device string, quantities []reading.Quantity, after, to time.Time, fn func(reading.Reading) error) error {
	start, stop := bounds(after, to)
	if !start.Before(stop) {
		return nil
	}
	if quantities == nil {
		var err error
		if quantities, start, err = r.channels(ctx, device, start, stop); err != nil {
			return err
		}
	}
	if len(quantities) == 0 {
		return nil
	}
	w := &walk{Reader: r, ctx: ctx, device: device, where: whereReadings(device, quantities), pos: start, stop: stop, length: firstLength}
	// Each field of each channel is a table of its own, and has a limit.
	w.most = max(1, r.rows/tables(quantities))
	w.rows = w.most * tables(quantities)
	for w.pos.Before(stop) {
		list, err := w.next()
		if err != nil {
			return err
		}
		for i := range list {
			if err := fn(list[i]); err != nil {
				return err
			}
		}
	}
	return nil
}

// channels gives the channels that a device has readings of in a range, and when
// the first of them is; the end where there are none.
func (r *Reader) channels(ctx context.Context, device string, start, stop time.Time) (list []reading.Quantity, first time.Time, err error) {
	err = r.ask(ctx, question{
		what:  fmt.Sprintf("the channels of %q from %s to %s", device, instant(start), instant(stop)),
		start: start, stop: stop, where: "r.device == " + Quote(device) + " and " + anyQuantity(schema.Quantities()) + ` and r._field == "flags"`,
		then: "  |> first()\n  |> keep(columns: [\"_time\", \"_measurement\", \"channel\"])\n", most: len(schema.Quantities()),
	}, func() func(*query.FluxRecord) error {
		list, first = nil, stop
		return func(rec *query.FluxRecord) error {
			q := quantityOf(rec)
			if slices.Contains(schema.Quantities(), q) {
				list = append(list, q)
			}
			if t := rec.Time().Truncate(time.Millisecond); t.Before(first) {
				first = t
			}
			return nil
		}
	})
	slices.Sort(list)
	return list, first, err
}

// Times of readings: from 2020 on, as the schema writes them.
var (
	earliest = time.Date(2020, time.January, 1, 0, 0, 0, 0, time.UTC)
	latest   = time.Date(2200, time.January, 1, 0, 0, 0, 0, time.UTC)
)

// bounds makes the range [start, stop) of whole ms of one that begins after its
// first instant and ends with its last.
func bounds(after, to time.Time) (start, stop time.Time) {
	start, stop = earliest, latest
	if after.After(earliest) {
		start = after.Truncate(time.Millisecond).Add(time.Millisecond)
	}
	if to.Before(latest) {
		stop = to.Truncate(time.Millisecond).Add(time.Millisecond)
	}
	return start.UTC(), stop.UTC()
}

// fieldsOf are the fields of a point of a quantity.
func fieldsOf(q reading.Quantity) []string {
	_, channel, _ := strings.Cut(string(q), ".")
	out := []string{channel, "flags", "lag_ms"}
	if q.Exact() {
		out = append(out, "exact")
	}
	if q == reading.PulseIncrement {
		out = append(out, "key")
	}
	return out
}

// tables is how many tables an answer about quantities may have.
func tables(quantities []reading.Quantity) (n int) {
	for _, q := range quantities {
		n += len(fieldsOf(q))
	}
	return n
}

// whereReadings is the condition for the points of some channels of a device.
func whereReadings(device string, quantities []reading.Quantity) string {
	var fields []string
	for _, q := range quantities {
		for _, f := range fieldsOf(q) {
			if !slices.Contains(fields, f) {
				fields = append(fields, f)
			}
		}
	}
	return fmt.Sprintf("r.device == %s and %s and %s", Quote(device), anyQuantity(quantities), anyOf("_field", fields))
}

// anyQuantity is the condition for points of some channels.
func anyQuantity(quantities []reading.Quantity) string {
	return either(quantities, func(q reading.Quantity) string {
		kind, channel, _ := strings.Cut(string(q), ".")
		return fmt.Sprintf("(r._measurement == %s and r.channel == %s)", Quote(kind), Quote(channel))
	})
}

// The length of time that one page is about, to begin with and as bounds: it
// follows how dense the readings are, so that the server need not read what no
// page takes. (Its limit() reads all the same: 5,000 of 200,000 points took it 5
// times as long with all of them in the range, 2.8.0.)
const (
	firstLength = 36 * time.Hour
	leastLength = time.Second
	mostLength  = 400 * 24 * time.Hour
)

// walk goes through the readings of a device page by page.
type walk struct {
	*Reader
	ctx    context.Context
	device string
	where  string
	most   int // readings of a channel in one answer
	rows   int // rows in one answer

	pos, stop time.Time
	length    time.Duration
	held      []reading.Reading // of a ms that is not whole yet
}

// next gives the readings of the next stretch of time, in order, and moves on.
func (w *walk) next() ([]reading.Reading, error) {
	end := w.stop
	if e := w.pos.Truncate(time.Millisecond).Add(w.length); e.Before(end) {
		end = e
	}
	p, err := w.page(w.pos, end)
	if err != nil {
		return nil, err
	}
	upto, busiest := p.upto(w.most, end)
	list := w.held
	w.held = nil
	for _, c := range p.channels {
		for i := range c.records {
			if !c.records[i].Time.Before(upto) {
				break
			}
			if c.records[i].Foreign() {
				continue
			}
			r, err := schema.ReadingOf(&c.records[i])
			if err != nil {
				return nil, fmt.Errorf("read %s from InfluxDB: %w", w.device, err)
			}
			list = append(list, r)
		}
	}
	slices.SortFunc(list, reading.Compare)
	// Increments of one ms lie at different ns, in an order that is not theirs.
	if whole := upto.Truncate(time.Millisecond); whole.Before(upto) {
		n, _ := slices.BinarySearchFunc(list, whole, func(r reading.Reading, t time.Time) int { return r.At.Compare(t) })
		w.held = slices.Clone(list[n:])
		list = list[:n]
	}
	gone := upto.Sub(w.pos)
	w.pos = upto
	switch {
	case busiest == 0 && end.Before(w.stop):
		if err := w.skip(); err != nil {
			return nil, err
		}
		w.length = min(2*w.length, mostLength)
	case busiest == 0:
	default:
		// Two thirds of a page, were the next as dense.
		want := time.Duration(float64(gone) / float64(busiest) * float64(w.most) * 2 / 3)
		w.length = min(max(want, w.length/16, leastLength), 4*w.length, mostLength)
	}
	return list, nil
}

// skip moves on to the first reading that there is, or to the end.
func (w *walk) skip() error {
	at, err := w.first(w.ctx, fmt.Sprintf("the readings of %q", w.device), w.where+` and r._field == "flags"`, w.pos, w.stop)
	if err != nil {
		return err
	}
	if at = at.Truncate(time.Millisecond); at.After(w.pos) {
		w.pos = at
	}
	return nil
}

// page is what one answer holds.
type page struct{ channels []*channel }

// channel is one channel's part of a page, in the order of time.
type channel struct {
	quantity reading.Quantity
	records  []schema.Record
	fields   map[string]int // rows of each field
}

// page asks for the readings of [start, stop), at most so many of each channel.
func (w *walk) page(start, stop time.Time) (p *page, err error) {
	err = w.ask(w.ctx, question{
		what:  fmt.Sprintf("the readings of %q from %s to %s", w.device, instant(start), instant(stop)),
		start: start, stop: stop, where: w.where, most: w.rows,
		then: fmt.Sprintf("  |> limit(n: %d)\n  |> keep(columns: [\"_time\", \"_value\", \"_field\", \"_measurement\", \"channel\"])\n", w.most),
	}, func() func(*query.FluxRecord) error {
		p = &page{}
		var c *channel
		table, field, at := -1, "", 0
		return func(rec *query.FluxRecord) error {
			if rec.Table() != table || c == nil {
				table, field, at = rec.Table(), rec.Field(), 0
				c = p.channel(quantityOf(rec))
			}
			c.fields[field]++
			return c.record(w.device, w.site, rec.Time(), &at).Set(field, rec.Value())
		}
	})
	return p, err
}

func text(rec *query.FluxRecord, column string) string {
	s, _ := rec.ValueByKey(column).(string)
	return s
}

// quantityOf gives the quantity of a row about readings.
func quantityOf(rec *query.FluxRecord) reading.Quantity {
	return reading.Quantity(rec.Measurement() + "." + text(rec, "channel"))
}

func (p *page) channel(q reading.Quantity) *channel {
	for _, c := range p.channels {
		if c.quantity == q {
			return c
		}
	}
	c := &channel{quantity: q, fields: map[string]int{}}
	p.channels = append(p.channels, c)
	return c
}

// record gives the record of a time. Tables come in the order of time, so at is
// where it lies as a rule.
func (c *channel) record(device, site string, t time.Time, at *int) *schema.Record {
	i := *at
	if i >= len(c.records) || !c.records[i].Time.Equal(t) {
		var found bool
		i, found = slices.BinarySearchFunc(c.records, t, func(r schema.Record, t time.Time) int { return r.Time.Compare(t) })
		if !found {
			kind, name, _ := strings.Cut(string(c.quantity), ".")
			c.records = slices.Insert(c.records, i, schema.Record{Measurement: kind, Channel: name, Device: device, Site: site, Time: t})
		}
	}
	*at = i + 1
	return &c.records[i]
}

// upto is up to where a page has everything: to its end, or to the last row of a
// field of which there may be more. busiest is how many readings the fullest
// channel has up to there.
func (p *page) upto(most int, end time.Time) (upto time.Time, busiest int) {
	upto = end
	for _, c := range p.channels {
		for _, n := range c.fields {
			if n < most {
				continue
			}
			// All fields of a point are written at once: one that has its limit
			// ends where the others do, and if not, with its nth row at the
			// earliest.
			if t := c.records[most-1].Time.Add(time.Nanosecond); t.Before(upto) {
				upto = t
			}
		}
	}
	for _, c := range p.channels {
		n, _ := slices.BinarySearchFunc(c.records, upto, func(r schema.Record, t time.Time) int { return r.Time.Compare(t) })
		busiest = max(busiest, n)
	}
	return upto, busiest
}
