// Package results hands daily results to the outbox: usage, forecasts, delivery,
// alarms, the register and calibrations, as lines for a receiver of time series.
//
// Nothing is handed on twice unless it has changed, and nothing is forgotten: what
// was handed on is marked in the journal after it lies in the outbox, so that a
// crash between has it handed on once more, which changes nothing at the receiver.
// Start with [New]; [Feeder.Step] does what is due.
package results

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"dwindle/alerts/ledger"
	"dwindle/collector/influx/schema"
	"dwindle/collector/journal"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
	"dwindle/forecast/export"
)

// Usage is worked out in blocks of days that lie fast in the calendar, each with
// the same days before and after for context: which falls of a level stand out of
// its noise depends on the days that are looked at, and a day must not change
// because another day looks at it.
const (
	blockDays = 28
	leadDays  = 28
	lagDays   = 2
)

// reachDays is how far back results are handed on: a year shows all of a
// calendar.
const reachDays = 400

const (
	// usageEvery is how often the newest blocks are looked through for what came
	// late, with a day at least in each.
	usageEvery = time.Hour
	// sweepEvery is how often all blocks are.
	sweepEvery = 7 // days
	// alarmsOnce bounds the transitions that are looked at in one step, and
	// daysOnce the days of issued forecasts.
	alarmsOnce = 2000
	daysOnce   = 7
	// linesOnce is how many lines go into the queue in one transaction.
	linesOnce = 500
	// queueMost is how many lines may wait for older days to be added: those of
	// today come first.
	queueMost = 20_000
	// queueShort is how many lines may wait for lost ones to be handed on again.
	queueShort = 2000
)

// Options of a Feeder.
type Options struct {
	Journal *journal.Journal
	Ledger  *ledger.Ledger
	Site    func() *config.Site
	// History is what usage is worked out from. It must not be the one whose
	// needs are noted: older readings would be kept for it.
	History forecast.Source
	// Past makes the pass of a past instant, for days on which delivery was not
	// handed on any more.
	Past func(ctx context.Context, at time.Time) (forecast.Fleet, error)
	// Queue takes lines for the receiver; they are durable when it returns.
	Queue func(ctx context.Context, lines [][]byte) error
	// Look tells of the queue.
	Look func(ctx context.Context) (Waiting, error)
}

// Waiting is what waits in the queue of lines.
type Waiting struct {
	Lines int64
	// GivenUp counts the lines that were driven out of it, by measurement, since
	// the journal began.
	GivenUp map[string]int64
}

// Feeder hands results on. Not for concurrent use.
type Feeder struct {
	opt     Options
	site    *config.Site // whose register was handed on
	day     civil.Date   // of it
	stands  uint64       // what stood where
	usageAt time.Time    // when the newest blocks were last looked through
	behind  bool         // then, not all that had changed was handed on
	block   civil.Date   // the block that is swept next; 0: none
	swept   civil.Date   // the day on which sweeping last began
	alarms  civil.Date   // the day on which standing alarms were handed on

	enc   *schema.Encoder
	lines [][]byte // that go into the queue next, in text
	text  []byte
	unfit error // the first row in this step that has no form as a line
	queue Waiting
}

// New gives a feeder.
func New(opt Options) *Feeder { return &Feeder{opt: opt} }

// Step hands on what is due after a pass: what is new at once, and older days a
// few at a time; more says that such days wait. What fails does not keep the rest
// from being handed on, and is tried again in the next step.
func (f *Feeder) Step(ctx context.Context, fleet forecast.Fleet) (more bool, err error) {
	site := f.opt.Site()
	if f.enc == nil {
		f.enc = schema.NewEncoder(site.ID)
	}
	f.unfit = nil
	today := site.Today(fleet.At)
	if f.queue, err = f.opt.Look(ctx); err != nil {
		return false, err
	}
	if err := f.lost(ctx); err != nil {
		return false, err
	}
	var errs []error
	for _, part := range []struct {
		name string
		do   func() (bool, error)
	}{
		{schema.Register, func() (bool, error) { return false, f.register(ctx, site, today, fleet) }},
		{schema.Calibrated, func() (bool, error) { return false, f.calibrations(ctx) }},
		{schema.Alarm, func() (bool, error) { return f.alarm(ctx, site, today) }},
		{schema.Forecast, func() (bool, error) { return f.forecasts(ctx, site, today) }},
		{schema.Delivery, func() (bool, error) { return f.delivery(ctx, site, today, fleet) }},
		{schema.Usage, func() (bool, error) { return f.usage(ctx, site, today, fleet.At) }},
	} {
		if ctx.Err() != nil {
			return false, ctx.Err()
		}
		again, err := part.do()
		f.drop()
		if err != nil {
			errs = append(errs, fmt.Errorf("hand on %s: %w", part.name, err))
		}
		more = more || again
	}
	return more, errors.Join(append(errs, f.unfit)...)
}

