// Package collector is the way from message to disk to daily figures: the
// intake that receives, decodes, vets, commits and only then acknowledges,
// and the history that reads back what was observed.
//
// It ties its sub-packages together and is imported by forecast's callers,
// never by them. Start with [NewIntake] and [NewHistory].
package collector

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"golang.org/x/sync/semaphore"

	"dwindle/collector/decode"
	"dwindle/collector/health"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/collector/wallclock"
	"dwindle/config"
)

// Intake is the one way in for messages and for what people enter. Messages
// wait in a bounded queue, are decoded, committed in batches, and acknowledged
// after the commit.
type Intake struct {
	site     func() *config.Site
	j        *journal.Journal
	health   *health.Checks
	log      *slog.Logger
	register *register
	rules    rules
	derive   *deriver
	watchers watchers
	clocks   clocks
	units    timeUnits
	progress *progress
	commits  commits
	patience patience
	wear     *wear
	own      ownClock

	commitTo func(context.Context, journal.Batch) (journal.Result, error) // the journal
	now      func() time.Time
	reads    func(*journal.Entry) // nil; tests have messages read by other rules

	queue   chan item           // full: Submit waits, and with it the connection
	room    *semaphore.Weighted // bytes of the messages under way; full: the same
	decoded chan work           // holds one batch, so that decoding and committing overlap
	batch   int
	linger  time.Duration
	drain   time.Duration // bounds the retries while stopping

	mu       sync.RWMutex // guards stopped against new senders
	stopped  bool
	stopping chan struct{} // closed when no more is taken
	giveUp   chan struct{} // closed when a stop has waited long enough for the disk
	senders  sync.WaitGroup

	rerunning sync.Mutex // one run of old messages at a time
	times     sync.Mutex // receive times in the journal stay as they are: from reading old messages to storing what they say now
}

// item is what waits in the queue: a message, what a person entered, or a mark
// to be answered once all before it is done.
type item struct {
	m     *reading.Message
	facts []reading.Fact
	done  func(error)
	fate  func(Fate)
	flush chan<- error // holds one answer
	beat  bool         // nothing but a sign of life; see progress
	size  int64        // of the room, given back when it is answered
}

// Fate is what became of a message.
type Fate struct {
	Err     error // not taken, as Done hears it; the rest is then empty
	Outcome journal.Outcome
	Reason  string // of a message kept aside
}

// work is an item ready to be committed.
type work struct {
	entry journal.Entry
	done  func(error)
	fate  func(Fate)
	flush chan<- error
	beat  bool
	size  int64
	mend  []wallclock.Shift // instead of all above
	clock string            // with mend: what is remembered of the clock once that is done
}

// ErrStopped means that the intake takes nothing any more.
var ErrStopped = errors.New("the intake has stopped")

// Defaults where the site file says nothing.
const (
	defaultQueue = 4096
	defaultBatch = 1000
	drainFor     = 15 * time.Second
)

// roomBytes bounds the payloads of all messages that were taken and are not yet
// answered: a queue full of the largest messages would be a gigabyte.
const roomBytes = 32 << 20

// Health names.
const (
	checkJournal = "journal"
)

// NewIntake makes an intake; Run starts it. The queue's bounds are taken from
// the site file once, the register anew after every change.
func NewIntake(site func() *config.Site, j *journal.Journal, checks *health.Checks, log *slog.Logger) *Intake {
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	opt := site().Connections.Intake
	if opt.Queue <= 0 {
		opt.Queue = defaultQueue
	}
	if opt.Batch <= 0 {
		opt.Batch = defaultBatch
	}
	j.Behind(func(gateway string) []string {
		g := site().Gateway(gateway)
		if g == nil {
			return nil
		}
		return slices.Concat(g.Machines, g.Dispensers)
	})
	return &Intake{
		site: site, j: j, health: checks, log: log,
		register: newRegister(site), derive: newDeriver(j, site, checks, log),
		queue: make(chan item, opt.Queue), decoded: make(chan work, opt.Batch), room: semaphore.NewWeighted(roomBytes),
		batch: opt.Batch, linger: opt.Linger, drain: drainFor,
		clocks: clocks{health: checks}, units: timeUnits{health: checks}, progress: newProgress(),
		patience: patience{health: checks, wait: slowWait}, wear: newWear(checks), commitTo: committer(j), now: time.Now,
		stopping: make(chan struct{}), giveUp: make(chan struct{}),
	}
}

