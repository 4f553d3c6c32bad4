// Package reading holds the nouns of the collector: messages as received,
// readings, dated facts, and the daily figures derived from them.
//
// It is a leaf that every later room reads; it imports only config/civil and
// does no work. Start with [Message] for what comes in, [Reading] and [Fact]
// for what is kept, [Day] for what is derived.
package reading

import (
	"time"

	"dwindle/config/civil"
)

// Kind is the last level of a native topic: what a message is about.
type Kind string

// The kinds of the native topic tree.
const (
	Run    Kind = "run"    // a machine runs, or its hour counter
	Pulse  Kind = "pulse"  // controller pulses seen by a dispenser
	Dose   Kind = "dose"   // volume or strokes that went out
	Level  Kind = "level"  // what is left in the reservoir
	Status Kind = "status" // the state of a device
	Change Kind = "change" // a reservoir was changed
)

// Quantity names what a channel measures, with its unit: kind, a dot, and the
// payload field. Values are stored in the unit of the field, never converted.
type Quantity string

// The quantities of the native kinds.
const (
	RunRunning     Quantity = "run.running" // 0 or 1
	RunHours       Quantity = "run.hours"   // cumulative h
	RunSeconds     Quantity = "run.seconds" // cumulative s
	PulseCount     Quantity = "pulse.count" // cumulative, exact
	PulseIncrement Quantity = "pulse.pulses"
	DoseCM3        Quantity = "dose.cm3"         // cumulative cm3
	DoseStrokes    Quantity = "dose.strokes"     // cumulative, exact
	LevelCM3       Quantity = "level.cm3"        // cm3 left
	LevelPercent   Quantity = "level.percent"    // percent of the usable volume left
	LevelGrams     Quantity = "level.grams"      // g left, tare taken off
	LevelCountLeft Quantity = "level.count_left" // pulses that the display still shows
	StatusTempC    Quantity = "status.temperature_c"
	StatusBar      Quantity = "status.pressure_bar"
	StatusVolt     Quantity = "status.supply_v"
	StatusOnline   Quantity = "status.online"  // 0 or 1
	StatusEveryS   Quantity = "status.every_s" // own reporting interval, s
)

// Channel is one series of readings: a device and a quantity.
type Channel struct {
	Device   string
	Quantity Quantity
}

// Reading is one value of a channel at one time. The pair is its key, but for
// increments, which are keyed by channel and Key.
type Reading struct {
	Channel
	At       time.Time // UTC, millisecond; device time when FromDevice
	Received time.Time // UTC, millisecond
	// FromDevice says that At came with the message. Otherwise At is the
	// receive time, or was given as so long before it.
	FromDevice bool
	Value      float64
	// Count holds exact counts (PulseCount, PulseIncrement, DoseStrokes,
	// LevelCountLeft), up to 2^63-1; Value then holds the nearest float64.
	Count int64
	// Key is the unique id of an increment; empty for all other readings.
	Key   string
	Flags Flags
}

// Flags mark what is special about a reading or a daily figure. They are a
// set; bits are persisted, so append only.
type Flags uint32

// The flags.
const (
	ReceiveTime  Flags = 1 << iota // the device sent no usable time
	Conflict                       // another value came for the same time
	Retained                       // the broker replayed it
	Gap                            // an amount is known, its time is not
	Reset                          // a counter began again
	Rollover                       // a counter wrapped
	Rewind                         // a counter went back to an old saved value
	Glitch                         // a reading was passed over as a transient
	LowerBound                     // more may have happened than was counted
	Held                           // a jump waits for confirmation
	Rebased                        // a confirmed jump, not booked as duty
	Capped                         // more than physically possible was claimed
	Disagreement                   // state and counter disagree for long
	Inexact                        // a count beyond 2^53 kept as float
	Corrected                      // its message was run again under corrected rules
	Suspect                        // held back: unit, source or device in doubt
)

// Message is one MQTT message, or one entry by a person in the same form, as
// it reached this program.
type Message struct {
	Topic    string
	Payload  []byte
	Received time.Time
	Retained bool
	Dup      bool
	// Source says where it came from: a broker's name, "embedded", "replay",
	// or "person".
	Source string
	// Done, if set, is called exactly once: with nil after the commit that
	// made the message's outcome durable, or with the reason why it was not
	// taken (shutdown, journal unavailable). Done(nil) is where a broker
	// connection acknowledges.
	Done func(error)
}