// markLost is where it is kept what was driven out of the queue by then.
const markLost = "given_up"

// lost has handed on again what was driven out of the queue, once it is short
// again: a receiver that was away for long gets the results of that time, too.
func (f *Feeder) lost(ctx context.Context) error {
	marks, err := f.marks(ctx, markLost, 0, 0)
	if err != nil {
		return err
	}
	known := map[string]int64{}
	if len(marks) > 0 {
		if err := json.Unmarshal(marks[0].Body, &known); err != nil {
			known = map[string]int64{} // damaged: once more than need be
		}
	}
	if maps.Equal(known, f.queue.GivenUp) || len(marks) > 0 && f.queue.Lines > queueShort {
		return nil
	}
	for _, name := range append(schema.DailyNames(), schema.Calibrated) {
		if len(marks) == 0 || f.queue.GivenUp[name] <= known[name] {
			continue
		}
		if err := f.opt.Journal.DropMarks(ctx, name); err != nil {
			return err
		}
		f.site, f.usageAt, f.swept = nil, time.Time{}, 0
	}
	body, err := json.Marshal(f.queue.GivenUp)
	if err != nil {
		return fmt.Errorf("keep what was given up: %w", err)
	}
	return f.opt.Journal.SaveMarks(ctx, []journal.Mark{{Measurement: markLost, Body: body}}, 0)
}

// row makes a line of a daily row; it has to be put into the queue or taken back.
// What has no form as a line is left out and told: it must not keep others back.
func (f *Feeder) row(measurement string, row any, day civil.Date, site *config.Site) (line []byte) {
	return f.encode(func(dst []byte) ([]byte, error) { return f.enc.Daily(dst, measurement, row, day, site.Location()) })
}

func (f *Feeder) encode(do func(dst []byte) ([]byte, error)) (line []byte) {
	begin := len(f.text)
	text, err := do(f.text)
	if err != nil {
		if f.unfit == nil {
			f.unfit = err
		}
		return nil
	}
	text = bytes.TrimSuffix(text, []byte("\n"))
	f.text = text
	return text[begin:len(text):len(text)]
}

// put collects a line; lines go into the queue some hundred at a time.
func (f *Feeder) put(ctx context.Context, line []byte) error {
	if len(line) > 0 {
		f.lines = append(f.lines, line)
	}
	if len(f.lines) < linesOnce {
		return nil
	}
	return f.flush(ctx)
}

func (f *Feeder) flush(ctx context.Context) error {
	defer f.drop()
	if len(f.lines) == 0 {
		return nil
	}
	return f.opt.Queue(ctx, f.lines)
}

// drop forgets the lines that were collected.
func (f *Feeder) drop() {
	clear(f.lines)
	f.lines, f.text = f.lines[:0], f.text[:0]
}

// mark ends a part: all its lines are in the queue, and then it is marked.
func (f *Feeder) mark(ctx context.Context, today civil.Date, marks ...journal.Mark) error {
	if err := f.flush(ctx); err != nil {
		return err
	}
	return f.opt.Journal.SaveMarks(ctx, marks, today-reachDays-2*blockDays)
}

func (f *Feeder) marks(ctx context.Context, measurement string, first, last civil.Date) ([]journal.Mark, error) {
	return f.opt.Journal.Marks(ctx, measurement, first, last)
}

// register hands on what the points are: with each start, each day, when the site
// file was read again, and when a dispenser was swapped or set anew.
func (f *Feeder) register(ctx context.Context, site *config.Site, today civil.Date, fleet forecast.Fleet) error {
	now := stands(fleet.States)
	if f.site == site && f.day == today && f.stands == now {
		return nil
	}
	states := make(map[string]*forecast.State, len(fleet.States))
	for i := range fleet.States {
		states[fleet.States[i].Row.Point] = &fleet.States[i]
	}
	for i := range site.Points {
		pt := &site.Points[i]
		if err := f.put(ctx, f.row(schema.Register, registerRow(site, pt, states[pt.ID]), today, site)); err != nil {
			return err
		}
	}
	if err := f.flush(ctx); err != nil {
		return err
	}
	f.site, f.day, f.stands = site, today, now
	return nil
}

