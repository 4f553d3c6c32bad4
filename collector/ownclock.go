package collector

import (
	"context"
	"encoding/json"
	"errors"
	"runtime/debug"
	"sync"
	"sync/atomic"
	"time"

	"dwindle/collector/decode"
	"dwindle/collector/health"
	"dwindle/collector/reading"
	"dwindle/collector/wallclock"
)

const checkClock = "clock" // health name: of this machine

// errClockUnset tells whoever wants to hand something in.
var errClockUnset = errors.New("the clock of this machine is not set: nothing can be recorded with a time\ntry: set the clock, or wait until it is synchronised")

// unset says that a clock cannot be right, as after a start without a battery.
func unset(t time.Time) bool { return !t.IsZero() && t.Year() < decode.EarliestYear }

const (
	clockEvery = time.Second // how often the clock is looked at
	// clockOff is the least difference for which another time than the clock's
	// is taken; less is the clock being slewed.
	clockOff = time.Second
	// clockNote is the name under which the journal remembers the clock.
	clockNote = "clock"
)

// ownClock is the clock of this machine as far as it can be believed. The
// decoding goroutine looks at it, so that every message is stamped by the same
// verdict as the one before it in the queue; others ask for the time.
type ownClock struct {
	guard *wallclock.Guard
	up    time.Duration                      // at the last look
	look  func(now time.Time) wallclock.Look // a test's; nil: the machine's
	every time.Duration                      // a test's; 0: clockEvery

	mending atomic.Int32 // shifts that are under way: what they rest on must stay known

	mu   sync.Mutex // what follows, for whoever asks for the time
	now  time.Time  // of the verdict
	ref  time.Time  // the clock then, with the time since the start
	hold bool
	sure bool          // nothing is wrong with it
	step time.Duration // by which it may be ahead
}

// clockState is what is remembered over restarts.
type clockState struct {
	Last  time.Time        `json:"last"` // the newest time given out
	Doubt *wallclock.Doubt `json:"doubt,omitempty"`
}

// start takes up what is remembered and looks for the first time.
func (c *ownClock) start(ctx context.Context, in *Intake) {
	var state clockState
	text, err := in.j.Remembered(ctx, clockNote)
	if err == nil && text != "" {
		err = json.Unmarshal([]byte(text), &state)
	}
	if err != nil {
		in.log.Warn("what is known of this machine's clock cannot be read", "err", err)
		state = clockState{}
	}
	floor := built()
	if last := state.Last; !last.IsZero() && last.After(floor) {
		// What was stamped after the note was written lies before this: it must
		// not be taken for stamped by a clock that is wrong today.
		floor = last.Add(countersEvery + time.Second)
	}
	var doubt wallclock.Doubt
	if state.Doubt != nil {
		doubt = *state.Doubt
	}
	if c.look == nil {
		c.look = machineClocks()
	}
	if c.every == 0 {
		c.every = clockEvery
	}
	c.guard = wallclock.New(floor, doubt)
	in.lookAtClock()
}

// built is when this program was made: it cannot run before.
func built() time.Time {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return time.Time{}
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.time" {
			at, _ := time.Parse(time.RFC3339, s.Value) // zero where it is not known
			return at
		}
	}
	return time.Time{}
}

// lookAtClock takes a verdict and does what follows from it.
func (in *Intake) lookAtClock() {
	c := &in.own
	ref := in.now()
	l := c.look(ref)
	v := c.guard.Look(l)
	c.up = l.Up
	c.mu.Lock()
	c.now, c.ref, c.hold, c.sure, c.step = v.Now, ref, v.Hold, v.Wrong == "", v.Ahead
	c.mu.Unlock()
	switch {
	case v.Hold:
		in.health.Set(checkClock, health.Bad, v.Wrong+": messages are held back and not acknowledged",
			"set the clock, or see why it is not synchronised; messages flow again by themselves, after some minutes with the time counted on from the last that is known")
	case v.Wrong != "":
		in.health.Set(checkClock, health.Warn, v.Wrong+"; the time taken is "+v.Now.Format("2006-01-02 15:04 UTC"),
			"set the clock, or see why it is not synchronised; what is stamped meanwhile is put right when a time service has set it")
	default:
		in.health.Set(checkClock, health.Ok, "", "")
	}
	if v.Event != "" {
		in.log.Warn(v.Event)
	}
	if !v.Hold {
		state := clockState{Last: v.Now.Truncate(time.Second)}
		if d, ok := c.guard.Doubt(); ok {
			state.Doubt = &d
		}
		text, _ := json.Marshal(state) // times of four-digit years: cannot fail
		switch {
		case len(v.Shifts) > 0:
			// Behind what was stamped before in the queue, before what comes.
			c.mending.Add(1)
			in.decoded <- work{mend: v.Shifts, clock: string(text)}
		case c.mending.Load() == 0:
			in.j.Remember(clockNote, string(text))
		}
	}
}

