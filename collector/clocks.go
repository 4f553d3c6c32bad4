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
