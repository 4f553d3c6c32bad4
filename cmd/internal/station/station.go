// Package station is the one place that knows all rooms: it wires the journal,
// the intake, the forecasts and the alarms of a site, serves them, and unwinds
// them in order. Commands and tests start it as users do.
//
// Start with [Serve] for the long run, [OpenView] for reading verbs, and
// [OpenDesk] for what people hand in.
package station

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"sync"
	"sync/atomic"
	"time"

	"dwindle/alerts"
	"dwindle/alerts/alarm"
	"dwindle/alerts/ledger"
	"dwindle/cmd/internal/monitor"
	"dwindle/collector"
	"dwindle/collector/health"
	"dwindle/collector/influx/mirror"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/collector/replay"
	"dwindle/collector/sparkplug/session"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
)

// The files in a data directory.
const (
	journalFile = "journal.db"
	ledgerFile  = "ledger.db"
)

// diskReserve is held free, so that on a full disk alarms and decisions can
// still be written, bytes: a proposal, some ten thousand of them.
const diskReserve = 16 << 20

// drainTime bounds how long a stop waits for the intake, which itself waits 15 s
// for the last commit and as long for the daily figures.
const drainTime = 35 * time.Second

var _ forecast.Source = (*collector.History)(nil)

// Station is a data directory held for writing: the stores, the intake that fills
// the journal, and the watch that fills the ledger.
type Station struct {
	site     atomic.Pointer[config.Site]
	lock     *lock
	journal  *journal.Journal
	ledger   *ledger.Ledger
	health   *health.Checks
	intake   *collector.Intake
	history  *collector.History
	watch    *alerts.Watch
	log      *slog.Logger
	opt      Options
	ownClock bool // none was given
	latest   *latest
	issued   civil.Date // the day whose forecasts are known to be kept
	learner  learner
	forward  *forwarder
	passed   chan struct{}   // holds one: there are new results
	serving  context.Context // of Run; set before anything runs

	mirror *mirror.Mirror // of a machine whose journal is in InfluxDB; nil: it has its own

	host   atomic.Pointer[session.Client] // of Sparkplug edge nodes; nil: none
	waysMu sync.Mutex
	ways   []func() map[string]monitor.Broker // by the name of the broker

	stop  func()        // ends the intake
	ended chan struct{} // closed when the intake has ended, with err
	err   error
}

// New takes the site's data directory and starts the intake; the caller must
// Close. Run serves.
func New(ctx context.Context, site *config.Site, opt Options) (*Station, error) {
	return newStation(ctx, site, opt, nil)
}

// newStation is New where a store is known to be broken, if any.
func newStation(ctx context.Context, site *config.Site, opt Options, broken *brokenStore) (_ *Station, err error) {
	if opt.Log == nil {
		opt.Log = slog.New(slog.DiscardHandler)
	}
	own := opt.Now == nil
	if own {
		opt.Now = time.Now
	}
	log := opt.Log
	c := &Station{opt: opt, ownClock: own, log: log, health: health.New(log), latest: newLatest(), learner: newLearner(), passed: make(chan struct{}, 1)}
	c.forward = &forwarder{c: c}
	c.site.Store(site)
	dir := site.DataDir()
	if dir == "" {
		return nil, &Refusal{"the site file names no data directory", "add a line such as data: ./data"}
	}
	if c.lock, err = take(dir); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			c.release()
		}
	}()
	if err := c.openStores(ctx, broken); err != nil {
		return nil, err
	}
	c.showDamage()
	c.intake = collector.NewIntake(c.site.Load, c.journal, c.health, log)
	c.history = collector.NewHistory(c.journal, c.site.Load)
	c.history.Mends(c.intake)
	if err := c.copies(ctx); err != nil {
		return nil, err
	}
	c.watch, err = alerts.NewWatch(ctx, c.ledger, c.site.Load, log)
	if errors.Is(err, ledger.ErrDamaged) { // it is read for the first time here
		if err := errors.Join(c.ledger.Close(), c.openLedger(ctx, &brokenStore{ledgerStore, err})); err != nil {
			return nil, err
		}
		c.showDamage()
		c.watch, err = alerts.NewWatch(ctx, c.ledger, c.site.Load, log)
	}
	if err != nil {
		return nil, err
	}
	// The intake outlives ctx by its own rule: on a stop it commits what it
	// has taken, so its context ends only in Close.
	run, stop := context.WithCancel(context.WithoutCancel(ctx))
	c.stop, c.ended = stop, make(chan struct{})
	go func() {
		defer close(c.ended)
		c.err = c.intake.Run(run)
	}()
	return c, nil
}

