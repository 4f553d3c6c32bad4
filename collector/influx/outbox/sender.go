package outbox

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"log/slog"
	"net"
	"sync"
	"sync/atomic"
	"time"

	"dwindle/collector/health"
	"dwindle/collector/influx/schema"
	"dwindle/config"
)

// Options of New. URL, Organisation, Bucket, Site and Outbox are needed.
type Options struct {
	URL                  string // http:// or https://, without an account
	Organisation, Bucket string
	// TokenFile holds the token; it is read anew for each request. Empty: the
	// server wants none.
	TokenFile string
	// CAFile holds the authorities to be trusted; empty: those of the system.
	CAFile string

	// Site is the id of the site, a tag of every point.
	Site string
	// BatchRows and BatchBytes (of line protocol, before gzip) bound a request.
	// Zero: those of a site file that says nothing, as with Every.
	BatchRows, BatchBytes int
	// Every is how long rows are gathered once all is sent.
	Every time.Duration
	// Beat is how often it is written how far all is written, once nothing waits,
	// so that who reads knows a silent plant from a sender that is cut off. Zero:
	// it is not.
	Beat time.Duration

	// Pressed says that there is other work that should go first, the intake's:
	// then it is sent a fourth of the time only. nil: there never is.
	Pressed func() bool

	Outbox Outbox
	Health *health.Checks
	Log    *slog.Logger
	// Now is the time by which readings are stamped when they are received: what
	// is dated here follows it, should the clock of the machine be wrong. Nil: that
	// clock.
	Now func() time.Time

	// dial, in tests, connects to a server of theirs.
	dial  func(ctx context.Context, network, addr string) (net.Conn, error)
	times times // zero: usualTimes
}

// How long is waited for what, here: proposals.
const (
	// stopTime bounds how long a stop waits for the request under way: what is
	// not answered by then comes again.
	stopTime = 5 * time.Second
	// journalWait is how long is waited after the journal could not be read or
	// written.
	journalWait = 10 * time.Second
	// yieldMost bounds a pause that is made for other work.
	yieldMost = 2 * time.Second
	// feedFresh is how old an entry of the change feed may be when it is written.
	feedFresh = time.Minute
	// lookEvery is how often the backlog is counted and health told of it.
	lookEvery = 15 * time.Second
)

// Sender writes what an outbox holds to InfluxDB, for as long as it runs.
type Sender struct {
	opt   Options
	to    *receiver
	stats counters
	state state
	lim   *limits
	ran   atomic.Bool

	// hard ends a stopTime after the context of Run: what is under way may
	// finish until then.
	hard context.Context
	// cannotDelete has been said.
	cannotDelete atomic.Bool
	look         chan struct{} // for watch to count the backlog now
}

// New checks the options; Run connects.
func New(opt Options) (*Sender, error) {
	switch {
	case opt.Outbox == nil:
		return nil, errors.New("outbox.New: no outbox")
	case opt.Site == "":
		return nil, errors.New("outbox.New: no site")
	case opt.Organisation == "" || opt.Bucket == "":
		return nil, errors.New("the organisation or the bucket of InfluxDB is missing\ntry: organisation: and bucket: under stores.influx")
	case opt.BatchRows < 0 || opt.BatchBytes < 0 || opt.Every < 0:
		return nil, errors.New("outbox.New: a bound below zero")
	}
	opt.BatchRows = cmp.Or(opt.BatchRows, config.DefaultBatchRows)
	opt.BatchBytes = cmp.Or(opt.BatchBytes, config.DefaultBatchBytes)
	opt.Every = cmp.Or(opt.Every, config.DefaultForwardEvery)
	opt.times = cmp.Or(opt.times, usualTimes)
	if opt.Log == nil {
		opt.Log = slog.New(slog.DiscardHandler)
	}
	if opt.Now == nil {
		opt.Now = time.Now
	}
	s := &Sender{opt: opt, lim: newLimits(opt.BatchRows, opt.BatchBytes), look: make(chan struct{}, 1)}
	var err error
	if s.to, err = newReceiver(opt, &s.stats); err != nil {
		return nil, err
	}
	return s, nil
}

// Run writes until ctx ends, once. Then the request under way has a few seconds
// to be answered; what is not comes again. It returns nil, or that it cannot run.
func (s *Sender) Run(ctx context.Context) error {
	if s.ran.Swap(true) {
		return errors.New("outbox.Sender.Run: it ran before; make a new one")
	}
	var end context.CancelFunc
	s.hard, end = context.WithCancel(context.WithoutCancel(ctx))
	defer end()
	var workers sync.WaitGroup
	workers.Go(func() {
		select {
		case <-s.hard.Done():
			return
		case <-ctx.Done():
		}
		pause(s.hard, stopTime)
		end()
	})
	defer workers.Wait()
	defer end()
	defer s.to.close()

	jobs := make(chan *job) // one is written, one is ready
	workers.Go(func() { defer close(jobs); s.prepare(ctx, jobs) })
	workers.Go(func() { s.watch(ctx) })
	w := &settler{s: s, pace: newPacer(), lim: s.lim}
	for j := range jobs {
		began := time.Now()
		if err := s.deliver(ctx, w, j); err != nil {
			break // ctx has ended
		}
		if opt := &s.opt; opt.Pressed != nil && opt.Pressed() {
			pause(ctx, min(3*time.Since(began), yieldMost))
		}
	}
	for range jobs { // the preparing ends with ctx
	}
	s.opt.Outbox.Back()
	return nil
}

