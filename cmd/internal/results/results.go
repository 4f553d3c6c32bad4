// Package results hands daily results to the outbox: usage, forecasts, delivery,
// alarms, the register and calibrations, as lines for a receiver of time series.
//
// Nothing is handed on twice unless it has changed, and nothing is forgotten: what
// was handed on is marked in the journal after it lies in the outbox, so that a
// crash between has it handed on once more, which changes nothing at the receiver.
// Start with [New]; [Feeder.Step] does what is due.
package results

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"time"

	"dwindle/alerts/ledger"
	"dwindle/collector/influx/schema"
	"dwindle/collector/journal"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
)

// reachDays is how far back results are handed on: a year shows all of a
// calendar.
const reachDays = 400

// How much waits and goes at once is judgement: a queue that is seen through in
// minutes, and transactions that keep nobody waiting.
const (
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
			f.takeBack(line)
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

// room is how many more lines of older days the queue may take in this step.
func (f *Feeder) room() int { return int(max(queueMost-f.queue.Lines, 0)) }