// Run takes messages until ctx ends. Then it takes no new ones, commits what
// was taken, and returns ctx's error. What cannot be committed within a bound
// is handed back to its Done with an error and is not acknowledged.
func (in *Intake) Run(ctx context.Context) error {
	facts, err := in.j.Facts(context.WithoutCancel(ctx), endOfTime)
	if err != nil {
		err = fmt.Errorf("start the intake: %w", err)
		in.refuse()
		for x := range in.queue {
			in.answer(x, err)
		}
		return err
	}
	in.register.learn(facts)
	in.own.start(context.WithoutCancel(ctx), in)

	// Deriving ends after the last commit, so that what it saves is whole.
	deriving, stopDeriving := context.WithCancel(context.WithoutCancel(ctx))
	defer stopDeriving()
	var rooms sync.WaitGroup
	rooms.Go(func() { in.derive.run(deriving) })
	rooms.Go(in.decode)
	rooms.Go(func() { in.wear.run(deriving, func() int { return in.site().DiskMBPerDay() }) })
	written := make(chan struct{})
	go func() {
		defer close(written)
		in.write()
	}()

	<-ctx.Done()
	// The brokers keep what is not acknowledged: a stop need not wait for a
	// disk for ever.
	patience := time.AfterFunc(in.drain, func() { close(in.giveUp) })
	defer patience.Stop()
	in.refuse() // decode and write end when they have emptied theirs
	<-written
	in.last(deriving)
	stopDeriving()
	rooms.Wait()
	return ctx.Err()
}

// refuse ends the taking of messages and closes the queue.
func (in *Intake) refuse() {
	in.mu.Lock()
	in.stopped = true
	in.mu.Unlock()
	close(in.stopping)
	in.senders.Wait()
	close(in.queue)
}

// answer tells whoever handed an item in that it was not taken.
func (in *Intake) answer(x item, err error) {
	in.room.Release(x.size)
	if x.done != nil {
		x.done(err)
	}
	if x.fate != nil {
		x.fate(Fate{Err: err})
	}
	if x.flush != nil {
		x.flush <- err
	}
}

// last saves the derived tables, so that the next start has little to fold.
func (in *Intake) last(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, in.drain)
	defer cancel()
	done := make(chan error, 1)
	in.derive.ask(wish{done: done})
	select {
	case <-ctx.Done():
	case err := <-done:
		if err != nil {
			in.log.Warn("daily figures not saved at the stop; they follow from the readings", "err", err)
		}
	}
}

// Submit hands a message in; it waits while the queue is full. When it returns
// an error, Done is not called.
func (in *Intake) Submit(ctx context.Context, m reading.Message) error {
	return in.put(ctx, item{m: &m, done: m.Done})
}

// Feed is Submit for whoever wants to know what became of each message. fate is
// called exactly once if Feed returns nil, after the commit; it must not wait.
func (in *Intake) Feed(ctx context.Context, m reading.Message, fate func(Fate)) error {
	return in.put(ctx, item{m: &m, done: m.Done, fate: fate})
}

// Record commits dated facts that people entered and returns after the commit.
// A fact that is known already is no error.
func (in *Intake) Record(ctx context.Context, facts ...reading.Fact) error {
	if len(facts) == 0 {
		return nil
	}
	now, ok := in.Now()
	if !ok {
		return errClockUnset
	}
	now = now.Truncate(time.Millisecond)
	own := make([]reading.Fact, len(facts))
	for i, f := range facts {
		if f.Received.IsZero() {
			f.Received = now
		}
		if f.At.IsZero() {
			f.At = f.Received
		}
		own[i] = f
	}
	done := make(chan error, 1) // one answer, which nobody may wait for any more
	if err := in.put(ctx, item{facts: own, done: func(err error) { done <- err }}); err != nil {
		return err
	}
	return wait(ctx, done)
}

// Flush returns when everything submitted before is committed and the daily
// figures are saved.
func (in *Intake) Flush(ctx context.Context) error {
	done := make(chan error, 1)
	if err := in.put(ctx, item{flush: done}); err != nil {
		return err
	}
	return wait(ctx, done)
}

// Rebuild makes all derived tables anew from the readings and returns when
// that is done.
func (in *Intake) Rebuild(ctx context.Context) error {
	if err := in.Flush(ctx); err != nil {
		return err
	}
	done := make(chan error, 1)
	in.derive.ask(wish{rebuild: true, done: done})
	return wait(ctx, done)
}

