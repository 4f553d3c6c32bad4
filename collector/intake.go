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
