package station

import (
	"context"
	"fmt"
	"reflect"
	"sync"
	"time"

	"dwindle/cmd/internal/monitor"
	"dwindle/cmd/internal/results"
	"dwindle/collector"
	"dwindle/collector/health"
	"dwindle/collector/influx/outbox"
	"dwindle/collector/journal"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
)

// Names under which forwarding is reported to health, beside outbox.Check, which
// is the sender's own.
const (
	checkForward = "forwarding"    // how long it has been wanting
	checkResults = "daily results" // whether they get into the queue
)

const (
	// openAgain is how soon a sender that cannot be made is tried again.
	openAgain = time.Minute
	// beat is how often it is told how far all is forwarded.
	beat = time.Minute
	// feedPause is the least time between two steps of the feeder while older days
	// wait, and feedShare how many times as long as its work it rests: that takes a
	// fifth of the time at most. Judgement, as the times above are.
	feedPause = 5 * time.Second
	feedShare = 4
)

// forwarder forwards to the InfluxDB that the site file names: readings, facts,
// and what the passes say. Another one in the site file is another sender.
type forwarder struct {
	c *Station

	applying sync.Mutex // one change at a time
	mu       sync.Mutex // holds now
	now      *forwarding
}

// forwarding is one sender at work.
type forwarding struct {
	influx config.Influx
	stop   context.CancelFunc
	ended  chan struct{}
	began  time.Time

	mu     sync.Mutex // holds what is below
	box    *journal.Outbox
	sender *outbox.Sender // nil: it cannot be made
	today  civil.Date     // for which
	base   int64          // was written before
	lost   int64          // given up, when it was looked last
	lostAt time.Time      // when that grew, zero: never
}

// Target names a receiver for the journal, which begins anew for another one. It
// holds no secrets.
func Target(site *config.Site, i *config.Influx) string {
	return fmt.Sprintf("%s organisation %s bucket %s site %s", i.URL, i.Organisation, i.Bucket, site.ID)
}

// forwards gives the receiver that a site file names, nil if none: a machine that
// works from what others forwarded forwards nothing.
func forwards(site *config.Site) *config.Influx {
	i := site.Influx()
	if i == nil || site.JournalInInflux() {
		return nil
	}
	// What it is prepared with does not matter here.
	i.PrepareTokenFile, i.DailyBucket, i.Retention = "", "", 0
	return i
}

// apply brings the sender in line with the site file. It ends with ctx.
func (f *forwarder) apply(ctx context.Context, site *config.Site) error {
	f.applying.Lock()
	defer f.applying.Unlock()
	wanted := forwards(site)
	if now := f.current(); now != nil {
		if wanted != nil && reflect.DeepEqual(now.influx, *wanted) {
			return nil
		}
		now.stop()
		<-now.ended
		f.set(nil)
		for _, check := range []string{outbox.Check, checkForward, checkResults} {
			f.c.health.Drop(check)
		}
		f.c.log.Info("forwarding to InfluxDB stopped", "url", now.influx.URL, "anew", wanted != nil)
	}
	if ctx.Err() != nil {
		return ctx.Err() // nobody would wait for one that is started now
	}
	if wanted == nil {
		return f.c.journal.ForgetOutbox(ctx)
	}
	run, stop := context.WithCancel(ctx)
	now := &forwarding{influx: *wanted, stop: stop, ended: make(chan struct{}), began: time.Now()}
	f.set(now)
	go func() {
		defer close(now.ended)
		f.run(run, site, now)
	}()
	return nil
}

func (f *forwarder) current() *forwarding {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.now
}

func (f *forwarder) set(now *forwarding) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.now = now
}

// wait returns when the sender has ended, which it does some seconds after its
// context at the latest.
func (f *forwarder) wait() {
	if now := f.current(); now != nil {
		<-now.ended
	}
}