func wait(ctx context.Context, done <-chan error) error {
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// put queues an item.
func (in *Intake) put(ctx context.Context, x item) error {
	in.mu.RLock()
	if in.stopped {
		in.mu.RUnlock()
		return ErrStopped
	}
	in.senders.Add(1)
	in.mu.RUnlock()
	defer in.senders.Done()
	if err := in.enter(ctx, &x); err != nil {
		return err
	}
	select {
	case in.queue <- x:
		return nil
	case <-in.stopping:
		in.room.Release(x.size)
		return ErrStopped
	case <-ctx.Done():
		in.room.Release(x.size)
		return ctx.Err()
	}
}

// enter waits for room for a message. One that is larger than all of it gets in
// when there is no other.
func (in *Intake) enter(ctx context.Context, x *item) error {
	if x.m == nil {
		return nil
	}
	x.size = min(int64(len(x.m.Topic)+len(x.m.Payload)), roomBytes)
	if in.room.TryAcquire(x.size) {
		return nil
	}
	waiting, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() {
		select {
		case <-in.stopping:
			cancel()
		case <-waiting.Done():
		}
	}()
	if err := in.room.Acquire(waiting, x.size); err != nil {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		return ErrStopped
	}
	return nil
}

// decode turns items into work until the queue is closed and empty.
func (in *Intake) decode() {
	defer close(in.decoded)
	tick := time.NewTicker(in.own.every)
	defer tick.Stop()
	site := in.site()
	for {
		select {
		case <-tick.C:
			in.lookAtClock()
			if now := in.site(); now != site { // devices may have gone from the register
				site = now
				gone := func(device string) bool { _, ok := in.register.Lookup(device); return !ok }
				in.clocks.forget(gone)
				in.units.forget(gone)
			}
		case x, ok := <-in.queue:
			if !ok {
				return
			}
			if x.beat {
				in.decoded <- work{beat: true}
				continue
			}
			if x.m != nil && !in.awaitClock(x.m) {
				in.answer(x, fmt.Errorf("stopped before the clock was set: %w", errClockUnset))
				continue
			}
			in.decoded <- in.understand(x)
		}
	}
}

// understand decodes and vets one item.
func (in *Intake) understand(x item) (w work) {
	w = work{done: x.done, fate: x.fate, flush: x.flush, size: x.size}
	if x.m == nil {
		w.entry = journal.Entry{Facts: x.facts, Person: true}
		return w
	}
	now := x.m.Received
	if now.IsZero() {
		now, _ = in.Now()
	}
	defer func() {
		// No message is known to do this. Should one, then it would do so again
		// after each restart, and the brokers would keep it for us for ever.
		if fault := recover(); fault != nil {
			in.log.Error("a message could not be decoded and was kept aside; please report this", "topic", x.m.Topic, "fault", fault)
			k := in.kept(x.m, now, &decode.Kept{Detail: fmt.Sprint(fault)})
			k.Reason = reasonUndecodable
			w.entry = journal.Entry{Kept: &k}
		}
	}()
	d, kept := decode.Decode(*x.m, in.rules.of(in.site(), in.log), in.register, now)
	if kept != nil {
		k := in.kept(x.m, now, kept)
		w.entry.Kept = &k
		return w
	}
	w.entry = journal.Entry{Person: x.m.Source == "person", Ignored: d.Ignored, Skipped: d.Skipped}
	// A replay by the broker without a time of its own leaves a sample empty:
	// it is counted as known.
	for i := range d.Samples {
		s := &d.Samples[i]
		w.entry.Readings, w.entry.Facts = append(w.entry.Readings, s.Readings...), append(w.entry.Facts, s.Facts...)
		w.entry.Coerced += s.Coerced
		w.entry.Missing += len(s.Missing)
		w.entry.BadTime = w.entry.BadTime || s.RawAt != ""
		in.clocks.look(x.m, s)
		in.own.hear(x.m, s)
		in.units.look(x.m, s)
	}
	for i := range d.Beside {
		w.entry.Beside = append(w.entry.Beside, in.kept(x.m, now, &d.Beside[i]))
	}
	if !w.entry.Person && !w.entry.Skipped {
		w.entry.Raw = &journal.Raw{Received: now, Topic: x.m.Topic, Payload: x.m.Payload, Retained: x.m.Retained, Dup: x.m.Dup}
	}
	if in.reads != nil {
		in.reads(&w.entry)
	}
	return w
}

// kept is a message as it is kept aside.
func (in *Intake) kept(m *reading.Message, now time.Time, k *decode.Kept) journal.Kept {
	return journal.Kept{
		Received: now, Device: k.Device, Reason: k.Reason.String(), Topic: m.Topic,
		Payload: m.Payload[:min(len(m.Payload), decode.MaxPayload)], Detail: k.Detail, Unknown: k.Unknown != "", Retained: m.Retained,
	}
}