// Close drains the intake, closes the stores and gives the directory free.
func (c *Station) Close() error {
	var errs []error
	if c.stop != nil {
		c.stop()
		select {
		case <-c.ended:
			if c.err != nil && !errors.Is(c.err, context.Canceled) {
				errs = append(errs, fmt.Errorf("stop the intake: %w", c.err))
			}
		case <-time.After(drainTime):
			errs = append(errs, errors.New("the intake did not stop in time; what it had not committed was not acknowledged and will come again"))
		}
	}
	return errors.Join(append(errs, c.release())...)
}

func (c *Station) release() error {
	var errs []error
	if c.ledger != nil {
		errs = append(errs, c.ledger.Close())
	}
	if c.journal != nil {
		errs = append(errs, c.journal.Close())
	}
	return errors.Join(append(errs, c.lock.release())...)
}

// Record commits what people entered. Once it is committed it is recorded,
// whatever becomes of the daily figures: an error would have it entered twice.
func (c *Station) Record(ctx context.Context, facts ...reading.Fact) error {
	if err := Enters(c.site.Load()); err != nil {
		return err
	}
	err := c.intake.Record(ctx, facts...)
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return &Refusal{"the wait for the commit was ended; the entry may be stored or not", "dwindle export changes, and enter it again only if it is not listed"}
	}
	if err != nil {
		return err
	}
	if err := c.intake.Flush(ctx); err != nil {
		c.log.Warn("entry recorded; the daily figures follow later", "err", err)
	}
	return nil
}

// Replay feeds a log through the intake. Of faulty lines the first few are
// quoted; all are counted.
func (c *Station) Replay(ctx context.Context, log io.Reader) (Replayed, error) {
	if err := Enters(c.site.Load()); err != nil {
		return Replayed{}, err
	}
	const quoted = 20
	t := &tally{out: Replayed{Kept: map[string]int64{}}}
	lines, faults, faultCount := int64(0), []string(nil), int64(0)
	for m, err := range replay.Read(log) {
		var line *replay.LineError
		switch {
		case errors.As(err, &line):
			faultCount++
			if len(faults) < quoted {
				faults = append(faults, err.Error())
			}
			continue
		case err == nil:
			err = c.intake.Feed(ctx, m, t.add)
		}
		if ctx.Err() != nil || errors.Is(err, collector.ErrStopped) {
			return t.sum(), &Refusal{fmt.Sprintf("the replay was ended after %d messages, because dwindle stops", lines), "replay the log again later; what is known already changes nothing"}
		}
		if err != nil {
			return t.sum(), fmt.Errorf("replay, after %d messages: %w", lines, err)
		}
		lines++
	}
	if err := c.intake.Flush(ctx); err != nil {
		return t.sum(), fmt.Errorf("replay: %w", err)
	}
	out := t.sum()
	out.Lines, out.Faults, out.FaultCount = lines, faults, faultCount
	return out, nil
}

// Rerun runs messages that came before through the intake once more.
func (c *Station) Rerun(ctx context.Context, opt collector.RerunOptions) (collector.Rerun, error) {
	if err := Enters(c.site.Load()); err != nil {
		return collector.Rerun{}, err
	}
	out, err := c.intake.Rerun(ctx, opt)
	if errors.Is(err, collector.ErrStopped) || ctx.Err() != nil {
		return out, &Refusal{"running messages again was ended, because dwindle stops", "run them again later; what was stored changes nothing then"}
	}
	return out, err
}

