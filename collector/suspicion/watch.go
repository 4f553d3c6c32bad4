package suspicion

import (
	"fmt"
	"time"

	"dwindle/collector/meter"
	"dwindle/collector/reading"
)

// Thresholds.
const (
	returnsLeast  = 3   // times back and forth before two devices are suspected
	returnsWithin = 32  // readings without one that clear it
	fallsLeast    = 5   // falls in a row
	fastLeast     = 3   // steps in a row that are too fast
	clearLeast    = 3   // good steps in a row that clear a suspicion
	grownLeast    = 8   // steps that teach a counter's fastest pace
	fasterLeast   = 8.0 // times its fastest pace
	fasterHold    = 50.0
	movesLeast    = 3               // times that it moves before a status is doubted
	repeatsLeast  = 3               // repeats that are worth a notice
	lagLeast      = 5 * time.Minute // as for clocks that are ahead
	lagSteady     = 12              // readings in a row that lag by as much
	judgeHours    = 24.0            // of known run state
	// paceTaken is how long a pace has to last to be taken as the counter's own.
	paceTaken = 14 * 24 * time.Hour
	// breakQuiet keeps counters that begin anew each day from saying so.
	breakQuiet = 7 * 24 * time.Hour
)

const msPerHour = 3_600_000

type point struct {
	T int64 // ms
	V float64
}

// channel follows one cumulative counter.
type channel struct {
	Has   bool
	Last  [3]point // newest first
	Moved int64    // time of the first reading with the newest value
	Step  float64  // smallest rise seen, in units

	A, B         point // two tracks
	HasB, OnB    bool
	GrewA, GrewB uint8 // times that each went on from itself and grew
	Returns      uint8
	Since        uint8 // readings since the last return

	Falls, Rises uint8

	Grown       uint8
	Peak        float64 // fastest pace of sound steps, units/h, slowly forgotten
	Fast        uint8   // steps in a row that are too fast
	Good        uint8   // steps in a row that are not
	FastFrom    point
	FastG       float64 // units
	FastH       float64 // h
	Low, High   float64 // of the steps of the run, units/h
	ByPace      bool    // it is fast for itself, not for time
	Provisional bool    // so fast that it is held before it is confirmed
}

// saved is all that a watch knows. All of it is persisted.
type saved struct {
	Channels [2]channel
	Open     [kinds]int64 // since, ms; 0: not suspected
	Opener   [kinds]uint8 // what it was opened for: the index of a channel, or one of those below

	On         bool
	StateT     int64
	StateHours float64 // running by the state
	CountHours float64 // running by the counter, meanwhile
	KnownHours float64

	Lag  int64 // ms
	Lags uint8

	Broke int64 // the last break, ms

	Says      [2]standing // by the device's own status and by its gateway's
	Belied    bool        // it moved since it was last said to be offline
	Moves     uint8       // times that it moved while that was said
	Repeats   uint8       // readings that repeated it, since the last that did not
	RepeatsAt int64       // the first of these, ms
}

// Openers that are no channel. They are persisted.
const (
	byState = 2 + iota // the run state
	byClock
	byStatus
)

// standing is what a status says of whether a device can be reached.
type standing struct {
	Off   bool
	Since int64 // ms
}

// Watch follows one device and group. The zero value must be Reset.
type Watch struct {
	group   meter.Group
	s       saved
	changes []Change
	settled []Change

	repeated, returned bool // see the methods
}

// New gives an empty watch.
func New(g meter.Group) *Watch {
	w := &Watch{}
	w.Reset(g)
	return w
}

// Reset makes an empty watch of a used one.
func (w *Watch) Reset(g meter.Group) {
	*w = Watch{group: g, changes: w.changes[:0], settled: w.settled[:0]}
}

// gauge is what is fixed about a quantity.
type gauge struct {
	index   int
	perHour float64 // most that is possible, units/h
	usual   float64 // what a counter may grow by that is not known yet, units/h
	digit   float64 // a step back that is rounding
	slack   float64 // what may come at once
}

func gaugeOf(q reading.Quantity) (gauge, bool) {
	switch q {
	case reading.RunSeconds:
		return gauge{0, 3600, 3600, 2, 60}, true
	case reading.RunHours:
		return gauge{1, 1, 1, 0.011, 0.02}, true
	case reading.PulseCount:
		return gauge{0, meter.DefaultPulsesPerHour, 120, 0.5, 10}, true
	case reading.DoseCM3:
		return gauge{0, meter.DefaultCM3PerHour, 20, 0.011, 5}, true
	case reading.DoseStrokes:
		return gauge{1, meter.DefaultPulsesPerHour, 120, 0.5, 10}, true
	}
	return gauge{}, false
}

