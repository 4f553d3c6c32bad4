// Package mirror keeps a working copy of a journal on a machine that takes no
// messages itself: an ordinary journal, filled from the database that the
// gateway forwards to. It can be deleted at any time and comes back.
//
// What is asked of the database is bounded: a few devices at a time, what they
// have after what the copy has, in pages. What was stored late is found by the
// change feed that the gateway writes, and by reading the last stretch again.
// Readings and facts are taken over as they stand, so that all that follows
// from them comes out as on the gateway, to the last bit.
//
// Start with [New].
package mirror

import (
	"context"
	"sync"
	"time"

	"dwindle/collector/health"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
)

// Source is the database, as far as it is asked. Every question is about one
// site. Errors leave the copy as it was.
type Source interface {
	// Devices lists the devices of which there are readings.
	Devices(ctx context.Context) ([]string, error)
	// Newest gives the time of the newest reading of each channel of some
	// devices, at most [AtOnce].
	Newest(ctx context.Context, devices []string) (map[reading.Channel]time.Time, error)
	// Readings hands the readings of a device's channels after one instant and
	// up to another to fn, in the order of time. An error of fn ends it.
	Readings(ctx context.Context, device string, quantities []reading.Quantity, after, to time.Time, fn func(reading.Reading) error) error
	// Late hands what the change feed has from an instant on to fn, in the
	// order of time.
	Late(ctx context.Context, since time.Time, fn func(Change) error) error
	// LateEnd gives the time of the newest entry of the change feed; zero: there
	// is none.
	LateEnd(ctx context.Context) (time.Time, error)
	// Forwarded gives up to when the gateway has forwarded all that it had, by its
	// own clock; zero: it has not said so yet.
	Forwarded(ctx context.Context) (time.Time, error)
	// Keeps is how long the database keeps readings, 0: for ever. Of what is older
	// nothing is taken away, or the copy would forget it as well.
	Keeps(ctx context.Context) (time.Duration, error)
	// Facts hands the facts from one instant up to another, both included, to fn.
	Facts(ctx context.Context, from, to time.Time, fn func(reading.StoredFact) error) error
	// Calibrations hands the calibrations that were stored from an instant on to
	// fn, in the order in which they were.
	Calibrations(ctx context.Context, since time.Time, fn func(journal.Calibration) error) error
}

// Change is an entry of the change feed: between two instants, both included,
// something was stored, changed or taken away behind what had been forwarded.
type Change struct {
	At       time.Time // when it was written, by the clock of the gateway
	Device   string
	Quantity reading.Quantity // empty: facts
	From, To time.Time
}

// AtOnce is how many devices are asked about in one question.
const AtOnce = 64

// Options of New.
type Options struct {
	Source  Source
	Journal *journal.Journal
	// Commit takes something over into the journal, with all that follows.
	Commit func(context.Context, journal.Copied) (journal.Result, error)
	// Devices are those of the register.
	Devices func() []string
	Health  *health.Checks
	Now     func() time.Time
	// Gathers is how long the gateway gathers what it forwards, 0: seconds.
	Gathers time.Duration
	// Rows bounds the readings of one page, 0: 5,000.
	Rows int
}

// Mirror fills a working copy. One call of Sync at a time.
type Mirror struct {
	opt  Options
	rows int

	entriesMost int

	turn      sync.Mutex
	keeps     time.Duration // of the database, below 0: not asked yet; under turn
	factsRead time.Time     // when a long stretch of facts last was; under turn

	mu    sync.Mutex
	state State
	done  int // devices of the run under way
	of    int
}

// pageRows is how many readings a page has if nobody says otherwise: a proposal.
const pageRows = 5_000

// New makes a mirror.
func New(opt Options) *Mirror {
	if opt.Now == nil {
		opt.Now = time.Now
	}
	if opt.Devices == nil {
		opt.Devices = func() []string { return nil }
	}
	m := &Mirror{opt: opt, rows: opt.Rows, entriesMost: entriesMost, keeps: -1}
	if m.rows <= 0 {
		m.rows = pageRows
	}
	return m
}

// Progress gives how many devices the run under way has been through, of how
// many.
func (m *Mirror) Progress() (done, of int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.done, m.of
}

func (m *Mirror) progress(done, of int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.done, m.of = done, of
}

// restShare is how many times as long as a run took the rest after it is at least:
// a large fleet must not keep the database busy all the time. A proposal.
const restShare = 4

// Run brings the copy up to date again and again until ctx ends: every so often,
// and for a fifth of the time at most.
func (m *Mirror) Run(ctx context.Context, every time.Duration) error {
	for {
		began := time.Now()
		if _, err := m.sync(ctx, true); err != nil && ctx.Err() != nil {
			return ctx.Err()
		}
		took := time.Since(began)
		pause := time.NewTimer(max(every-took, restShare*took))
		select {
		case <-ctx.Done():
			pause.Stop()
			return ctx.Err()
		case <-pause.C:
		}
	}
}

// Sync brings the copy up to date. With an error something is missing; what was
// brought stays, and the next run goes on from there.
func (m *Mirror) Sync(ctx context.Context) (Synced, error) { return m.sync(ctx, false) }

// sync is Sync; a lazy one leaves some of what is costly to a later run.
func (m *Mirror) sync(ctx context.Context, lazy bool) (Synced, error) {
	m.turn.Lock()
	defer m.turn.Unlock()
	r := &run{Mirror: m, ctx: ctx, lazy: lazy, began: m.opt.Now().UTC()}
	err := r.all()
	if err != nil && m.State().Complete.IsZero() {
		_ = m.Resume(context.WithoutCancel(ctx)) // what the run failed for is told
	}
	m.mu.Lock()
	if err == nil {
		m.state.Complete, m.state.Forwarded = r.began, r.upto
	}
	m.state.Devices, m.state.Behind, m.state.Err = r.devices, r.behind, err
	r.out.State = m.state
	m.mu.Unlock()
	if ctx.Err() == nil {
		m.report(r.out.State)
	}
	return r.out, err
}

// Synced says what one run has brought.
type Synced struct {
	State
	Readings int // read from the database, those known already with them
	Rows     int // readings and facts that are new or another now
	Changes  int // entries of the change feed
}
