// Package decode turns messages as received into readings and dated facts.
// It knows the native JSON kinds and, by the mappings of the site file, other
// payload forms; a payload that cannot be used is handed back with the reason
// and the remedy, never half used.
//
// A message is stored whole or kept aside whole: one refused field keeps the
// whole message aside, so that a fault is noticed and nothing is taken from a
// payload whose meaning is in doubt. There are two exceptions. A field without a
// value (null, NaN, an unread digit) counts as missing and the others are
// used, because a failed sensor must not silence its neighbours. And what a
// mapped message says of devices that are not in the register is kept beside
// the rest.
//
// The package is pure: no I/O, no clock, no globals; of the collector it imports
// the nouns and the codec of Sparkplug B only. Start with [Decode].
package decode

import (
	"time"

	"dwindle/collector/reading"
)

// Role says what a device of the register is.
type Role uint8

// The roles. The zero value is no role, so that an incomplete register entry
// is refused rather than taken for a machine.
const (
	Machine Role = iota + 1
	Dispenser
	Gateway
)

// String gives the role in plain words.
func (r Role) String() string {
	switch r {
	case Machine:
		return "machine"
	case Dispenser:
		return "dispenser"
	case Gateway:
		return "gateway"
	}
	return "device"
}

// Device is what has to be known of a device to vet its messages. A zero
// number means "not known": the check that needs it is left out, or, for
// strokes and grams, the field is refused.
type Device struct {
	Role Role
	// CapacityCM3 is the usable volume of the fill in service, cm3.
	CapacityCM3 float64
	// TolerancePercent is how far a level may exceed the capacity, percent of
	// it. 0 takes DefaultTolerancePercent.
	TolerancePercent float64
	// LargestCM3 is the nominal volume of the largest reservoir of the site, cm3.
	LargestCM3 float64
	// DensityGPerCM3 of the lubricant in the reservoir, g/cm3.
	DensityGPerCM3 float64
	// TareG is the weight of the empty reservoir, g.
	TareG float64
	// CM3PerStroke of the dispenser's model, cm3.
	CM3PerStroke float64
	// CM3PerPulse is the setting in force of a pulse-paced dispenser, cm3; it
	// bounds the pulses that a display can still show.
	CM3PerPulse float64
}

// DefaultTolerancePercent is how far a level may exceed the capacity where the
// register does not say: a new fill scatters by about 2 % (three times that)
// and a sensor adds its own few percent. Common practice.
const DefaultTolerancePercent = 10

// Register says who a device is. The id is compared exactly, case counts.
type Register interface {
	Lookup(device string) (Device, bool)
}

// Decoded is a message that was understood.
type Decoded struct {
	Device   string
	Kind     reading.Kind
	Readings []reading.Reading
	Facts    []reading.Fact

	// StateOnly says that the message is known and leaves no history: the
	// broker replayed it (retained) and it carries no time of its own, so
	// nobody can say when it was true. Readings and Facts are empty; it must
	// not count as a sign of life.
	StateOnly bool
	// Coerced counts fields that were taken although written in another form:
	// numbers and words as text, names in other case.
	Coerced int
	// Missing names fields that came without a value (null, NaN, placeholder).
	Missing []string
	// RawAt is the time as sent when it could not be used and the receive time
	// took its place; Hint then says in plain words what seems wrong with it.
	RawAt string
	Hint  string
	// Clock is the time that the device's own clock showed, used or not; zero
	// where it said nothing that can be read as a time.
	Clock time.Time
	// TimeUnit is the unit of a time that was sent as a number: s, ms, us or
	// ns; empty for others. It is guessed by magnitude where no mapping says.
	TimeUnit string
	// Notes tell people who look at this message alone what they may want to
	// know: a value that looks like one in another unit.
	Notes []string
}

// Kept is a message that was kept aside, with the reason.
type Kept struct {
	Reason Reason
	// Detail names the topic level or field, and what was wrong with it.
	Detail string
	// Device is the id of the topic's device level if it is a valid id.
	Device string
	// Unknown is the same id when the register does not know it.
	Unknown string
}

// Limits of what is read from one message.
const (
	MaxPayload  = 256 << 10 // bytes
	MaxDepth    = 32        // nested objects and arrays
	MaxElements = 10_000    // members and elements in all
	MaxTopic    = 512       // bytes
	MaxID       = 64        // characters of a device id
	MaxText     = 128       // bytes of a text field
	MaxFaults   = 64        // fault words in one status
)

// Clock bounds: a time before the first or further than the second ahead of
// the receive time is not a time but a device without a set clock.
const (
	EarliestYear = 2020
	FutureSlack  = 5 * time.Minute
)