// FactKind says what a dated fact is about.
type FactKind string

// The kinds of dated facts.
const (
	FactCommission FactKind = "commission" // a dispenser taken into service at a point
	FactChange     FactKind = "change"     // a reservoir changed: a new fill begins
	FactSwap       FactKind = "swap"       // a dispenser replaced at a point
	FactSetting    FactKind = "setting"    // a setting in force from now on
	FactWeighing   FactKind = "weighing"   // what a person measured: cm3 left
	FactCountLeft  FactKind = "count_left" // what a person read off a display
	FactFaults     FactKind = "faults"     // fault words of a device, empty list when gone
	FactSerial     FactKind = "serial"     // the serial a device reports
)

// Fact is something that happened at a time, at a point or a device, as
// reported by a device or a person. Facts are never overwritten: a correction
// is a new fact that names the one it replaces.
type Fact struct {
	// ID is the key. A device's own id, else made from content, so that the
	// same report twice is one fact.
	ID       string    `json:"id"`
	Kind     FactKind  `json:"kind"`
	Point    string    `json:"point,omitempty"`
	Device   string    `json:"device,omitempty"` // the dispenser (after a swap, the new one)
	At       time.Time `json:"at"`
	Received time.Time `json:"received"`
	By       string    `json:"by,omitempty"`
	Note     string    `json:"note,omitempty"`
	Corrects string    `json:"corrects,omitempty"` // id of the fact this one replaces
	// Content is a digest of what a device reported, without its time, where
	// the device gave no id. Two changes of one device with the same Content
	// within 24 h are one.
	Content string `json:"content,omitempty"`

	VolumeCM3   *float64 `json:"volume_cm3,omitempty"`   // change, commission: volume put in
	ResidualCM3 *float64 `json:"residual_cm3,omitempty"` // change: left in the old reservoir
	ResidualG   *float64 `json:"residual_g,omitempty"`
	Item        string   `json:"item,omitempty"`
	Batch       string   `json:"batch,omitempty"`
	Serial      string   `json:"serial,omitempty"`
	OldDevice   string   `json:"old_device,omitempty"` // swap

	Pacing      string   `json:"pacing,omitempty"` // setting: run or pulse
	CM3Per100h  *float64 `json:"cm3_per_100h,omitempty"`
	CM3PerPulse *float64 `json:"cm3_per_pulse,omitempty"`

	CM3       *float64 `json:"cm3,omitempty"`   // weighing: left, cm3
	Grams     *float64 `json:"grams,omitempty"` // weighing: left, g, tare taken off
	CountLeft *int64   `json:"count_left,omitempty"`
	Faults    []string `json:"faults,omitempty"`
	Doses     []string `json:"doses,omitempty"`    // commission: first doses seen, RFC 3339
	Accepted  *bool    `json:"accepted,omitempty"` // commission
	Reason    string   `json:"reason,omitempty"`   // commission: why refused
}

// StoredFact is a fact with what a journal knows of it besides.
type StoredFact struct {
	Fact
	Until  time.Time // when the same was last reported again; At, if it never was
	Person bool      // entered by a person: no sign of life of the device
}

// Day is one derived daily figure of a device: run-hours of a machine, pulses
// or cm3 of a dispenser, on one civil day of the site.
type Day struct {
	Date   civil.Date
	Amount float64 // h, pulses or cm3; what was observed, never extrapolated
	// Seen is the share of the day, 0 to 1, in which the amount is known to
	// the reporting interval.
	Seen float64
	// Known is the share of the day whose amount is included in Amount: Seen,
	// plus gaps of a cumulative counter, which knows how much but not when.
	// The rest, 1-Known, is unknown, which is not zero.
	Known float64
	Flags Flags
}

// Amount is what was counted in a stretch of time; Seen and Known are shares
// of the stretch, as in [Day].
type Amount struct {
	Value       float64
	Seen, Known float64
	Flags       Flags
}

// Sample is a level reading chosen to stand for a civil day: its last.
type Sample struct {
	At       time.Time
	Quantity Quantity // LevelCM3, LevelPercent, LevelGrams or LevelCountLeft
	Value    float64
	Flags    Flags
}
