package collector

import (
	"errors"
	"fmt"
	"time"

	"dwindle/collector/decode"
	"dwindle/collector/health"
	"dwindle/collector/reading"
)

// Health names.
const (
	checkClock  = "clock"         // of this machine
	checkClocks = "device clocks" // of the others
	checkUnits  = "time units"    // in which they send times as numbers
)

// errClockUnset tells whoever wants to hand something in.
var errClockUnset = errors.New("the clock of this machine is not set (it shows a year before 2020): nothing can be recorded with a time\ntry: set the clock, or wait until it is synchronised")

// unset says that a clock cannot be right, as after a start without a battery.
func unset(t time.Time) bool { return !t.IsZero() && t.Year() < decode.EarliestYear }

// clockAsk is how often a clock that is not set is looked at again.
const clockAsk = time.Second

// awaitClock holds a message back while this machine's clock is not set: what
// is stored under a wrong receive time stays wrong for ever, and a broker or
// sender keeps what is not acknowledged. It is false when the intake stops
// meanwhile.
func (in *Intake) awaitClock(m *reading.Message) bool {
	if m.Source == "replay" || !unset(m.Received) {
		return true
	}
	for held := false; unset(in.now()); held = true {
		if !held {
			in.health.Set(checkClock, health.Bad, fmt.Sprintf("the clock of this machine shows %s: messages are held back and not acknowledged", in.now().UTC().Format(time.DateOnly)),
				"set the clock, or see why it is not synchronised; messages flow again by themselves")
		}
		in.progress.note() // waiting is all there is to do
		pause := time.NewTimer(clockAsk)
		select {
		case <-pause.C:
		case <-in.stopping:
			pause.Stop()
			return false
		}
	}
	in.health.Set(checkClock, health.Ok, "", "")
	m.Received = in.now().UTC() // when it came nobody can say any more
	return true
}

// clocksMost bounds the devices that are remembered.
const clocksMost = 1000

// clocks remembers the devices whose clock or zone looks wrong now. One
// goroutine decodes, so it has no lock.
type clocks struct {
	health *health.Checks
	wrong  map[string]struct{}
	sample string // one of them
}

// look notes what a message says of its sender's clock. Replays, of a log or by
// a broker, say nothing about now.
func (c *clocks) look(m *reading.Message, d *decode.Decoded) {
	if m.Source == "replay" || m.Retained {
		return
	}
	_, known := c.wrong[d.Device]
	switch {
	case d.Hint != "" && !known && len(c.wrong) < clocksMost:
		if c.wrong == nil {
			c.wrong = map[string]struct{}{}
		}
		c.wrong[d.Device] = struct{}{}
		c.sample = fmt.Sprintf("%s sent %q: %s", d.Device, d.RawAt, d.Hint)
	case known && timed(d):
		delete(c.wrong, d.Device)
		if len(c.wrong) == 0 {
			c.health.Set(checkClocks, health.Ok, "", "")
			return
		}
		for other := range c.wrong {
			c.sample = other + " sent a time that could not be used"
			break
		}
	default:
		return
	}
	what := c.sample
	if n := len(c.wrong) - 1; n > 0 {
		what += fmt.Sprintf(" (and %d other devices)", n)
	}
	c.health.Set(checkClocks, health.Warn, what, "set the device's clock and zone, or let it send no at; this clears with its next good time")
}

// timed says that a message came with a time of its own that was used.
func timed(d *decode.Decoded) bool {
	return len(d.Readings) > 0 && d.Readings[0].FromDevice || d.Hint == "" && len(d.Readings) == 0 && len(d.Facts) > 0 && !d.Facts[0].At.Equal(d.Facts[0].Received)
}

// timeUnits remembers the unit in which each kind of a device sends its times,
// where it is guessed by magnitude. Once three in a row have agreed another one
// is worth a look: the guess is still right, but something was changed at the
// sender, or two send under one name. One goroutine decodes, so it has no lock.
type timeUnits struct {
	health *health.Checks
	seen   map[timeSeries]timePin
	odd    int // series whose last time was in another unit than before
}

type timeSeries struct {
	device string
	kind   reading.Kind
}

type timePin struct {
	unit  string // pinned; empty: none yet
	next  string // of the last times
	agree uint8  // how many of them in a row
}

// timesToPin is how many times must agree.
const timesToPin = 3

// look notes the unit of a message's time.
func (u *timeUnits) look(m *reading.Message, d *decode.Decoded) {
	if d.TimeUnit == "" || d.RawAt != "" || m.Source == "replay" {
		return
	}
	key := timeSeries{d.Device, d.Kind}
	pin, known := u.seen[key]
	if !known && len(u.seen) >= clocksMost {
		return
	}
	wasOdd := pin.odd()
	if pin.next != d.TimeUnit {
		pin.next, pin.agree = d.TimeUnit, 0
	}
	pin.agree = min(pin.agree+1, timesToPin)
	before := pin.unit
	if pin.agree >= timesToPin {
		pin.unit = pin.next
	}
	if u.seen == nil {
		u.seen = map[timeSeries]timePin{}
	}
	u.seen[key] = pin
	switch isOdd := pin.odd(); {
	case isOdd && !wasOdd:
		u.odd++
		what := fmt.Sprintf("%s sent the time of its %s in %s, before in %s", d.Device, d.Kind, d.TimeUnit, before)
		if u.odd > 1 {
			what += fmt.Sprintf(" (and %d others)", u.odd-1)
		}
		u.health.Set(checkUnits, health.Warn, what, "see what was changed at the sender, or whether two send under this id; give the unit of the time in a mapping to pin it; this clears when three times agree again")
	case wasOdd && !isOdd:
		if u.odd--; u.odd == 0 {
			u.health.Set(checkUnits, health.Ok, "", "")
		}
	}
}

// odd says that the last time was not in the unit of those before.
func (p timePin) odd() bool { return p.unit != "" && p.next != p.unit }
