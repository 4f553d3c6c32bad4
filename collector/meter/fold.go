package meter

import (
	"time"

	"dwindle/collector/reading"
)

// Fold is the running state of one device and group. It is not safe for
// concurrent use.
//
// Of the two counters of a group the finer leads (seconds before hours, cm3
// before strokes); the other, or single increments, take over while the leader
// is silent, and what they counted is taken off when it returns. A run state
// places a counter's amount in time and stands in for it where there is none.
type Fold struct {
	group  Group
	rules  Rules
	lead   spec // the leading counter
	second spec // the other one; no quantity for Pulse
	s      folded
	shape  shape

	out      []Interval
	bookings []booking
	stretch  []piece
}

// folded is the part of a fold's state that has a fixed size.
type folded struct {
	Lead, Second counter
	State        track
	Events       events
	// Until is the end of what was emitted, ms; 0: nothing yet.
	Until int64
	// Booked is the amount that other counters or increments gave since the
	// leader's last booking; ByState what the run state alone gave since the
	// last booking of any counter.
	Booked  float64
	ByState float64
	// Balance is what the counter has shown and was not yet emitted (above 0),
	// or the reverse, h: within the step of a coarse display.
	Balance float64
	Agree   agreement
}

// track follows the run state.
type track struct {
	Has, On bool
	Last    int64 // the last message, ms
	Covered int64 // the state has been turned into pieces up to here, ms
	Steps   Cadence
}

// events follows increments.
type events struct {
	Has         bool
	Last        int64   // ms
	Waiting     float64 // increments received while the counter leads
	WaitingFrom int64
	Steps       Cadence
}

// agreement compares state and counter over stretches where both are known.
type agreement struct {
	State, Counter, Hours float64
	Off                   bool
}

// New gives an empty fold.
func New(g Group, r Rules) *Fold {
	f := &Fold{}
	f.Reset(g, r)
	return f
}

// Reset makes an empty fold of a used one, in the same memory.
func (f *Fold) Reset(g Group, r Rules) {
	if r.Debounce <= 0 {
		r.Debounce = DefaultDebounce
	}
	if r.Bounce <= 0 {
		r.Bounce = DefaultBounce
	}
	*f = Fold{group: g, rules: r, shape: f.shape[:0], out: f.out[:0], bookings: f.bookings[:0], stretch: f.stretch[:0]}
	switch g {
	case Run:
		// Two seconds of slack are for the sampling of a device's own clock.
		base := spec{perHour: 1, claimPerHour: 1, slack: 2.0 / 3600}
		f.lead, f.second = base, base
		f.lead.quantity, f.lead.scale, f.lead.widths = reading.RunSeconds, 1.0/3600, secondWidths
		f.second.quantity, f.second.scale, f.second.widths = reading.RunHours, 1, hourWidths
	case Pulse:
		f.lead = spec{quantity: reading.PulseCount, exact: true, scale: 1, widths: countWidths, slack: 10}
		f.lead.limit(r.MaxPerHour, DefaultPulsesPerHour, 120)
	case Dose:
		f.lead = spec{quantity: reading.DoseCM3, scale: 1, slack: 5}
		f.lead.limit(r.MaxPerHour, DefaultCM3PerHour, 20)
		if r.CM3PerStroke > 0 {
			f.second = spec{quantity: reading.DoseStrokes, exact: true, scale: r.CM3PerStroke, widths: countWidths, slack: max(5, 10*r.CM3PerStroke)}
			f.second.limit(r.MaxPerHour, DefaultCM3PerHour, 20)
		}
	}
}

// limit sets the rates of a counter whose physical limit depends on the device.
func (s *spec) limit(given, most, claim float64) {
	s.perHour, s.claimPerHour, s.paced = most, claim, true
	if given > 0 {
		s.perHour, s.claimPerHour, s.paced = given, given, false
	}
}

// Add takes the next reading, in the order of reading.Compare, and returns the
// intervals that are now settled. The slice is valid until the next call.
// Readings of other groups and those that are not in order are passed over.
func (f *Fold) Add(r reading.Reading) []Interval {
	f.out, f.bookings = f.out[:0], f.bookings[:0]
	t := r.At.UnixMilli()
	switch r.Quantity {
	case reading.RunRunning:
		if f.group == Run {
			f.state(t, r.Value != 0)
		}
	case reading.PulseIncrement:
		if f.group == Pulse {
			f.increment(t, float64(r.Count), r.FromDevice)
		}
	case f.lead.quantity:
		f.leading(t, f.s.Lead.unsigned(value{I: r.Count, F: r.Value}), r.FromDevice)
	case f.second.quantity:
		f.secondary(t, f.s.Second.unsigned(value{I: r.Count, F: r.Value}), r.FromDevice)
	}
	if carried := r.Flags & carriedFlags; carried != 0 {
		for i := range f.out {
			f.out[i].Flags |= carried
		}
	}
	return f.out
}

// carriedFlags pass from a reading to the intervals that it settles.
const carriedFlags = reading.ReceiveTime | reading.Conflict | reading.Inexact

// leading takes a reading of the leading counter.
func (f *Fold) leading(t int64, v value, ownTime bool) {
	c := &f.s.Lead
	first := !c.Has
	f.bookings = c.add(&f.lead, t, v, ownTime, f.bookings)
	if o := &f.s.Second; o.LateT != 0 {
		o.rebase(o.LateT, o.LateV)
	}
	if first {
		if f.s.Second.Has {
			// The other counter still has the word up to here.
			f.s.Booked, f.s.ByState, f.s.Balance = 0, 0, 0
		} else {
			f.begin(t)
		}
		return
	}
	for _, b := range f.bookings {
		// What other sources have given meanwhile is part of this amount.
		taken := min(b.amount, f.s.Booked+f.s.ByState)
		b.amount -= taken
		f.emit(b, f.gap(c, b))
		// Since its newest reading the leader speaks for itself again, so that
		// all of it lies in the first stretch.
		f.s.Booked, f.s.ByState, f.s.Events.Waiting = 0, 0, 0
	}
}

