package station

import (
	"context"
	"fmt"
	"maps"
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
	// wait, and feedShare the share of the time that its work may take.
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
	what := wanting(at, s.Waiting, s.Backlog, lost, now.influx.BacklogDays, site.Keep.ReadingsDays)
	if what == "" {
		f.c.health.Set(checkForward, health.Ok, "", "")
		return
	}
	f.c.health.Set(checkForward, health.Warn, what, "see the check "+outbox.Check+"; readings stay in the journal while they wait, beyond their age as many days as backlog_days says, and what is in the journal can be had with dwindle export")
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

// Forwarding is what is forwarded, for people.
type Forwarding struct {
	// Live says that a process forwards now; else it is what the journal knows.
	Live bool `json:"live"`
	Forwarded
	Check health.Check `json:"check,omitzero"` // the sender's; zero where none forwards
	// Began is when it began, and WrittenToday what was written since the day or,
	// if later, since then.
	Began        time.Time        `json:"began,omitzero"`
	WrittenToday int64            `json:"written_today"`
	Written      int64            `json:"written"` // since it began
	Requests     int64            `json:"requests"`
	RefusedPoint map[string]int64 `json:"refused,omitempty"` // since it began, by reason
}

// Forwarded is what the journal knows of it.
type Forwarded struct {
	Target      string           `json:"target"`
	Rows        int64            `json:"rows"` // that wait
	Estimated   bool             `json:"estimated,omitempty"`
	Readings    int64            `json:"readings"`
	Late        int64            `json:"late_ranges"`
	Facts       int64            `json:"facts"`
	Lines       int64            `json:"lines"` // of daily results
	Oldest      time.Time        `json:"oldest,omitzero"`
	LastWritten time.Time        `json:"last_written,omitzero"`
	KeptAside   map[string]int64 `json:"kept_aside"`  // by reason
	Overwritten map[string]int64 `json:"overwritten"` // of these, by reason
	GivenUp     map[string]int64 `json:"given_up"`    // by reason, or by measurement
}

func outboxOf(b journal.Backlog) Forwarded {
	whole := func(m map[string]int64) map[string]int64 {
		if m == nil {
			return map[string]int64{}
		}
		return maps.Clone(m)
	}
	return Forwarded{
		Target: b.Target, Rows: b.Readings + b.Late + b.Facts + b.Lines, Estimated: b.Estimated, Readings: b.Readings, Late: b.Late, Facts: b.Facts, Lines: b.Lines,
		Oldest: b.Oldest, LastWritten: b.Taken, KeptAside: whole(b.Refused), Overwritten: whole(b.Overwritten), GivenUp: whole(b.GivenUp),
	}
}

// Forwarding says what is forwarded by this process.
func (c *Station) Forwarding(ctx context.Context) (Forwarding, error) {
	now := c.forward.current()
	s, ok := now.stats()
	if !ok {
		return Forwarding{}, noReceiver(c.site.Load())
	}
	b, err := now.box.Backlog(ctx)
	if err != nil {
		return Forwarding{}, err
	}
	at, _ := c.now()
	now.count(c.site.Load().Today(at), s, at)
	out := Forwarding{Live: true, Forwarded: outboxOf(b), Began: now.began, Written: s.Written, Requests: s.Requests, RefusedPoint: s.Refused}
	now.mu.Lock()
	out.WrittenToday = s.Written - now.base
	now.mu.Unlock()
	for _, check := range c.health.List() {
		if check.Name == outbox.Check {
			out.Check = check
		}
	}
	return out, nil
}

func noReceiver(site *config.Site) error {
	if site.JournalInInflux() {
		return &Refusal{"this machine works from what others forwarded, and forwards nothing itself", "dwindle forward on the machine that takes the messages in"}
	}
	if site.Influx() != nil {
		return &Refusal{"nothing is forwarded: InfluxDB cannot be written to as the site file says, or was named a moment ago", "see the check " + outbox.Check + " on the health page; after a change to the site file, send dwindle serve a SIGHUP"}
	}
	return &Refusal{"nothing is forwarded: the site file names no InfluxDB", "influx: with url, organisation, bucket and token_file, under stores:"}
}

// Resend has what was refused and kept aside sent again, and gives how much that
// is.
func (c *Station) Resend(ctx context.Context) (int, error) {
	if now := c.forward.current(); now != nil {
		now.mu.Lock()
		box := now.box
		now.mu.Unlock()
		if box == nil {
			return 0, noReceiver(c.site.Load())
		}
		return box.Resend(ctx)
	}
	site := c.site.Load()
	i := forwards(site)
	if i == nil {
		return 0, noReceiver(site)
	}
	b, ok, err := c.journal.Forwarding(ctx)
	if err != nil {
		return 0, err
	}
	// For another receiver all would begin anew, which serving alone does.
	if target := Target(site, i); !ok || b.Target != target {
		return 0, &Refusal{"nothing was sent to the InfluxDB that the site file names", "dwindle serve -c " + site.Path()}
	}
	box, err := c.journal.Outbox(ctx, b.Target)
	if err != nil {
		return 0, err
	}
	return box.Resend(ctx)
}

// Forwarding says what is forwarded: by the process that serves the site, else as
// the journal has it, whose places are up to some minutes old.
func (v *View) Forwarding(ctx context.Context) (Forwarding, error) {
	if forwards(v.Site) == nil {
		return Forwarding{}, noReceiver(v.Site)
	}
	if r, ok := reach(ctx, v.Site.DataDir()); ok {
		defer r.Close()
		return r.Forwarding(ctx)
	}
	b, ok, err := v.Journal.Forwarding(ctx)
	if err != nil {
		return Forwarding{}, err
	}
	if !ok {
		return Forwarding{}, &Refusal{"nothing was forwarded yet", "dwindle serve -c " + v.Site.Path()}
	}
	return Forwarding{Forwarded: outboxOf(b)}, nil
}
