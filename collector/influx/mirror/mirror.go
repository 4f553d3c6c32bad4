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
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"slices"
	"strings"
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
	Log     *slog.Logger
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

// State is how far the copy is.
type State struct {
	// Complete is when the last run began that brought all: the copy has what
	// the database had then. Zero: there was none yet.
	Complete time.Time
	// Forwarded is up to when the gateway had by then forwarded all that it had;
	// zero: it has not yet.
	Forwarded time.Time
	Devices   int   // that were looked at in the last run
	Behind    int   // of these, that could not be brought up to date
	Err       error // why the last run failed
}

// Synced says what one run has brought.
type Synced struct {
	State
	Readings int // read from the database, those known already with them
	Rows     int // readings and facts that are new or another now
	Changes  int // entries of the change feed
}

// Bounds.
const (
	pageRows = 5_000
	// feedOverlap is how far back the change feed is read again: an entry may
	// be there a moment before what it is about.
	feedOverlap = 10 * time.Minute
	// feedAhead is how far ahead of our clock an entry may be dated to count: one
	// of a clock that is years ahead would be read again with every run.
	feedAhead = 24 * time.Hour
	// deepEvery is how often the last stretch of each channel and all facts are
	// read again, should the feed have missed something; deepStretch is how long
	// that stretch is.
	deepEvery   = time.Hour
	deepStretch = 65 * time.Minute
	// apart is how far the ends of channels may lie apart to be read together.
	apart = 6 * time.Hour
	// keepsSlack is how much earlier than said the database may seem to forget, by
	// another clock: so much of what it keeps, and no more than a day.
	keepsSlack = 0.1
	// forwardedLate is for how long nothing may be heard of the gateway: it tells
	// every minute, and may be started anew.
	forwardedLate = 15 * time.Minute
	// failedMost devices in a row that cannot be read end a run.
	failedMost = 3
)

// Names of what the copy remembers.
const (
	noteLate     = "late"     // place in the change feed
	noteComplete = "complete" // State.Complete
	noteFacts    = "facts"    // a stretch of changed facts that is still to be read
	noteUpto     = "upto"     // State.Forwarded
	noteLearned  = "learned"  // when the newest calibration was stored
	noteBehind   = "behind"   // from when on something may be missing; see run.behindSince
	noteDeep     = "deep"     // when the last stretch was last read again, and all facts
)

// CheckName is the name of the health check.
const CheckName = "influx journal"

// New makes a mirror.
func New(opt Options) *Mirror {
	if opt.Log == nil {
		opt.Log = slog.New(slog.DiscardHandler)
	}
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

// Noted gives how far a copy is, as it remembers it itself.
func Noted(ctx context.Context, j *journal.Journal) (s State, err error) {
	if s.Complete, err = noted(ctx, j, noteComplete); err != nil {
		return s, err
	}
	s.Forwarded, err = noted(ctx, j, noteUpto)
	return s, err
}

// AsOf is the instant up to which the copy shows all that the site's devices
// sent; zero: there is none. A gateway that is still forwarding its past for the
// first time has not said how far it is, and the newest there may be years old.
func (s State) AsOf() time.Time {
	if s.Complete.IsZero() || s.Forwarded.IsZero() {
		return time.Time{}
	}
	return earliest(s.Complete, s.Forwarded)
}

// Late says that a copy shows less than it might because the gateway, which
// gathers what it forwards for a time, has not been heard of for long.
func (s State) Late(gathers time.Duration) bool {
	return !s.Forwarded.IsZero() && s.Complete.Sub(s.Forwarded) > forwardedLate+2*gathers
}

func noted(ctx context.Context, j *journal.Journal, name string) (time.Time, error) {
	text, err := j.Noted(ctx, name)
	if err != nil || text == "" {
		return time.Time{}, err
	}
	t, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		return time.Time{}, fmt.Errorf("read %s of the working copy %s: %w", name, j.Path(), err)
	}
	return t, nil
}

func note(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }

// State gives how far the copy is.
func (m *Mirror) State() State {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.state
}

