// Package meter turns counters and states into duty: a fold over the sorted
// readings of one device that emits intervals with what was counted in them.
//
// Missing is not zero: what nobody saw is left out or marked unknown, and a
// doubtful reading is held back until the next one explains it. The folded
// result depends on the sorted readings alone, so late data is met by folding
// again from the last state saved before it.
//
// What a counter can do, and what is booked (all of testdata holds a file per
// case):
//
//	first reading             base, nothing booked
//	up, physically possible   the difference
//	up, 1 to 2 times possible what is possible; Capped
//	up, far above its pace    held; going on at that pace: the difference; at
//	                          the old one: new base, stretch unknown, Rebased;
//	                          not confirmed: passed over, Glitch
//	up, absurdly              held; confirmed: new base, stretch unknown, Rebased;
//	                          not confirmed: passed over, Glitch
//	up, all at once after it  the difference, place unknown; Gap
//	  stood still
//	still, at the largest     stretch unknown, LowerBound
//	  value of a width
//	down by a last digit      nothing, the base stays
//	down                      held; back again: passed over, Glitch. Else, by
//	                          the smallest claim that can be true:
//	  close below a width     across the wrap; Rollover
//	  small claim             the new value; Reset, LowerBound
//	  more than can have come new base, stretch unknown; Rewind, LowerBound
//	long silence              the difference, place unknown; Gap
//
// Where two explanations fit, the smaller amount is booked and marked as a
// lower bound: readers can allow for a marked doubt, not for an invented
// amount.
//
// The package is pure: values in, values out, no I/O, no clock, no globals; it
// imports only collector/reading and config/civil. Start with [New] and
// [Fold.Add]; [SplitDays] spreads intervals over civil days.
package meter

import (
	"time"

	"dwindle/collector/reading"
)

// Group is what one fold measures.
type Group uint8

// The groups.
const (
	Run   Group = iota // run-hours of a machine: run.running, run.hours, run.seconds
	Pulse              // pulses of a dispenser: pulse.count, pulse.pulses
	Dose               // cm3 of a dispenser: dose.cm3, dose.strokes
)

// String gives the group's kind of message.
func (g Group) String() string { return string(g.Kind()) }

// Kind is the kind of message that feeds the group.
func (g Group) Kind() reading.Kind {
	switch g {
	case Run:
		return reading.Run
	case Pulse:
		return reading.Pulse
	}
	return reading.Dose
}

// GroupOf gives the group that a quantity belongs to; ok is false for
// quantities that are not metered.
func GroupOf(q reading.Quantity) (g Group, ok bool) {
	switch q {
	case reading.RunRunning, reading.RunHours, reading.RunSeconds:
		return Run, true
	case reading.PulseCount, reading.PulseIncrement:
		return Pulse, true
	case reading.DoseCM3, reading.DoseStrokes:
		return Dose, true
	}
	return 0, false
}

// Wants says whether a quantity belongs to the group.
func (g Group) Wants(q reading.Quantity) bool {
	of, ok := GroupOf(q)
	return ok && of == g
}

// Interval is a stretch of time and what was counted in it. The intervals of
// one fold follow each other without overlap; a stretch that no interval
// covers is unknown.
type Interval struct {
	From, To time.Time // UTC; equal for an event without extent
	Amount   float64   // h, pulses or cm3
	// Seen: the amount is known to the reporting interval. Known without Seen:
	// the amount is right, its place within the interval is not. Neither:
	// nobody knows what happened; Amount is 0 and means nothing.
	Seen, Known bool
	Flags       reading.Flags
}

// Rules are what has to be known to judge the readings of one device. The zero
// value takes a default for each.
type Rules struct {
	// Every is the expected reporting interval; 0: learned.
	Every time.Duration
	// MaxPerHour is the most that is physically possible, pulses/h or cm3/h.
	// 0: DefaultPulsesPerHour or DefaultCM3PerHour. Run-hours never exceed
	// 1 h/h.
	MaxPerHour float64
	// CM3PerStroke turns strokes into cm3 (Dose only); 0: strokes are ignored.
	CM3PerStroke float64
	// Debounce joins run states shorter than this to their neighbours; the sum
	// of run time is unaffected. 0: DefaultDebounce.
	Debounce time.Duration
	// Bounce drops a single-pulse increment that follows another closer than
	// this by the device's own clock. 0: DefaultBounce.
	Bounce time.Duration
}

// Defaults and thresholds. Those without a source are judgement: generous
// where a tight bound would lose duty, tight where a loose one would invent it.
const (
	// DefaultPulsesPerHour is ten a second: beyond what a lubricator's
	// controller gives, yet far below the jump that a broken counter makes.
	DefaultPulsesPerHour = 36000
	// DefaultCM3PerHour empties the largest usual single-point reservoir
	// (about 500 cm3) twice an hour.
	DefaultCM3PerHour = 1000
	DefaultDebounce   = 2 * time.Second
	// DefaultBounce is the distance at DefaultPulsesPerHour: closer pulses are
	// one contact that bounced.
	DefaultBounce = 100 * time.Millisecond
	// GapIntervals is how many expected intervals may pass before a stretch
	// counts as a gap.
	GapIntervals = 3
	// CreditIntervals is how many expected intervals a run state is believed
	// after its last message.
	CreditIntervals = 2
	// UnlearnedEvery stands for the expected interval until enough steps were
	// seen to learn it.
	UnlearnedEvery = time.Hour
	// staleAfter is how long a counter may be silent at least before a second
	// source of the same device takes over.
	staleAfter = 6 * time.Hour
)

const (
	msPerHour = 3_600_000
	hour      = 1.0
)