// tally counts what became of replayed messages, and only of these: others come
// in meanwhile.
type tally struct {
	mu  sync.Mutex
	out Replayed
}

func (t *tally) add(f collector.Fate) {
	t.mu.Lock()
	defer t.mu.Unlock()
	switch {
	case f.Err != nil: // the flush tells
	case f.Outcome == journal.Stored:
		t.out.Stored++
	case f.Outcome == journal.Duplicate:
		t.out.Duplicates++
	default:
		t.out.Kept[f.Reason]++
	}
}

func (t *tally) sum() Replayed {
	t.mu.Lock()
	defer t.mu.Unlock()
	out := t.out
	out.Kept = maps.Clone(out.Kept)
	return out
}

// Decide changes the state of an alarm.
func (c *Station) Decide(ctx context.Context, d Decision) error {
	defer c.tellResults()
	switch d.Verb {
	case Acknowledge:
		return c.watch.Acknowledge(ctx, d.ID, d.By, d.Note, d.At)
	case Withdraw:
		return c.watch.WithdrawAck(ctx, d.ID, d.By, d.Note, d.At)
	case Shelve:
		return c.watch.Shelve(ctx, d.ID, d.By, d.Note, d.Until, d.At)
	case Unshelve:
		return c.watch.Unshelve(ctx, d.ID, d.By, d.Note, d.At)
	case Reset:
		return c.watch.Reset(ctx, d.ID, d.By, d.Note, d.At)
	}
	return &Refusal{fmt.Sprintf("no decision is called %q", d.Verb), "acknowledge, withdraw, shelve, unshelve or reset"}
}

// Pass makes one forecast of the fleet as of an instant and lets the watch
// look at it. Not for concurrent use.
func (c *Station) Pass(ctx context.Context, at time.Time) (forecast.Fleet, error) {
	defer Sparing()()
	past, done := c.history.AsOf(at).Pin(ctx)
	defer done()
	whole, asked := false, c.history.Round()
	defer func() { asked(whole) }()
	table, err := c.calibration(ctx, at)
	if err != nil {
		return forecast.Fleet{}, err
	}
	fleet, err := forecast.Pass(ctx, c.site.Load(), past, at, forecast.Options{Calibration: table})
	if err != nil {
		return fleet, err
	}
	if _, err := c.watch.Evaluate(ctx, fleet, past); err != nil {
		return fleet, err
	}
	whole = true
	if _, ok := c.latest.load(); !ok {
		close(c.learner.ready)
	}
	c.latest.store(fleet)
	c.keepIssued(ctx, fleet)
	c.tellResults()
	return fleet, nil
}

// tellResults says that there is something new to be handed on.
func (c *Station) tellResults() {
	select {
	case c.passed <- struct{}{}:
	default:
	}
}

// Intake is the way in for messages.
func (c *Station) Intake() *collector.Intake { return c.intake }

// Journal is what was observed.
func (c *Station) Journal() *journal.Journal { return c.journal }

// AlarmRows gives the alarm list, or with history also what has ended.
func (c *Station) AlarmRows(ctx context.Context, history bool) ([]alarm.Row, error) {
	return c.ledger.Rows(ctx, ledger.Filter{History: history})
}

// How long OpenDesk waits for a process that holds the directory and does not
// answer: one that starts or stops, or another entry that is being made.
const (
	deskWait = 5 * time.Second
	deskAsk  = 100 * time.Millisecond
)

// OpenDesk finds the process that serves the site's data directory, or takes
// the directory for itself.
func OpenDesk(ctx context.Context, site *config.Site) (Desk, error) {
	for until := time.Now().Add(deskWait); ; {
		if r, ok := reach(ctx, site.DataDir()); ok {
			return r, nil
		}
		c, err := New(ctx, site, Options{})
		if err == nil {
			return c, nil
		}
		if !errors.Is(err, ErrHeld) || time.Now().After(until) {
			return nil, err
		}
		pause := time.NewTimer(deskAsk)
		select {
		case <-pause.C:
		case <-ctx.Done():
			pause.Stop()
			return nil, ctx.Err()
		}
	}
}
