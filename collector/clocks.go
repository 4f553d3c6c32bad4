package collector

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"dwindle/collector/decode"
	"dwindle/collector/health"
	"dwindle/collector/reading"
)

// Health names.
const (
	checkClocks = "device clocks"
	checkUnits  = "time units" // in which they send times as numbers
)

const (
	// clocksMost bounds the devices that are remembered.
	clocksMost = 20_000
	// clockSlots of clockSlot each is how long a device's clock is watched: the
	// least lag in them tells its error, since messages are under way for a
	// while, some long, none less than nothing.
	clockSlots = 15
	clockSlot  = time.Minute
	// clockSlotsLeast are wanted before a lag is laid to the clock: what was
	// buffered in an outage comes in a burst.
	clockSlotsLeast = 5
)

// DeviceClock is what is known of a device's own clock.
type DeviceClock struct {
	Device string
	// Behind is by how much it is behind ours, or its quickest message was
	// under way; negative: it is ahead.
	Behind time.Duration
	// Hint says what else is wrong with it, in plain words; mostly empty.
	Hint string
}

// Off says that the clock is wrong by more than what is let pass, 5 minutes,
// or not a clock at all.
func (c DeviceClock) Off() bool {
	return c.Hint != "" || c.Behind > decode.FutureSlack || c.Behind < -decode.FutureSlack
}

// clocks watches the clocks and zones of devices. One goroutine decodes and
// looks; others may list.
type clocks struct {
	health *health.Checks

	mu      sync.Mutex
	devices map[string]*deviceClock
	off     int    // of these, so many are off
	sample  string // the first of them by name: the words must not change without need; empty: to be found
}

type deviceClock struct {
	lags      [clockSlots]lag // least of each slot, a ring
	n         int             // slots begun, in all
	slot      time.Time       // beginning of the last
	raw, hint string
	off       bool
}

// lag is by how much a message came after its time, in s: with thousands of
// devices half the size of a duration counts. 68 years are the most.
type lag int32

func lagOf(d time.Duration) lag {
	return lag(min(max(int64(d.Round(time.Second)/time.Second), math.MinInt32), math.MaxInt32))
}

// behind is by how much the clock is behind; ok is false while that is not
// known.
func (c *deviceClock) behind() (d time.Duration, ok bool) {
	n := min(c.n, clockSlots)
	if n == 0 {
		return 0, false
	}
	d = time.Duration(slices.Min(c.lags[:n])) * time.Second
	return d, n >= clockSlotsLeast || d < 0
}

// look notes what a message says of its sender's clock. Replays, of a log or by
// a broker, say nothing about now.
func (c *clocks) look(m *reading.Message, d *decode.Decoded) {
	if m.Source == "replay" || m.Retained || d.Clock.IsZero() && d.Hint == "" {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	dc, known := c.devices[d.Device]
	if !known {
		if len(c.devices) >= clocksMost {
			return
		}
		if c.devices == nil {
			c.devices = map[string]*deviceClock{}
		}
		dc = &deviceClock{}
		c.devices[d.Device] = dc
	}
	if dc.hint != d.Hint {
		dc.raw, dc.hint = d.RawAt, d.Hint
	}
	if !d.Clock.IsZero() && d.Clock.Year() >= decode.EarliestYear {
		dc.note(lagOf(m.Received.Sub(d.Clock)), m.Received)
	}
	behind, sure := dc.behind()
	off := dc.hint != "" || sure && behind > decode.FutureSlack
	if off == dc.off && !(off && d.Device == c.sample && dc.slot.Equal(m.Received)) {
		return // as before; the words are renewed with each slot
	}
	c.turn(d.Device, dc, off)
	c.report()
}

// turn notes whether a device's clock is off.
func (c *clocks) turn(device string, dc *deviceClock, off bool) {
	switch {
	case off == dc.off:
	case off:
		c.off++
		if c.sample != "" && device < c.sample || c.off == 1 {
			c.sample = device
		}
	default:
		c.off--
		if device == c.sample {
			c.sample = ""
		}
	}
	dc.off = off
}

// note takes in a lag.
func (c *deviceClock) note(l lag, received time.Time) {
	if since := received.Sub(c.slot); c.n > 0 && since >= 0 && since < clockSlot {
		last := &c.lags[(c.n-1)%clockSlots]
		*last = min(*last, l)
		return
	}
	c.lags[c.n%clockSlots] = l
	c.n++
	c.slot = received
}

// forget drops devices that are gone: nothing of them comes that would clear
// what was said.
func (c *clocks) forget(gone func(device string) bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	had := c.off
	for device, dc := range c.devices {
		if !gone(device) {
			continue
		}
		c.turn(device, dc, false)
		delete(c.devices, device)
	}
	if c.off != had {
		c.report()
	}
}

// report says in health which clocks are off, with one of them as an example.
func (c *clocks) report() {
	if c.off == 0 {
		c.health.Set(checkClocks, health.Ok, "", "")
		return
	}
	if c.sample == "" {
		for device, dc := range c.devices {
			if dc.off && (c.sample == "" || device < c.sample) {
				c.sample = device
			}
		}
	}
	dc := c.devices[c.sample]
	what := fmt.Sprintf("%s sent %q: %s", c.sample, dc.raw, dc.hint)
	if dc.hint == "" {
		behind, _ := dc.behind()
		what = fmt.Sprintf("the clock of %s is behind by %s, or its messages are under way for so long", c.sample, behind.Round(time.Minute))
	}
	if c.off > 1 {
		what += fmt.Sprintf(" (and %d other devices)", c.off-1)
	}
	c.health.Set(checkClocks, health.Warn, what, "set the device's clock and zone, or let it send no at; this clears with its next good time. What is stored keeps its times")
}

// Clocks lists what is known of the devices' own clocks, by name.
func (in *Intake) Clocks() []DeviceClock {
	c := &in.clocks
	c.mu.Lock()
	defer c.mu.Unlock()
	out := make([]DeviceClock, 0, len(c.devices))
	for device, dc := range c.devices {
		behind, ok := dc.behind()
		if ok || dc.hint != "" {
			out = append(out, DeviceClock{Device: device, Behind: behind, Hint: dc.hint})
		}
	}
	slices.SortFunc(out, func(a, b DeviceClock) int { return strings.Compare(a.Device, b.Device) })
	return out
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

// forget drops devices that are gone.
func (u *timeUnits) forget(gone func(device string) bool) {
	had := u.odd
	for key, pin := range u.seen {
		if !gone(key.device) {
			continue
		}
		if pin.odd() {
			u.odd--
		}
		delete(u.seen, key)
	}
	if had > 0 && u.odd == 0 {
		u.health.Set(checkUnits, health.Ok, "", "")
	}
}

// odd says that the last time was not in the unit of those before.
func (p timePin) odd() bool { return p.unit != "" && p.next != p.unit }