// Now is the time as far as this machine's clock, or what else is known, tells
// it; ok is false while it is not known.
func (in *Intake) Now() (now time.Time, ok bool) {
	now = in.now()
	c := &in.own
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.ref.IsZero() { // the intake does not run yet
		return now.UTC(), !unset(now)
	}
	return c.stamp(now), !c.hold
}

// Past is a time that is certainly past, and now where nobody doubts the clock:
// for what cannot be undone. ok is false while none can be told.
func (in *Intake) Past() (t time.Time, ok bool) {
	now, ok := in.Now()
	c := &in.own
	c.mu.Lock()
	defer c.mu.Unlock()
	return now.Add(-c.step), ok && (c.sure || c.ref.IsZero())
}

// stamp turns a time that this machine's clock gave into the time to use. It is
// called with the lock held.
func (c *ownClock) stamp(t time.Time) time.Time {
	own := c.now.Add(t.Sub(c.ref)) // counts the time since the start where t has it
	if t == t.Round(0) {           // it does not: take the clock's error as it was
		own = t.Add(c.now.Sub(c.ref.Round(0)))
	}
	if d := own.Sub(t.Round(0)); d < clockOff && d > -clockOff {
		return t.UTC()
	}
	return own.UTC()
}

// hear lets a device's own clock have its say: where no time service keeps ours,
// several that agree may know better.
func (c *ownClock) hear(m *reading.Message, d *decode.Decoded) {
	if c.guard != nil && m.Source != "replay" && !m.Retained && !d.Clock.IsZero() {
		c.guard.Hear(d.Device, d.Clock, c.up)
	}
}

// awaitClock stamps a message with the time to use. It holds it back while that
// is not known: what is stored under a wrong receive time stays wrong, and a
// broker or sender keeps what is not acknowledged. It is false when the intake
// stops meanwhile.
func (in *Intake) awaitClock(m *reading.Message) bool {
	if m.Source == "replay" {
		return true
	}
	c := &in.own
	// A step between two looks: the message and the look must not disagree.
	if d := m.Received.Round(0).Sub(c.ref.Round(0)) - m.Received.Sub(c.ref); d > time.Minute || d < -time.Minute {
		in.lookAtClock()
	}
	if !c.hold && !unset(m.Received) {
		if !m.Received.IsZero() {
			m.Received = c.stamp(m.Received) // only this goroutine changes what it reads
		}
		return true
	}
	for c.hold {
		in.progress.note() // waiting is all there is to do
		pause := time.NewTimer(c.every)
		select {
		case <-pause.C:
			in.lookAtClock()
		case <-in.stopping:
			pause.Stop()
			return false
		}
	}
	m.Received, _ = in.Now() // when it came nobody can say any more
	return true
}

// mendMost is for how long a look through the whole journal is no standstill.
const mendMost = 30 * time.Minute

// mend moves what was stamped by a wrong clock. That the clock is right now is
// written with the last of it: a crash before would leave the stamps wrong for
// ever, one after would have them moved twice.
func (in *Intake) mend(w work) {
	defer in.own.mending.Add(-1)
	defer in.progress.during(mendMost)()
	ctx := context.Background()
	for i, s := range w.mend {
		if i == len(w.mend)-1 {
			in.j.Remember(clockNote, w.clock)
		}
		in.times.Lock()
		moved, err := in.j.Shift(ctx, s.From, s.To, s.By)
		in.times.Unlock()
		if err != nil {
			// The stamps stay as they are, which is what they would be without us.
			in.log.Error("what was stamped by a wrong clock could not be put right", "from", s.From, "to", s.To, "by", s.By, "err", err)
			continue
		}
		if moved.Readings+moved.Lags+moved.Facts+moved.Kept == 0 {
			continue
		}
		in.log.Warn("what was stamped by a wrong clock was put right", "from", s.From, "to", s.To, "by", s.By,
			"readings", moved.Readings, "receive_times", moved.Lags, "facts", moved.Facts, "clashes", moved.Clashes)
		in.derive.mark(moved.Series, int(moved.Readings))
		in.watchers.publish(Event{Devices: moved.Devices, Facts: moved.Facts > 0})
	}
}
