// Package suspicion looks at the sorted readings of one device for what no
// single reading shows: a unit that is wrong by a round factor, a counter that
// outruns time, two devices under one name, a display that counts down, a clock
// that is behind, a run state and an hour counter that contradict each other, a
// value that is repeated for a device that cannot be reached.
//
// A suspicion is a guess with its evidence. It never changes a reading. While
// one lasts that makes amounts worthless, what the meter books is held back
// from duty, which makes it unknown and not zero; it is cleared by readings
// that fit again. What two devices may have exchanged is found by [Swapped] in
// the breaks of all.
//
// Like a meter's fold a [Watch] depends on the sorted readings alone and has a
// state of fixed size, so that late readings give the same suspicions as
// punctual ones. The thresholds are judgement: generous, because a false
// suspicion takes good data from the forecasts.
//
// The package is pure; it imports only collector/reading and collector/meter.
// Start with [Watch.Add].
package suspicion

import (
	"time"

	"dwindle/collector/reading"
)

// Kind is what is suspected.
type Kind uint8

// The kinds. They are persisted: append only.
const (
	Unit       Kind = iota // grows a round factor too fast or too slow
	Outruns                // grows faster than time passes, or than is possible
	TwoDevices             // the readings of two devices alternate
	CountsDown             // falls with every reading
	Disagrees              // run state and hour counter, or a status and what it is about, contradict each other
	ClockSlow              // the device's clock is behind
	Broke                  // went on from another value: restarted or replaced
	Exchanged              // two devices went on where the other one was
	Repeats                // repeats itself while it is said to be offline
	kinds
)

// String gives the stable word of a kind, as it is stored and printed.
func (k Kind) String() string {
	return [...]string{"unit", "outruns", "two_devices", "counts_down", "disagrees", "clock_behind", "began_anew", "swapped", "repeats_offline"}[min(k, kinds-1)]
}

// ParseKind reads the word of a kind.
func ParseKind(word string) (Kind, bool) {
	for k := range kinds {
		if k.String() == word {
			return k, true
		}
	}
	return 0, false
}

// Holds says that amounts are worthless while a suspicion of the kind lasts.
func (k Kind) Holds() bool {
	return k == Unit || k == Outruns || k == TwoDevices || k == CountsDown || k == Repeats
}

// Try says what to do about it.
func (k Kind) Try() string {
	switch k {
	case Unit:
		return "compare the device's display with what it sends; put the unit right where the message is made or mapped"
	case Outruns:
		return "see what is really counted, and the unit and scale of the field"
	case TwoDevices:
		return "give each device a topic of its own"
	case CountsDown:
		return "send it as level count_left if it shows what is left; else see what is really counted"
	case Disagrees:
		return "see whether run signal and hour counter belong to the same machine, and the unit of the hours; where it is said to be offline, see who says so"
	case ClockSlow:
		return "set the device's clock, or let it send no time"
	case Broke:
		return "record the swap if the device was replaced; a restart needs nothing"
	case Repeats:
		return "see why the device cannot be reached; have its gateway send nothing for it meanwhile"
	case Exchanged:
		return "compare the ids on both devices with the register; put them right, then record what was read at both"
	}
	return ""
}

// Change says that a suspicion began, or that it is over.
type Change struct {
	Kind     Kind
	At       time.Time // when it began, UTC; with the kind its name within the series
	Over     time.Time // when it was over; zero: it lasts. Equal to At: it was an instant
	Words    string    // empty when it is over
	Evidence string
	Break    *Break // of an instant of kind Broke
}

// Break is a counter that went on from another value.
type Break struct {
	Quantity reading.Quantity
	Before   time.Time // of the last reading before
	At       time.Time
	From, To float64
}