// calibrations hands on those that are new.
func (f *Feeder) calibrations(ctx context.Context) error {
	before, err := f.marks(ctx, schema.Calibrated, 0, 0)
	if err != nil {
		return err
	}
	var known, now handed
	if len(before) > 0 {
		known = decode(before[0].Body)
	}
	changed := false
	err = f.opt.Journal.Calibrations(ctx, func(c journal.Calibration) error {
		line := f.encode(func(dst []byte) ([]byte, error) {
			return f.enc.Calibration(dst, schema.Calibration{Version: c.Version, Learned: c.Learned, Stored: c.Stored, Body: c.Body})
		})
		mark := handedLine{hash([]byte(c.Version)), hash(line)}
		now = append(now, mark)
		if known.has(mark) {
			f.text = f.text[:len(f.text)-len(line)]
			return nil
		}
		changed = true
		return f.put(ctx, line)
	})
	if err != nil || !changed {
		return err
	}
	now.sort()
	return f.mark(ctx, 0, journal.Mark{Measurement: schema.Calibrated, Body: now.encode()})
}

// alarm hands on alarms that moved, and once a day those that stand, whose values
// change without a move. Each is one row of the day on which it began, which is
// renewed: alarms are counted by when they began, and how long they lasted stands
// in the row.
func (f *Feeder) alarm(ctx context.Context, site *config.Site, today civil.Date) (more bool, err error) {
	before, err := f.marks(ctx, schema.Alarm, 0, 0)
	if err != nil {
		return false, err
	}
	after := int64(0)
	if len(before) > 0 {
		after = number(before[0].Body)
	}
	rows, upTo, err := f.opt.Ledger.Changed(ctx, after, alarmsOnce)
	if err != nil {
		return false, err
	}
	if upTo < after { // another ledger
		return true, f.mark(ctx, 0, journal.Mark{Measurement: schema.Alarm, Body: numberBody(0)})
	}
	more = upTo != after
	if f.alarms != today {
		standing, err := f.opt.Ledger.Rows(ctx, ledger.Filter{})
		if err != nil {
			return false, err
		}
		rows = append(rows, standing...)
	}
	if len(rows) == 0 {
		f.alarms = today
		return false, nil
	}
	for _, r := range rows {
		if err := f.put(ctx, f.row(schema.Alarm, r, site.Today(r.Since), site)); err != nil {
			return false, err
		}
	}
	if err := f.mark(ctx, 0, journal.Mark{Measurement: schema.Alarm, Body: numberBody(upTo)}); err != nil {
		return false, err
	}
	f.alarms = today
	return more, nil
}

// forecasts hands on what was issued, as it was issued: today's first, then days
// before it that were not yet.
func (f *Feeder) forecasts(ctx context.Context, site *config.Site, today civil.Date) (more bool, err error) {
	days, err := f.missing(ctx, schema.Forecast, today)
	if err != nil {
		return false, err
	}
	slices.Reverse(days)
	for n, day := range days {
		if n == daysOnce {
			return true, nil
		}
		if day < today-1 && f.room() == 0 {
			return true, nil
		}
		_, body, ok, err := f.opt.Journal.Forecast(ctx, day)
		if err != nil {
			return false, err
		}
		if !ok {
			continue
		}
		err = eachRow(body, func(row forecast.Row) error {
			return f.put(ctx, f.row(schema.Forecast, row, day, site))
		})
		if err == nil {
			err = f.mark(ctx, today, journal.Mark{Measurement: schema.Forecast, Day: day})
		}
		if err != nil {
			return false, err
		}
	}
	return false, nil
}

// missing gives the days of issued forecasts of which nothing was handed on.
func (f *Feeder) missing(ctx context.Context, measurement string, today civil.Date) ([]civil.Date, error) {
	issued, err := f.opt.Journal.ForecastDays(ctx, today-reachDays, today)
	if err != nil {
		return nil, err
	}
	marks, err := f.marks(ctx, measurement, today-reachDays, today)
	if err != nil {
		return nil, err
	}
	done := map[civil.Date]bool{}
	for _, m := range marks {
		done[m.Day] = true
	}
	return slices.DeleteFunc(issued, func(d civil.Date) bool { return done[d] }), nil
}

// missedMost is how many days back delivery is worked out afterwards, with a pass
// for each: so many a stop of the program may well last.
const missedMost = 7

// delivery hands on what the first pass of a day said; where the program ended
// between the pass and this, the pass is made again.
func (f *Feeder) delivery(ctx context.Context, site *config.Site, today civil.Date, fleet forecast.Fleet) (more bool, err error) {
	marks, err := f.marks(ctx, schema.Delivery, today-missedMost, today)
	if err != nil {
		return false, err
	}
	if n := len(marks); n > 0 && marks[n-1].Day == today {
		return false, nil
	}
	if len(marks) > 0 {
		days, err := f.missing(ctx, schema.Delivery, today)
		if err != nil {
			return false, err
		}
		for _, day := range days {
			if day <= marks[0].Day || day == today {
				continue
			}
			at, _, ok, err := f.opt.Journal.Forecast(ctx, day)
			if err != nil || !ok {
				return false, err
			}
			past, err := f.opt.Past(ctx, at)
			if err == nil {
				err = f.deliveryOf(ctx, site, day, today, past)
			}
			return true, err // one pass in a step
		}
	}
	return false, f.deliveryOf(ctx, site, today, today, fleet)
}

