package meter

import (
	"math"
	"time"

	"dwindle/collector/reading"
)

// catchUpMost is how long a value may have stood still before what comes all
// at once is no longer taken for what it had not shown. Judgement.
const catchUpMost = 24 * time.Hour

// hold says what kind of doubtful reading waits for the next one.
type hold uint8

const (
	holdNone hold = iota
	holdFall      // below the base: glitch, reset, rollover or rewind
	holdJump      // above what is possible: glitch or new segment
)

// counter follows one cumulative counter. All of it is persisted.
type counter struct {
	Has   bool
	Hold  hold
	Since int64 // first base, ms
	T     int64 // time of the base, ms
	V     value // the base: the last believed value
	HeldT int64
	HeldV value
	// While another counter leads: the first reading beyond the leader's last
	// one, and the newest, ms; 0: none.
	NextT, LateT int64
	NextV, LateV value
	Seen         int64   // newest reading, ms
	Credit       float64 // amount that may come beyond the elapsed time's allowance
	Moved        int64   // time of the first reading with the value of the base, ms
	Res          float64 // finest resolution seen, units; 0 for exact counters
	PaceA        float64 // decayed amount
	PaceH        float64 // decayed hours it came in
	Steps        Cadence
}

// booking is what a counter says of a stretch.
type booking struct {
	from, to int64
	amount   float64
	known    bool
	flags    reading.Flags
}

// add takes the next reading and appends what it settles.
func (c *counter) add(s *spec, t int64, v value, ownTime bool, out []booking) []booking {
	c.learnResolution(s, v)
	slack := c.slack(s, ownTime)
	if !c.Has {
		c.rebase(t, v)
		c.Has, c.Since, c.Credit = true, t, slack
		return out
	}
	if t <= c.Seen {
		return out // not in order, or a second value for one time
	}
	c.Steps.add(t - c.Seen)
	c.Seen = t
	c.Credit = min(c.Credit, slack)
	switch c.Hold {
	case holdFall:
		return c.afterFall(s, t, v, slack, out)
	case holdJump:
		return c.afterJump(s, t, v, slack, out)
	}
	return c.step(s, t, v, slack, out)
}

// unsigned gives the value of a register that is sent as a signed number: what
// is below zero is its upper half. Of the usual widths it is the one that is
// the smallest step up from the base.
func (c *counter) unsigned(v value) value {
	if v.I >= 0 {
		return v
	}
	narrow, wide := v.I+1<<16, v.I+1<<32
	if v.I >= -1<<15 && (!c.Has || narrow >= c.V.I || wide < c.V.I) {
		v.I = narrow
	} else {
		v.I = wide
	}
	return v
}

// rebase makes a reading the base, without booking.
func (c *counter) rebase(t int64, v value) {
	if !c.Has || v != c.V {
		c.Moved = t
	}
	c.T, c.V, c.Seen, c.Hold = t, v, max(c.Seen, t), holdNone
	c.HeldT, c.HeldV = 0, value{}
	c.NextT, c.NextV = 0, value{}
	c.LateT, c.LateV = 0, value{}
}

// available is the amount that can have come between two times at most.
func (c *counter) available(s *spec, from, to int64) float64 {
	return c.Credit + s.perHour*float64(to-from)/msPerHour
}

// step takes a reading while nothing is held.
func (c *counter) step(s *spec, t int64, v value, slack float64, out []booking) []booking {
	d := s.diff(v, c.V)
	if d < 0 {
		if c.rounding(s, v, -d) {
			// The base stays, so that the step back is not counted again when
			// it is made good.
			return c.book(s, t, c.V, 0, slack, 0, out)
		}
		c.Hold, c.HeldT, c.HeldV = holdFall, t, v
		return out
	}
	if d == 0 && c.saturated(s) {
		return c.skip(s, t, v, slack, reading.LowerBound, out)
	}
	amount := d * s.scale
	if amount > c.likely(s, c.T, t) {
		c.Hold, c.HeldT, c.HeldV = holdJump, t, v
		return out
	}
	return c.book(s, t, v, amount, slack, 0, out)
}