// begin settles what the state says before the first reading of a counter,
// which can only speak of what comes after it.
func (f *Fold) begin(t int64) {
	if f.s.State.Has {
		f.advance(t)
		f.release(t, 0)
	}
	f.s.Booked, f.s.ByState, f.s.Balance = 0, 0, 0
	f.s.Until = max(f.s.Until, t)
}

// secondary takes a reading of the other counter.
func (f *Fold) secondary(t int64, v value, ownTime bool) {
	lead, c := &f.s.Lead, &f.s.Second
	leads := lead.Has && lead.Since < t
	if leads && c.Has && f.live(lead, t) {
		// The leader speaks for this stretch. Follow it, so that the base is
		// where the leader stops when it falls silent.
		if t > c.Seen {
			c.Steps.add(t - c.Seen)
			c.learnResolution(&f.second, v)
			c.Seen = t
			switch {
			case t <= lead.Seen:
				c.rebase(t, v)
			case c.T < lead.Seen && c.NextT == 0:
				c.NextT, c.NextV = t, v
				fallthrough
			default:
				c.LateT, c.LateV = t, v
			}
		}
		return
	}
	if leads && c.T < lead.Seen && c.NextT != 0 {
		c.rebase(c.NextT, c.NextV)
	}
	first := !c.Has
	f.bookings = c.add(&f.second, t, v, ownTime, f.bookings)
	if first {
		if !lead.Has {
			f.begin(t)
		}
		return
	}
	for _, b := range f.bookings {
		if leads {
			f.s.Booked += max(b.amount, f.s.ByState)
		}
		b.amount -= min(b.amount, f.s.ByState)
		f.emit(b, f.gap(c, b))
		f.s.ByState = 0
	}
}

// live says that a counter still speaks for the present.
func (f *Fold) live(c *counter, t int64) bool {
	return c.Has && t-c.Seen <= max(GapIntervals*f.every(c), staleAfter.Milliseconds())
}

// every is the expected interval of a counter: what is declared, or what it
// does if that is longer.
func (f *Fold) every(c *counter) int64 {
	if f.rules.Every <= 0 {
		return c.Steps.expected()
	}
	learned, ok := c.Steps.Every()
	if !ok {
		return f.rules.Every.Milliseconds()
	}
	return max(f.rules.Every, learned).Milliseconds()
}

// gap says that a booking is longer than the reporting interval explains.
func (f *Fold) gap(c *counter, b booking) bool {
	return b.to-b.from > GapIntervals*f.every(c)
}

// increment takes single pulses. An increment that is lost is lost for good,
// hence LowerBound on all of them.
func (f *Fold) increment(t int64, n float64, ownTime bool) {
	e := &f.s.Events
	every := e.Steps.expected()
	if f.rules.Every > 0 {
		every = f.rules.Every.Milliseconds()
	}
	if e.Has {
		if t < e.Last {
			return
		}
		if bounce := f.rules.Bounce.Milliseconds(); ownTime && n == 1 && t > e.Last && t-e.Last < bounce {
			return
		}
		e.Steps.add(t - e.Last)
	}
	last, had := e.Last, e.Has
	e.Has, e.Last = true, t
	lead := &f.s.Lead
	if lead.Has {
		if t <= lead.Seen {
			return // in the counter's own reading
		}
		if f.live(lead, t) {
			if e.Waiting == 0 {
				e.WaitingFrom = lead.Seen
			}
			e.Waiting += n
			return
		}
		f.s.Booked += n + e.Waiting
	}
	if e.Waiting > 0 {
		from := max(e.WaitingFrom, f.s.Until)
		f.append(from, max(t, from), e.Waiting+n, false, true, reading.LowerBound|reading.Gap)
		e.Waiting = 0
		return
	}
	from := max(f.s.Until, t-every)
	if had && t-last <= GapIntervals*every {
		from = max(f.s.Until, last)
	}
	f.append(min(from, t), t, n, true, true, reading.LowerBound)
}

// append emits an interval as it is.
func (f *Fold) append(from, to int64, amount float64, seen, known bool, flags reading.Flags) {
	f.out = append(f.out, Interval{
		From: time.UnixMilli(from).UTC(), To: time.UnixMilli(to).UTC(),
		Amount: amount, Seen: seen, Known: known, Flags: flags,
	})
	f.s.Until = max(f.s.Until, to)
}

// Every is the expected reporting interval of the device in this group: what
// the rules declare, else the shortest that one of its channels has taught, 0
// where none is learned.
func (f *Fold) Every() time.Duration {
	if f.rules.Every > 0 {
		return f.rules.Every
	}
	var out time.Duration
	for _, c := range [...]*Cadence{&f.s.Lead.Steps, &f.s.Second.Steps, &f.s.State.Steps, &f.s.Events.Steps} {
		if every, ok := c.Every(); ok && (out == 0 || every < out) {
			out = every
		}
	}
	return out
}

// Pending says since when a doubtful reading is held, and that nothing behind
// that time is booked yet. What is held at the end of the readings stays
// unbooked: a later reading decides it.
func (f *Fold) Pending() (since time.Time, ok bool) {
	for _, c := range [...]*counter{&f.s.Lead, &f.s.Second} {
		if c.Hold != holdNone && (!ok || c.T < since.UnixMilli()) {
			since, ok = time.UnixMilli(c.T).UTC(), true
		}
	}
	return since, ok
}