func (f *Feeder) deliveryOf(ctx context.Context, site *config.Site, day, today civil.Date, fleet forecast.Fleet) error {
	for i := range fleet.States {
		if err := f.put(ctx, f.row(schema.Delivery, fleet.States[i].Delivery, day, site)); err != nil {
			return err
		}
	}
	return f.mark(ctx, today, journal.Mark{Measurement: schema.Delivery, Day: day})
}

// usage looks through the newest blocks, and sweeps the older ones.
func (f *Feeder) usage(ctx context.Context, site *config.Site, today civil.Date, now time.Time) (more bool, err error) {
	room := f.room()
	newest := blockOf(today - 1)
	past := now.Sub(f.usageAt)
	if past < 0 || past >= usageEvery || site.Today(f.usageAt) != today || f.behind && room > 0 {
		f.behind = false
		// The one before, too: what came late for a day of this month.
		for _, block := range []civil.Date{newest, newest - blockDays} {
			whole, err := f.usageOf(ctx, site, block, today, &room)
			if err != nil {
				return false, err
			}
			f.behind = f.behind || !whole
		}
		f.usageAt = now
	}
	if f.swept == 0 || today-f.swept >= sweepEvery || today < f.swept {
		f.swept, f.block = today, newest-2*blockDays
	}
	switch {
	case f.behind:
		return true, nil
	case f.block == 0:
		return false, nil
	case f.block < today-reachDays:
		f.block = 0
		return false, nil
	case room == 0:
		return true, nil
	}
	whole, err := f.usageOf(ctx, site, f.block, today, &room)
	if whole {
		f.block -= blockDays
	}
	return true, err
}

// room is how many more lines of older days the queue may take in this step.
func (f *Feeder) room() int { return int(max(queueMost-f.queue.Lines, 0)) }

// blockOf gives the first day of the block that a day lies in.
func blockOf(d civil.Date) civil.Date { return d - d%blockDays }

// usageOf hands on what has changed of the complete days of a block: of the last
// two days all, and of older ones as much as there is room for; whole says that
// nothing is left.
func (f *Feeder) usageOf(ctx context.Context, site *config.Site, block, today civil.Date, room *int) (whole bool, err error) {
	last := min(block+blockDays-1, today-1)
	before, err := f.marks(ctx, schema.Usage, block, last)
	if err != nil {
		return false, err
	}
	known, now := make([]handed, blockDays), make([]handed, blockDays)
	for _, m := range before {
		known[m.Day-block] = decode(m.Body)
	}
	changed := make([]bool, blockDays)
	whole = true
	// write hands on the row of a device and day, if it has changed.
	write := func(device string, day civil.Date, row any) error {
		if day < block || day > last {
			return nil
		}
		line := f.row(schema.Usage, row, day, site)
		k, mark := day-block, handedLine{hash([]byte(device)), hash(line)}
		seen := known[k].has(mark)
		if !seen && day < today-2 && *room == 0 || line == nil {
			f.text = f.text[:len(f.text)-len(line)]
			whole = whole && line == nil
			return nil
		}
		now[k] = append(now[k], mark)
		if seen {
			f.text = f.text[:len(f.text)-len(line)]
			return nil
		}
		*room = max(*room-1, 0)
		changed[k] = true
		return f.put(ctx, line)
	}
	err = forecast.MachineDays(ctx, site, f.opt.History, block, last, func(row export.MachineDay) error {
		return write("machine/"+row.Machine, row.Date, machineDay{MachineDay: row})
	})
	if err != nil {
		return false, err
	}
	// A day on which the setting changed comes in two rows, one after the other.
	var held export.Usage
	put := func() error {
		if held.Dispenser == "" {
			return nil
		}
		return write("dispenser/"+held.Dispenser, held.Date, dispenserDay{Usage: held})
	}
	err = forecast.Usage(ctx, site, f.opt.History, block-leadDays, min(last+lagDays, today), func(row export.Usage) error {
		if held.Dispenser == row.Dispenser && held.Point == row.Point && held.Date == row.Date {
			held = together(held, row)
			return nil
		}
		err := put()
		held = row
		return err
	})
	if err == nil {
		err = put()
	}
	if err != nil {
		return false, err
	}
	var marks []journal.Mark
	for k := range now {
		if changed[k] {
			now[k].sort()
			marks = append(marks, journal.Mark{Measurement: schema.Usage, Day: block + civil.Date(k), Body: now[k].encode()})
		}
	}
	if len(marks) == 0 {
		return whole, nil
	}
	return whole, f.mark(ctx, today, marks...)
}