// prepare reads parcels and makes rows of them, one ahead of what is written.
func (s *Sender) prepare(ctx context.Context, jobs chan<- *job) {
	enc := schema.NewEncoder(s.opt.Site)
	var beat time.Time // the last
	due := func(now time.Time) bool { return s.opt.Beat > 0 && now.Sub(beat) >= s.opt.Beat }
	for ctx.Err() == nil {
		began, stored := time.Now(), s.opt.Now()
		most := int(s.lim.rows.Load())
		parcel, err := s.opt.Outbox.Next(ctx, most)
		switch {
		case err != nil:
			if ctx.Err() == nil {
				s.journalFails("read what waits for InfluxDB from the journal", err)
				pause(ctx, journalWait)
			}
			continue
		case parcel.Empty() && !due(began):
			var next <-chan time.Time
			if s.opt.Beat > 0 {
				next = time.After(s.opt.Beat - began.Sub(beat))
			}
			select {
			case <-ctx.Done():
			case <-s.opt.Outbox.Ready():
				pause(ctx, s.opt.Every)
			case <-next:
			}
			continue
		}
		j := &job{parcel: parcel, s: s}
		if !parcel.More && due(began) {
			j.upto, beat = stored, began
		}
		j.encode(enc)
		select {
		case <-ctx.Done():
			return
		case jobs <- j:
		}
		if !parcel.More && !parcel.Empty() {
			// That was all: gather some before the next.
			pause(ctx, s.opt.Every-time.Since(began))
		}
	}
}

// deliver brings a parcel to the receiver and notes that in the journal. An error
// says that ctx has ended.
func (s *Sender) deliver(ctx context.Context, w *settler, j *job) error {
	return inOrder(func() error { return s.hand(ctx, w, j) }, func() error { return s.note(ctx, j) })
}

// hand takes away what is gone at the receiver, writes the rows, then tells the
// change feed of what was late.
func (s *Sender) hand(ctx context.Context, w *settler, j *job) error {
	w.out = j
	for i := range j.parcel.Ranges {
		if j.parcel.Ranges[i].Gone {
			w.sound = w.sound[:0]
			if err := s.takeAway(ctx, &j.parcel.Ranges[i]); err != nil {
				return err
			}
		}
	}
	for rest := j.rows; len(rest) > 0; {
		n := s.lim.cut(rest)
		if err := w.write(ctx, rest[:n]); err != nil {
			return err
		}
		rest = rest[n:]
	}
	// Who follows the feed looks for what is newer than the newest seen, which may
	// be of another gateway. So an entry must not get there long after its time.
	for fresh := false; !fresh; {
		began := time.Now()
		if err := w.write(ctx, s.feed(j)); err != nil {
			return err
		}
		fresh = time.Since(began) < feedFresh
	}
	s.stats.ranges.Add(int64(len(j.parcel.Ranges)))
	if j.upto.IsZero() {
		return nil
	}
	text, err := schema.NewEncoder(s.opt.Site).Forwarded(nil, j.upto, s.sentAt())
	if err != nil { // as every other row of this site
		return nil
	}
	return w.write(ctx, []row{{text: bytes.TrimRight(text, "\n"), kind: ofBeat}})
}

// note has the journal go on behind a parcel: it is with the receiver, so that
// is done even when the stop has begun.
func (s *Sender) note(ctx context.Context, j *job) error {
	if j.parcel.Empty() {
		return nil
	}
	for {
		err := s.opt.Outbox.Done(s.hard, j.parcel, j.refused)
		if err == nil {
			break
		}
		s.journalFails("note in the journal what InfluxDB has taken", err)
		if !pause(ctx, journalWait) {
			return ctx.Err()
		}
	}
	if len(j.refused) > 0 {
		s.tell()
	}
	if !j.parcel.More {
		s.lookAgain()
	}
	return nil
}

// later says that an answer was of no use, and waits until it is time for another
// try. It returns an error only when ctx has ended.
func (s *Sender) later(ctx context.Context, a answer, try int) error {
	wait := s.opt.times.after(a, try, time.Now())
	s.failing(a, wait)
	if !pause(ctx, wait) {
		return ctx.Err()
	}
	s.stats.retried.Add(1)
	return nil
}

// put sends one request.
func (s *Sender) put(text string, rows int) answer {
	s.stats.requests.Add(1)
	a := s.to.put(s.hard, text)
	if a.reaction() == written {
		s.stats.wrote(rows, time.Now())
		s.recovered()
	}
	return a
}