// likely is the amount that is believed without a second reading: twice what is
// possible, and where the possible is far from the usual no more than what a new
// counter may claim or ten times the counter's own pace. Messages may be late by
// a few intervals.
func (c *counter) likely(s *spec, from, to int64) float64 {
	most := 2 * c.available(s, from, to)
	if !s.paced {
		return most
	}
	return min(most, s.slack+c.likelyRate(s)*float64(to-from+GapIntervals*c.Steps.expected())/msPerHour)
}

// likelyRate is the amount per hour that is believed.
func (c *counter) likelyRate(s *spec) float64 {
	switch {
	case !s.paced:
		return s.perHour
	case c.PaceH < 6*hour:
		return s.claimPerHour
	}
	return min(s.perHour, max(10*c.PaceA/c.PaceH, s.claimPerHour))
}

// saturated says that the base is the largest value of some width, where a
// counter that does not wrap stands for ever (but for a byte's, which is passed
// too often to mean that); or 2^24, beyond which a 32-bit
// float cannot count by ones.
func (c *counter) saturated(s *spec) bool {
	top, step := s.float(c.V), c.Res
	if s.exact {
		if c.V.I == 1<<24 || c.V.I == math.MaxInt64 {
			return true
		}
		step = 1
	}
	for _, width := range s.widths {
		if width > smallWidth && top < width && top > width-1.5*step {
			return true
		}
	}
	return false
}

// rounding says that a fall is a last digit rounded the other way.
func (c *counter) rounding(s *spec, v value, fall float64) bool {
	if s.exact || v.F < 0.5*c.V.F {
		return false
	}
	// Or the last bits of a 32-bit float, which has 24 of them.
	return fall <= max(1.01*c.Res, c.V.F/(1<<22))
}

// book settles the stretch from the base to a reading that becomes the base.
// No more is booked than can have come.
func (c *counter) book(s *spec, t int64, v value, amount, slack float64, flags reading.Flags, out []booking) []booking {
	have := c.available(s, c.T, t)
	if amount > have && c.caughtUp(s, t, amount) {
		flags |= reading.Gap
		have = amount
	}
	if amount > have {
		if amount > 1.01*have {
			flags |= reading.Capped
		}
		amount = have
	}
	out = append(out, booking{c.T, t, amount, true, flags})
	c.pace(amount, float64(t-c.T)/msPerHour)
	c.Credit = max(0, min(have-amount, slack))
	c.rebase(t, v)
	return out
}

// caughtUp says that a value which stood still made good at once what it had
// not shown: the last value of a source that was away had been sent again and
// again, and what came fits into the time since it last moved, at a pace that is
// believed.
func (c *counter) caughtUp(s *spec, t int64, amount float64) bool {
	return c.Moved < c.T && t-c.Moved <= catchUpMost.Milliseconds() && amount <= c.likelyRate(s)*float64(t-c.Moved)/msPerHour
}

// skip settles a stretch about which the counter says nothing.
func (c *counter) skip(s *spec, t int64, v value, slack float64, flags reading.Flags, out []booking) []booking {
	out = append(out, booking{c.T, t, 0, false, flags})
	c.Credit = max(0, min(c.available(s, c.T, t), slack))
	c.rebase(t, v)
	return out
}

// afterFall takes the reading behind a fall.
func (c *counter) afterFall(s *spec, t int64, v value, slack float64, out []booking) []booking {
	d := s.diff(v, c.V) * s.scale
	switch {
	case d >= 0 && d <= c.available(s, c.T, t):
		// Back where it was: the low reading was a glitch. A young counter may
		// as well have begun again and come this far.
		flags := reading.Glitch
		if s.float(v)*s.scale <= c.mostClaim(s, c.T, t) {
			flags |= reading.LowerBound
		}
		return c.book(s, t, v, d, slack, flags, out)
	case s.diff(v, c.HeldV) < 0:
		// Lower still: the first low reading is not confirmed, this one waits.
		c.HeldT, c.HeldV = t, v
		return out
	}
	out = c.settleFall(s, slack, out)
	return c.step(s, t, v, slack, out)
}