// run forwards until ctx ends. What keeps it from beginning, such as a file of
// certificates that is not there yet, does not keep the station from serving.
func (f *forwarder) run(ctx context.Context, site *config.Site, now *forwarding) {
	for {
		err := f.open(ctx, site, now)
		if err == nil {
			break
		}
		if ctx.Err() != nil {
			return
		}
		f.c.health.Set(outbox.Check, health.Bad, "forwarding to InfluxDB cannot begin: "+err.Error()+"; what comes in stays in the journal", "see stores.influx in the site file; it is tried again every "+openAgain.String())
		select {
		case <-ctx.Done():
			return
		case <-time.After(openAgain):
		}
	}
	var feeding sync.WaitGroup
	feeding.Go(func() { f.feed(ctx, now) })
	defer feeding.Wait()
	if err := now.sender.Run(ctx); err != nil && ctx.Err() == nil {
		f.c.health.Set(outbox.Check, health.Bad, "forwarding to InfluxDB has ended: "+err.Error()+"; what comes in stays in the journal", "restart dwindle serve")
	}
}

func (f *forwarder) open(ctx context.Context, site *config.Site, now *forwarding) error {
	i := &now.influx
	box, err := f.c.journal.Outbox(ctx, Target(site, i))
	if err != nil {
		return err
	}
	if before, anew := box.Anew(); anew {
		f.c.log.Info("forwarding to InfluxDB begins with the first reading of the journal", "receiver", Target(site, i), "before", before)
	}
	box.WaitForReceiver(i.BacklogDays)
	sender, err := outbox.New(outbox.Options{
		URL: i.URL, Organisation: i.Organisation, Bucket: i.Bucket, TokenFile: i.TokenFile, CAFile: i.CAFile, Site: site.ID,
		BatchRows: i.BatchRows, BatchBytes: i.BatchBytes, Every: i.Every, Beat: beat, Pressed: f.c.intake.Pressed, Outbox: box, Health: f.c.health, Log: f.c.log,
		Now: func() time.Time { at, _ := f.c.now(); return at },
	})
	if err != nil {
		return err
	}
	now.mu.Lock()
	now.box, now.sender = box, sender
	now.mu.Unlock()
	return nil
}

// feed hands on what the passes say, after each, and older days in between.
func (f *forwarder) feed(ctx context.Context, now *forwarding) {
	c := f.c
	// Its own, so that days long ago that it asks for are not taken for days that
	// forecasts need.
	history := collector.NewHistory(c.journal, c.site.Load)
	feeder := results.New(results.Options{
		Journal: c.journal, Ledger: c.ledger, Site: c.site.Load, History: history, Queue: c.journal.QueueLines,
		Past: func(ctx context.Context, at time.Time) (forecast.Fleet, error) {
			table, err := c.calibration(ctx, at)
			if err != nil {
				return forecast.Fleet{}, err
			}
			past, done := history.AsOf(at).Pin(ctx)
			defer done()
			return forecast.Pass(ctx, c.site.Load(), past, at, forecast.Options{Calibration: table})
		},
		Look: func(ctx context.Context) (results.Waiting, error) {
			b, err := now.box.Backlog(ctx)
			return results.Waiting{Lines: b.Lines, GivenUp: b.GivenUp}, err
		},
	})
	step := func() (pause time.Duration) {
		fleet, ok := c.latest.load()
		if !ok {
			return -1
		}
		defer Sparing()()
		began := time.Now()
		more, err := feeder.Step(ctx, fleet)
		switch {
		case ctx.Err() != nil:
			return -1
		case err != nil:
			c.health.Set(checkResults, health.Warn, "daily results do not get to the queue for InfluxDB: "+err.Error(), "see the journal's check; it is tried again after the next forecasts")
			return -1
		}
		c.health.Set(checkResults, health.Ok, "", "")
		if !more {
			return -1
		}
		return max(feedPause, feedShare*time.Since(began))
	}
	for {
		var again <-chan time.Time
		if pause := step(); pause >= 0 {
			again = time.After(pause)
		}
		select {
		case <-ctx.Done():
			return
		case <-c.passed:
		case <-again:
		}
	}
}

// stats gives what the sender has counted; ok is false where there is none.
func (now *forwarding) stats() (s outbox.Stats, ok bool) {
	if now == nil {
		return s, false
	}
	now.mu.Lock()
	sender := now.sender
	now.mu.Unlock()
	if sender == nil {
		return s, false
	}
	return sender.Stats(), true
}