// Resume takes up how far the copy was when it was last open, so that it is used
// at once.
func (m *Mirror) Resume(ctx context.Context) error {
	s, err := Noted(ctx, m.opt.Journal)
	if err != nil {
		return err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.state.Complete, m.state.Forwarded = s.Complete, s.Forwarded
	return nil
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
// a large fleet must not keep the database busy all the time.
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
	m.mu.Lock()
	if err == nil {
		m.state.Complete, m.state.Forwarded = r.began, r.upto
	} else if m.state.Complete.IsZero() {
		if s, read := Noted(context.WithoutCancel(ctx), m.opt.Journal); read == nil {
			m.state.Complete, m.state.Forwarded = s.Complete, s.Forwarded
		}
	}
	m.state.Devices, m.state.Behind, m.state.Err = r.devices, r.behind, err
	r.out.State = m.state
	m.mu.Unlock()
	if ctx.Err() == nil {
		m.report(r.out.State)
	}
	return r.out, err
}

// report says in health how the copy does.
func (m *Mirror) report(s State) {
	if s.Err == nil && s.Late(m.opt.Gathers) {
		m.opt.Health.Set(CheckName, health.Bad, fmt.Sprintf("the gateway has forwarded nothing since %s, and forecasts and alarms are as of then", s.Forwarded.Format(time.RFC3339)), "see on the gateway what its check influx says; what it collects comes here later by itself")
		return
	}
	if s.Err == nil && s.Forwarded.IsZero() {
		m.opt.Health.Set(CheckName, health.Warn, "the gateway has not forwarded yet all that it has; forecasts and alarms wait for it", "nothing, if it catches up: `dwindle forward` on the gateway says what waits; else see what its check influx says")
		return
	}
	if s.Err == nil {
		m.opt.Health.Set(CheckName, health.Ok, fmt.Sprintf("the working copy has all that was in InfluxDB at %s", s.Complete.Format(time.RFC3339)), "")
		return
	}
	what := "the working copy is not complete yet"
	if !s.AsOf().IsZero() {
		what = "the working copy is as of " + s.AsOf().Format(time.RFC3339) + ", and so are forecasts and alarms"
	}
	if s.Behind > 0 {
		what += fmt.Sprintf("; %d of %d devices are behind", s.Behind, s.Devices)
	}
	m.opt.Health.Set(CheckName, health.Bad, what+": "+Why(s.Err), "see that InfluxDB runs and can be reached, and that the token may read the bucket; it is tried again by itself")
}

// Why gives the cause for which a run failed, on one short line: where the
// database does not answer, each question of the run failed for that.
func Why(err error) string {
	var u *url.Error
	if errors.As(err, &u) {
		switch {
		case u.Timeout():
			return "InfluxDB does not answer in time"
		case errors.As(u.Err, new(*net.OpError)):
			return "InfluxDB does not answer: " + u.Err.Error()
		}
		return u.Err.Error() // such as no token to ask with
	}
	if errors.Is(err, context.DeadlineExceeded) {
		return "InfluxDB was too slow to give all of it"
	}
	text, _, more := strings.Cut(strings.TrimSpace(err.Error()), "\n")
	if i := strings.LastIndex(text, asked); i > 0 {
		text = text[i:] // it says what for
	}
	if more {
		text += ", and more"
	}
	return text
}

// asked is how errors of questions begin.
const asked = "ask InfluxDB for "

// run is one run under way.
type run struct {
	*Mirror
	lazy   bool
	ctx    context.Context
	began  time.Time
	deep   bool      // the last stretch of each channel and all facts are read again
	oldest time.Time // before, the database may have forgotten
	upto   time.Time // State.Forwarded
	mends  bool      // what may be missing since an instant is read again
	since  time.Time // that instant; zero: all

	pending journal.Copied // to be committed
	waiting int            // readings in it

	devices, behind int
	out             Synced
}

func (r *run) all() error {
	// Asked first: what had been written by then is all read after it.
	var err error
	if r.upto, err = r.opt.Source.Forwarded(r.ctx); err != nil {
		return fmt.Errorf("ask how far the gateway has forwarded: %w", err)
	}
	deep, err := noted(r.ctx, r.opt.Journal, noteDeep)
	if err != nil {
		return err
	}
	r.deep = deep.IsZero() || r.began.Sub(deep) >= deepEvery || r.began.Before(deep)
	if err := r.behindSince(); err != nil {
		return err
	}
	if r.deep || r.keeps < 0 {
		keeps, err := r.opt.Source.Keeps(r.ctx)
		if err != nil {
			return fmt.Errorf("ask how long InfluxDB keeps readings: %w", err)
		}
		r.keeps = keeps
	}
	if r.keeps > 0 {
		r.oldest = r.began.Add(min(24*time.Hour, time.Duration(keepsSlack*float64(r.keeps))) - r.keeps)
	}
	feed, err := noted(r.ctx, r.opt.Journal, noteLate)
	if err != nil {
		return err
	}
	if feed.IsZero() {
		// What the feed says up to here is in what is read after it.
		if feed, err = r.opt.Source.LateEnd(r.ctx); err != nil {
			return fmt.Errorf("read the change feed: %w", err)
		}
		if feed.IsZero() {
			feed = time.Unix(0, 0)
		}
		feed = earliest(feed, r.began)
		r.pending.Notes = map[string]string{noteLate: note(feed)}
		if err := r.flush(); err != nil {
			return err
		}
	}
	// The clock of a gateway may have been ahead, and what was dated then would hide
	// what is dated now: the copy had all when a run began that brought all.
	if complete, err := noted(r.ctx, r.opt.Journal, noteComplete); err != nil {
		return err
	} else if !complete.IsZero() {
		feed = earliest(feed, complete)
	}
	var errs []error
	for _, step := range []func() error{
		func() error { return r.late(feed) },
		r.newer,
		r.facts,
		r.calibrations,
	} {
		if err := step(); err != nil {
			errs = append(errs, err)
			r.pending, r.waiting = journal.Copied{}, 0
			if r.ctx.Err() != nil {
				break
			}
		}
	}
	if err := errors.Join(errs...); err != nil {
		return err
	}
	r.pending.Notes = map[string]string{noteComplete: note(r.began), noteUpto: note(r.upto)}
	if r.upto.IsZero() {
		r.pending.Notes[noteUpto] = ""
	}
	if r.deep {
		r.pending.Notes[noteDeep] = note(r.began)
	}
	if r.mends {
		r.pending.Notes[noteBehind] = ""
	}
	return r.flush()
}

// behindSince finds from when on something may be missing in the copy. While a
// gateway sends what waited for long, one request of it may reach over many parts
// of the database, of which a later one can be written before an earlier one: then
// the copy has the end of a channel and not all before it. So from where the gateway
// stood then, all is read again once it has sent the whole.
func (r *run) behindSince() error {
	text, err := r.opt.Journal.Noted(r.ctx, noteBehind)
	if err != nil {
		return err
	}
	switch behind := r.upto.IsZero() || r.began.Sub(r.upto) > forwardedLate+2*r.opt.Gathers; {
	case behind && text == "":
		r.pending.Notes = map[string]string{noteBehind: note(r.upto)}
		return r.flush()
	case !behind && text != "":
		if r.since, err = time.Parse(time.RFC3339Nano, text); err != nil {
			r.since = time.Time{} // all, then
		}
		r.mends, r.deep = true, true
	}
	return nil
}

// again gives from when on a channel is read again.
func (r *run) again(have time.Time) time.Time {
	switch {
	case r.mends && r.since.IsZero():
		return time.Time{}
	case r.mends:
		have = earliest(have, r.since)
	}
	return have.Add(-deepStretch)
}

// flush commits what is pending.
func (r *run) flush() error {
	x := r.pending
	r.pending, r.waiting = journal.Copied{}, 0
	if len(x.Stretches)+len(x.Facts)+len(x.Notes) == 0 {
		return nil
	}
	result, err := r.opt.Commit(r.ctx, x)
	if err != nil {
		return fmt.Errorf("write the working copy: %w", err)
	}
	r.out.Rows += result.Rows
	return nil
}

// add takes a stretch, whole, to what is pending.
func (r *run) add(s journal.Stretch) error {
	r.waiting += len(s.Readings)
	if s.After.Before(r.oldest) { // of then the database may have forgotten some
		old, all := s, s.Readings
		old.To, old.Partly = earliest(s.To, r.oldest), true
		s.After = old.To
		old.Readings, s.Readings = nil, nil
		for _, x := range all {
			if x.At.After(old.To) {
				s.Readings = append(s.Readings, x)
			} else {
				old.Readings = append(old.Readings, x)
			}
		}
		r.pending.Stretches = append(r.pending.Stretches, old)
	}
	if s.After.Before(s.To) {
		r.pending.Stretches = append(r.pending.Stretches, s)
	}
	if r.waiting >= r.rows || len(r.pending.Stretches) >= stretchesMost {
		return r.flush()
	}
	return nil
}

// stretchesMost bounds the stretches of one commit.
const stretchesMost = 1_000

// fetch reads channels of a device after one instant and up to another, page by
// page, each of which is whole.
func (r *run) fetch(device string, quantities []reading.Quantity, after, to time.Time) error {
	page := journal.Stretch{Device: device, Quantities: quantities, After: after}
	err := r.opt.Source.Readings(r.ctx, device, quantities, after, to, func(x reading.Reading) error {
		r.out.Readings++
		if n := len(page.Readings); n >= r.rows && x.At.After(page.Readings[n-1].At) {
			page.To = page.Readings[n-1].At
			if err := r.add(page); err != nil {
				return err
			}
			page = journal.Stretch{Device: device, Quantities: quantities, After: page.To}
		}
		page.Readings = append(page.Readings, x)
		return nil
	})
	if err != nil {
		return fmt.Errorf("read %s from InfluxDB: %w", device, err)
	}
	page.To = to
	return r.add(page)
}

// newer reads what devices have after what the copy has.
func (r *run) newer() error {
	there, err := r.opt.Source.Devices(r.ctx)
	if err != nil {
		return fmt.Errorf("list the devices in InfluxDB: %w", err)
	}
	devices := slices.Concat(r.opt.Devices(), there)
	slices.Sort(devices)
	devices = slices.Compact(devices)
	r.devices = len(devices)
	var failed []error
	for at := 0; at < len(devices); at += AtOnce {
		some := devices[at:min(at+AtOnce, len(devices))]
		newest, err := r.opt.Source.Newest(r.ctx, some)
		if err != nil {
			return r.behindBy(len(devices), fmt.Errorf("ask InfluxDB for the newest readings: %w", err))
		}
		ends, err := r.opt.Journal.Ends(r.ctx, some)
		if err != nil {
			return err
		}
		for i, device := range some {
			r.progress(at+i, len(devices))
			err := r.device(device, newest, ends)
			if err == nil {
				continue
			}
			if r.ctx.Err() != nil {
				return r.ctx.Err()
			}
			// What is pending of others is whole.
			r.behind++
			if failed = append(failed, err); len(failed) >= failedMost {
				return errors.Join(append(failed, r.flush())...)
			}
		}
	}
	return errors.Join(append(failed, r.flush())...)
}

func (r *run) behindBy(n int, err error) error {
	r.behind = n
	return err
}

// open is a channel of which there is more than the copy has.
type open struct {
	quantity   reading.Quantity
	after, end time.Time
}

// device brings one device up to date.
func (r *run) device(device string, newest, ends map[reading.Channel]time.Time) error {
	var list []open
	for ch, end := range newest {
		if ch.Device != device {
			continue
		}
		have, ok := ends[ch]
		switch {
		case !ok:
			list = append(list, open{ch.Quantity, time.Time{}, end})
		case r.deep:
			list = append(list, open{ch.Quantity, r.again(have), latest(have, end)})
		case end.After(have):
			list = append(list, open{ch.Quantity, have, end})
		}
	}
	slices.SortFunc(list, func(a, b open) int {
		if c := a.after.Compare(b.after); c != 0 {
			return c
		}
		return compare(a.quantity, b.quantity)
	})
	for len(list) > 0 {
		n, to := 0, list[0].end
		var quantities []reading.Quantity
		for n < len(list) && (list[n].after.Equal(list[0].after) || !list[0].after.IsZero() && list[n].after.Sub(list[0].after) <= apart) {
			quantities = append(quantities, list[n].quantity)
			to = latest(to, list[n].end)
			n++
		}
		slices.Sort(quantities)
		if err := r.fetch(device, quantities, list[0].after, to); err != nil {
			return err
		}
		list = list[n:]
	}
	return nil
}

func compare(a, b reading.Quantity) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

func latest(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

func earliest(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}