// settleFall decides what a confirmed fall was, by what each explanation would
// have to claim for the stretch before it.
func (c *counter) settleFall(s *spec, slack float64, out []booking) []booking {
	t, v := c.HeldT, c.HeldV
	top, low := s.float(c.V), s.float(v)
	claim := low * s.scale
	most := c.mostClaim(s, c.T, t)

	wrapped, across := 0.0, 0.0
	for _, width := range s.widths {
		if top >= width || top < 0.9*width {
			continue
		}
		around := width - top + low
		// Close to the wrap, or no further from it than the counter's usual
		// step, a chance reset is unlikely. Further off a wrap would claim more
		// than a reset, and the smaller claim wins.
		usual := 0.0
		if c.PaceH > 0 && s.register(width) {
			usual = 2 * c.PaceA / c.PaceH * float64(t-c.T) / msPerHour / s.scale
		}
		near := max(16, usual, min(0.01*width, most/s.scale))
		if around <= near && around*s.scale <= c.available(s, c.T, t) && (wrapped == 0 || around < across) {
			wrapped, across = width, around
		}
	}
	if wrapped > 0 {
		flags := reading.Rollover
		if wrapped <= smallWidth {
			flags |= reading.LowerBound
		}
		return c.book(s, t, v, across*s.scale, slack, flags, out)
	}
	if claim <= most {
		return c.book(s, t, v, claim, slack, reading.Reset|reading.LowerBound, out)
	}
	// More than can have accumulated: the counter went back to an old value.
	return c.skip(s, t, v, slack, reading.Rewind|reading.LowerBound, out)
}

// mostClaim is the most that a counter which began again can have counted.
func (c *counter) mostClaim(s *spec, from, to int64) float64 {
	hours := float64(to-from) / msPerHour
	rate := s.claimPerHour
	if s.paced && c.PaceH >= 6*hour {
		rate = max(4*c.PaceA/c.PaceH, s.slack/10)
	}
	return min(s.slack+rate*hours, c.available(s, from, to))
}

// afterJump takes the reading behind a jump.
func (c *counter) afterJump(s *spec, t int64, v value, slack float64, out []booking) []booking {
	held := s.diff(v, c.HeldV) * s.scale
	base := s.diff(v, c.V) * s.scale
	switch {
	case held >= 0 && held <= 2*c.available(s, c.HeldT, t):
		at, to := c.HeldT, c.HeldV
		jump := s.diff(to, c.V) * s.scale
		possible := jump <= 2*c.available(s, c.T, at)
		// At the same pace now as in the jump, within a factor of four: so that
		// is its pace.
		steady := 4*held*float64(at-c.T) >= jump*float64(t-at)
		if possible && steady || c.caughtUp(s, at, jump) {
			out = c.book(s, at, to, jump, slack, 0, out)
		} else {
			// Confirmed: a new segment. What lies in the jump is not duty.
			out = c.skip(s, at, to, slack, reading.Rebased, out)
		}
		return c.step(s, t, v, slack, out)
	case base >= 0 && base <= c.likely(s, c.T, t):
		return c.book(s, t, v, base, slack, reading.Glitch, out)
	case base < 0 && !c.rounding(s, v, -base/s.scale):
		c.Hold, c.HeldT, c.HeldV = holdFall, t, v
	case base < 0:
		return c.book(s, t, c.V, 0, slack, reading.Glitch, out)
	default:
		c.HeldT, c.HeldV = t, v
	}
	return out
}

// slack is the amount that may come at once: one step of the display, and for
// readings stamped on receipt what a delayed message shifts.
func (c *counter) slack(s *spec, ownTime bool) float64 {
	slack := max(s.slack, c.Res*s.scale)
	if !ownTime {
		slack = max(slack, s.perHour*(time.Minute.Hours()))
	}
	return slack
}

// learnResolution keeps the finest decimal step among the values seen.
func (c *counter) learnResolution(s *spec, v value) {
	if s.exact || c.Has && c.Res <= 0.001 {
		return
	}
	res := 0.001
	for _, step := range [...]float64{1, 10, 100} {
		if x := v.F * step; math.Abs(x-math.Round(x)) < 1e-6*max(1, step) {
			res = 1 / step
			break
		}
	}
	if !c.Has || res < c.Res {
		c.Res = res
	}
}

// pace keeps a decayed mean of what was booked per hour. It forgets with a
// time constant of a week, the plant's own period.
func (c *counter) pace(amount, hours float64) {
	keep := 1 / (1 + hours/(7*24))
	c.PaceA = c.PaceA*keep + amount
	c.PaceH = c.PaceH*keep + hours
}