// figures are for the monitor; nil where nothing is forwarded.
func (f *forwarder) figures() *monitor.Forward {
	s, ok := f.current().stats()
	if !ok {
		return nil
	}
	return &monitor.Forward{
		Up: s.Up, Written: s.Written, Requests: s.Requests, Taken: s.Batches, Retried: s.Retried, Refused: s.Refused, LineBytes: s.Bytes, SentBytes: s.Sent,
		Late: s.Ranges, Deleted: s.Deleted, Undeleted: s.Undeleted, LastWritten: s.LastWritten,
		BacklogKnown: s.Known, Backlog: s.Backlog, Behind: s.Behind, GivenUp: s.Waiting.GivenUp, KeptAside: s.Waiting.Refused,
	}
}

// How long nothing may be taken until somebody should look: a day, which a
// weekend's work at the server may well take a part of, and not so long that
// what waits is given up soon. The alarm comes when the check has stood for an
// hour. Judgement.
const (
	idleMost  = 23 * time.Hour
	nearShare = 0.8 // of the days that readings wait for the receiver
)

// lostShown is for how long rows that were given up are told.
const lostShown = 24 * time.Hour

// look says in health whether forwarding has been wanting for long; the sender
// itself tells what is wrong now.
func (f *forwarder) look(at time.Time) {
	now := f.current()
	if now == nil {
		return
	}
	s, ok := now.stats()
	if idle := time.Since(now.began); !ok && idle > idleMost {
		f.c.health.Set(checkForward, health.Warn, fmt.Sprintf("forwarding to InfluxDB has not begun for %.0f hours", idle.Hours()), "see the check "+outbox.Check)
	}
	if !ok || !s.Known {
		return
	}
	site := f.c.site.Load()
	lost := now.count(site.Today(at), s, at)
	waiting := now.since(s.Waiting, at)
	what := wanting(at, waiting, s.Backlog, lost, now.influx.BacklogDays, site.Keep.ReadingsDays)
	if what == "" {
		f.c.health.Set(checkForward, health.Ok, "", "")
		return
	}
	f.c.health.Set(checkForward, health.Warn, what, "see the check "+outbox.Check+"; readings stay in the journal while they wait, beyond their age as many days as backlog_days says, and what is in the journal can be had with dwindle export")
}

// since takes the beginning for when something was taken last, where nothing was
// yet: what is older than that has not waited for the receiver.
func (now *forwarding) since(b journal.Backlog, at time.Time) journal.Backlog {
	if began := at.Add(-time.Since(now.began)); b.Taken.IsZero() && b.Oldest.Before(began) {
		b.Taken = began
	}
	return b
}

// wanting says what is wrong with forwarding over a long time; empty: nothing.
// rows wait, lost were given up in all, some of them lately (0: none lately).
func wanting(at time.Time, b journal.Backlog, rows, lost int64, backlogDays, readingsDays int) string {
	days := func(n float64) time.Duration { return time.Duration(n * 24 * float64(time.Hour)) }
	since := b.Taken
	if since.IsZero() {
		since = b.Oldest
	}
	switch patience := min(idleMost, days(nearShare*float64(backlogDays))); {
	case rows > 0 && !since.IsZero() && at.Sub(since) > patience:
		return fmt.Sprintf("InfluxDB has taken nothing for %.0f hours; %d rows wait", at.Sub(since).Hours(), rows)
	case !b.Oldest.IsZero() && at.Sub(b.Oldest) > days(nearShare*float64(backlogDays)+float64(readingsDays)):
		return fmt.Sprintf("readings of %s wait for InfluxDB and will be given up soon", b.Oldest.Format(time.RFC3339))
	case lost > 0:
		return fmt.Sprintf("%d rows in all were given up for InfluxDB, some within the last day", lost)
	}
	return ""
}

// count keeps what was written before today, and gives how much was ever given up
// if some of it was within the last day.
func (now *forwarding) count(today civil.Date, s outbox.Stats, at time.Time) (lost int64) {
	for _, n := range s.Waiting.GivenUp {
		lost += n
	}
	now.mu.Lock()
	defer now.mu.Unlock()
	first := now.today == 0
	if now.today != today {
		now.today, now.base = today, s.Written
		if first {
			now.base, now.lost = 0, lost
		}
	}
	if lost > now.lost {
		now.lost, now.lostAt = lost, at
	}
	if now.lostAt.IsZero() || at.Sub(now.lostAt) > lostShown {
		return 0
	}
	return lost
}