func quantityOf(g meter.Group, index uint8) reading.Quantity {
	return [...][2]reading.Quantity{
		meter.Run:   {reading.RunSeconds, reading.RunHours},
		meter.Pulse: {reading.PulseCount, reading.PulseCount},
		meter.Dose:  {reading.DoseCM3, reading.DoseStrokes},
	}[g][index&1]
}

// Add takes the next reading, in the order of reading.Compare, and gives what
// it changes. The slice is valid until the next call.
func (w *Watch) Add(r reading.Reading) []Change {
	w.changes = w.changes[:0]
	w.repeated, w.returned = false, false
	t := r.At.UnixMilli()
	if w.offline(r, t); w.repeated {
		return w.changes
	}
	w.lag(r, t)
	if r.Quantity == reading.RunRunning {
		w.state(t, r.Value != 0)
		return w.changes
	}
	g, ok := gaugeOf(r.Quantity)
	if !ok {
		return w.changes
	}
	v := valueOf(r)
	c := &w.s.Channels[g.index]
	if !c.Has {
		*c = channel{Has: true, Moved: t, A: point{t, v}, Last: [3]point{{t, v}}}
		return w.changes
	}
	if t <= c.Last[0].T {
		return w.changes
	}
	w.tracks(c, g, t, v)
	w.falls(c, g, t, v)
	w.growth(c, g, r, t, v)
	if v != c.Last[0].V {
		c.Moved = t
	}
	c.Last[2], c.Last[1], c.Last[0] = c.Last[1], c.Last[0], point{t, v}
	return w.changes
}

// Holding says that what is settled now is to be held back from duty.
func (w *Watch) Holding() bool {
	for k := range kinds {
		if k.Holds() && w.s.Open[k] != 0 {
			return true
		}
	}
	return w.s.Channels[0].Provisional || w.s.Channels[1].Provisional
}

// Settled takes an interval that the meter has settled with the newest reading:
// breaks are its finding. The slice is valid until the next call.
func (w *Watch) Settled(iv meter.Interval) []Change {
	w.settled = w.settled[:0]
	if iv.Flags&(reading.Reset|reading.Rewind|reading.Rebased) == 0 || w.s.Open[TwoDevices] != 0 || w.s.Open[CountsDown] != 0 {
		return nil
	}
	from, to := iv.From.UnixMilli(), iv.To.UnixMilli()
	for i := range w.s.Channels {
		c := &w.s.Channels[i]
		before, after := c.at(from), c.at(to)
		if before == nil || after == nil || to <= w.s.Broke {
			continue
		}
		last := w.s.Broke
		w.s.Broke = to
		if iv.Flags&reading.Reset != 0 && last != 0 && to-last < breakQuiet.Milliseconds() {
			return nil
		}
		q := quantityOf(w.group, uint8(i))
		at := iv.To.UTC()
		w.settled = append(w.settled, Change{
			Kind: Broke, At: at, Over: at,
			Words:    fmt.Sprintf("%s went on from %s after %s: a restart, an old save, or another device?", name(q), short(after.V), short(before.V)),
			Evidence: fmt.Sprintf("%s at %s, %s at %s", short(before.V), stamp(before.T), short(after.V), stamp(after.T)),
			Break:    &Break{Quantity: q, Before: iv.From.UTC(), At: at, From: before.V, To: after.V},
		})
		return w.settled
	}
	return nil
}

func (c *channel) at(t int64) *point {
	for i := range c.Last {
		if c.Has && c.Last[i].T == t {
			return &c.Last[i]
		}
	}
	return nil
}

// open begins a suspicion, unless it lasts already. What is said of it is asked
// for only then: most readings of a device that is suspected come here.
func (w *Watch) open(k Kind, opener int, t int64, say func() (words, evidence string)) {
	if w.s.Open[k] != 0 {
		return
	}
	words, evidence := say()
	w.s.Open[k], w.s.Opener[k] = t, uint8(opener)
	w.changes = append(w.changes, Change{Kind: k, At: instant(t), Words: words, Evidence: evidence})
}

// clear ends a suspicion that the same opener began.
func (w *Watch) clear(k Kind, opener int, t int64) {
	if w.s.Open[k] == 0 || w.s.Opener[k] != uint8(opener) {
		return
	}
	w.changes = append(w.changes, Change{Kind: k, At: instant(w.s.Open[k]), Over: instant(t)})
	w.s.Open[k] = 0
}

func valueOf(r reading.Reading) float64 {
	if r.Quantity.Exact() {
		return float64(r.Count)
	}
	return r.Value
}
