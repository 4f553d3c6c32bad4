// Package meter turns counters and states into duty: a fold over the sorted
// readings of one device that emits intervals with what was counted in them.
//
// It is pure: values in, values out, no I/O, no clock, no globals; it imports
// only collector/reading and config/civil. Start with [New] and [Fold.Add];
// [SplitDays] spreads intervals over civil days.
package meter

import (
	"time"

	"dwindle/collector/reading"
	"dwindle/config/civil"
)

// Group is what one fold measures.
type Group uint8

// The groups.
const (
	Run   Group = iota // run-hours of a machine: run.running, run.hours, run.seconds
	Pulse              // pulses of a dispenser: pulse.count, pulse.pulses
	Dose               // cm3 of a dispenser: dose.cm3, dose.strokes
)

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
	// 0: generous defaults. Run-hours never exceed 1 h/h.
	MaxPerHour float64
	// CM3PerStroke turns strokes into cm3 (Dose only); 0: strokes are ignored.
	CM3PerStroke float64
	// Debounce joins run states shorter than this; 0: 2 s.
	Debounce time.Duration
	// Bounce drops single pulse increments closer than this; 0: none dropped.
	Bounce time.Duration
}

// Fold is the running state of one device and group.
type Fold struct{}

// New gives an empty fold.
func New(g Group, r Rules) *Fold { return &Fold{} }

// Wants says whether a quantity belongs to the group.
func (g Group) Wants(q reading.Quantity) bool { return false }

// Add takes the next reading, in the order of reading.Compare, and returns the
// intervals that are now settled. The slice is valid until the next call.
func (f *Fold) Add(r reading.Reading) []Interval { return nil }

// Flush gives, without changing the fold, what can be said provisionally up to
// at beyond the settled intervals.
func (f *Fold) Flush(at time.Time) []Interval { return nil }

// Every is the expected reporting interval, 0 where it is not yet known.
func (f *Fold) Every() time.Duration { return 0 }

// State gives the fold's state for a checkpoint.
func (f *Fold) State() []byte { return nil }

// Restore puts the fold into a state that State gave, under its own Rules.
func (f *Fold) Restore(state []byte) error { return nil }

// DayPart is the share of an interval that falls on one civil day.
type DayPart struct {
	Date   civil.Date
	Amount float64
	Seen   float64 // share of the civil day that is seen through this part
	Known  float64 // share of the civil day that is known through this part
	Flags  reading.Flags
}

// SplitDays splits an interval over the civil days of a zone.
func SplitDays(iv Interval, loc *time.Location) []DayPart { return AppendDays(nil, iv, loc) }

// AppendDays is SplitDays into a slice.
func AppendDays(dst []DayPart, iv Interval, loc *time.Location) []DayPart { return dst }
