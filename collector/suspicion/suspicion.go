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
	"fmt"
	"math"
	"strconv"
	"time"

	"dwindle/collector/meter"
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

// round factors between units that people confuse.
var factors = [...]float64{10, 24, 60, 100, 1000, 3600}

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
	Opener   [kinds]uint8 // the channel that it was opened for

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

// open begins a suspicion, unless it lasts already.
func (w *Watch) open(k Kind, index int, t int64, words, evidence string) {
	if w.s.Open[k] != 0 {
		return
	}
	w.s.Open[k], w.s.Opener[k] = t, uint8(index)
	w.changes = append(w.changes, Change{Kind: k, At: instant(t), Words: words, Evidence: evidence})
}

// clear ends a suspicion that a channel began.
func (w *Watch) clear(k Kind, index int, t int64) {
	if w.s.Open[k] == 0 || w.s.Opener[k] != uint8(index) {
		return
	}
	w.changes = append(w.changes, Change{Kind: k, At: instant(w.s.Open[k]), Over: instant(t)})
	w.s.Open[k] = 0
}

// tracks tells two devices apart that send under one name: each reading goes on
// from one of two tracks, and again and again it is the one below. Glitches of
// much the same value do not grow time after time and are none of them.
func (w *Watch) tracks(c *channel, g gauge, t int64, v float64) {
	rate := g.usual
	if c.Grown >= grownLeast {
		rate = max(rate, 2*c.Peak)
	}
	fits := func(p point) (float64, bool) {
		d := v - p.V
		return d, d >= -g.digit && d <= 2*g.slack+rate*float64(t-p.T)/msPerHour
	}
	a, fitsA := fits(c.A)
	b, fitsB := 0.0, false
	if c.HasB {
		b, fitsB = fits(c.B)
	}
	fell := v < c.Last[0].V-g.digit
	was := c.OnB
	switch {
	case fitsA && (!fitsB || a <= b):
		if a > g.digit {
			c.GrewA = min(c.GrewA+1, 100)
		}
		c.A, c.OnB = point{t, v}, false
	case fitsB:
		if b > g.digit {
			c.GrewB = min(c.GrewB+1, 100)
		}
		c.B, c.OnB = point{t, v}, true
	case c.OnB:
		c.A, c.OnB, c.GrewA, was = point{t, v}, false, 0, false
	default:
		c.B, c.HasB, c.OnB, c.GrewB, was = point{t, v}, true, true, 0, true
	}
	if c.OnB != was && fell && min(c.GrewA, c.GrewB) >= 2 {
		c.Returns, c.Since = min(c.Returns+1, 100), 0
	} else if c.Since++; c.Since >= returnsWithin {
		c.Since, c.Returns = 0, 0
		w.clear(TwoDevices, g.index, t)
	}
	if c.Returns >= returnsLeast {
		w.open(TwoDevices, g.index, t,
			fmt.Sprintf("%s goes back and forth between two counters: two devices under one name?", name(quantityOf(w.group, uint8(g.index)))),
			fmt.Sprintf("one at %s, the other at %s", short(c.A.V), short(c.B.V)))
	}
}

// falls finds a display that counts down.
func (w *Watch) falls(c *channel, g gauge, t int64, v float64) {
	switch last := c.Last[0].V; {
	case v < last-g.digit:
		c.Falls, c.Rises = min(c.Falls+1, 100), 0
	case v > last:
		c.Rises, c.Falls = min(c.Rises+1, 100), 0
	}
	switch {
	case c.Falls >= fallsLeast:
		w.open(CountsDown, g.index, t,
			fmt.Sprintf("%s falls with every reading: does it show what is left?", name(quantityOf(w.group, uint8(g.index)))),
			fmt.Sprintf("%d falls in a row, down to %s", c.Falls, short(v)))
	case c.Rises >= clearLeast:
		w.clear(CountsDown, g.index, t)
	}
}

// growth compares the rise of a counter with the time it had since it last
// moved, and with the fastest pace that it ever had.
func (w *Watch) growth(c *channel, g gauge, r reading.Reading, t int64, v float64) {
	d := v - c.Last[0].V
	hours := float64(t-c.Moved) / msPerHour
	// Messages without a time may come in a burst.
	if d <= 0 || hours <= 0 || !r.FromDevice && float64(t-c.Last[0].T) < 60_000 || w.s.Open[TwoDevices] != 0 {
		if d < -g.digit { // it began anew: nothing is known of a rise
			c.Fast, c.Provisional = 0, false
		}
		return
	}
	if low, before := c.Last[0].V, c.Last[1]; before.T != 0 && low < before.V-g.digit && v >= before.V-g.digit {
		return // back from a glitch
	}
	rate := d / hours
	byTime := rate > 1.05*g.perHour
	byPace := !byTime && w.group != meter.Run && c.Grown >= grownLeast && c.Peak > 0 && rate >= fasterLeast*c.Peak
	if !byTime && !byPace {
		c.Fast, c.Provisional = 0, false
		if c.Good = min(c.Good+1, 100); c.Good >= clearLeast {
			w.clear(Unit, g.index, t)
			w.clear(Outruns, g.index, t)
		}
		c.Grown = min(c.Grown+1, 100)
		c.Peak = max(rate, c.Peak*(1-min(0.5, hours/(30*24))))
		if c.Step == 0 || d < c.Step {
			c.Step = d
		}
		if w.group == meter.Run {
			w.s.CountHours += d / g.perHour
		}
		return
	}
	if c.Fast == 0 || 4*rate < c.Low {
		// The first one, or a jump came before, which says nothing of a pace.
		c.Fast = 0
		c.FastFrom, c.FastG, c.FastH, c.Low, c.High = c.Last[0], 0, 0, rate, rate
	}
	c.Good, c.ByPace = 0, byPace
	c.Fast = min(c.Fast+1, 100)
	c.FastG += d
	c.FastH += hours
	c.Low, c.High = min(c.Low, rate), max(c.High, rate)
	c.Provisional = byPace && rate >= fasterHold*c.Peak && c.FastG >= 3*g.slack
	w.judgeGrowth(c, g, t, v, d)
}

// judgeGrowth opens a suspicion once a counter was too fast for long enough.
func (w *Watch) judgeGrowth(c *channel, g gauge, t int64, v, d float64) {
	since := w.s.Open[Unit]
	if since == 0 {
		since = w.s.Open[Outruns]
	}
	if c.ByPace && since != 0 && t-since > paceTaken.Milliseconds() {
		// It has gone on for so long that this is its pace.
		c.Peak, c.Fast, c.Provisional = c.High, 0, false
		w.clear(Unit, g.index, t)
		w.clear(Outruns, g.index, t)
		return
	}
	base := g.perHour
	if c.ByPace {
		base = c.Peak
	}
	ratio := c.FastG / c.FastH / base
	step := d
	if c.Step > 0 {
		step = min(step, c.Step)
	}
	if c.Fast < fastLeast || c.FastG < 1.05*base*c.FastH+2*step || c.FastG < 3*g.slack {
		return
	}
	q := quantityOf(w.group, uint8(g.index))
	evidence := fmt.Sprintf("%s at %s, %s at %s", short(c.FastFrom.V), stamp(c.FastFrom.T), short(v), stamp(t))
	f, near := nearest(ratio)
	times := short(math.Round(ratio*10) / 10)
	switch steady := c.High <= 1.2*c.Low; {
	case c.ByPace && near && steady:
		w.open(Unit, g.index, t, fmt.Sprintf("%s grows %s times as fast as ever before: is its unit wrong by %s?", name(q), times, short(f)), evidence)
	case c.ByPace && ratio >= fasterHold:
		w.open(Outruns, g.index, t, fmt.Sprintf("%s grows %s times as fast as ever before", name(q), times), evidence)
	case c.ByPace:
		if c.Fast >= 2*fastLeast { // busier than ever, in no suspicious way
			c.Peak, c.Fast = c.High, 0
		}
	case w.group != meter.Run:
		w.open(Outruns, g.index, t, fmt.Sprintf("%s grows by %s an hour, more than is possible", name(q), short(math.Round(c.FastG/c.FastH))), evidence)
	case ratio < fasterLeast:
		w.open(Outruns, g.index, t, fmt.Sprintf("%s grows %s times as fast as time passes", name(q), times), evidence)
	default:
		if !near {
			f = above(ratio)
		}
		w.open(Unit, g.index, t, fmt.Sprintf("%s grows %s times as fast as time passes%s", name(q), times, guess(q, f)), evidence)
	}
}

// state takes the run state and compares what it says with the hour counter.
func (w *Watch) state(t int64, on bool) {
	s := &w.s
	if s.StateT != 0 && t <= s.StateT {
		return
	}
	if h := float64(t-s.StateT) / msPerHour; s.StateT != 0 && h <= 6 {
		s.KnownHours += h
		if s.On {
			s.StateHours += h
		}
	}
	s.On, s.StateT = on, t
	if !s.Channels[0].Has && !s.Channels[1].Has {
		s.KnownHours, s.StateHours, s.CountHours = 0, 0, 0
	}
	if s.KnownHours < judgeHours {
		return
	}
	ran, counted := s.StateHours, s.CountHours
	evidence := fmt.Sprintf("in %.0f h the run state gives %.1f h, the counter %.2f h", s.KnownHours, ran, counted)
	f, near := 0.0, false
	if counted > 0 && ran >= fasterLeast*counted {
		f, near = nearest(ran / counted)
	} else if ran > 0 && counted >= fasterLeast*ran {
		f, near = nearest(counted / ran)
	}
	const of = 2 // opened by the state, not by a counter
	switch apart := math.Abs(ran - counted); {
	case near && s.Open[Unit] == 0:
		words := fmt.Sprintf("the hour counter is %s times as slow as the run state", short(f))
		if counted > ran {
			words = fmt.Sprintf("the hour counter is %s times as fast as the run state", short(f))
		}
		w.open(Unit, of, t, words+guessSlow(f, counted < ran), evidence)
	case near:
	case apart > max(1, 0.5*max(ran, counted)):
		words := "the run signal says running while the hour counter stands nearly still"
		if counted > ran {
			words = "the hour counter moves on while the run signal says stopped"
		}
		w.open(Disagrees, of, t, words, evidence)
		w.clear(Unit, of, t)
	case apart <= max(1, 0.2*max(ran, counted)):
		w.clear(Disagrees, of, t)
		w.clear(Unit, of, t)
	}
	s.KnownHours, s.StateHours, s.CountHours = s.KnownHours/2, ran/2, counted/2
}

// lag finds a clock that is behind: readings that come late by the same time,
// one after the other. What was buffered comes less and less late. Of counters
// alone, of which the first report is kept: of others a repeat takes its place,
// and would seem late.
func (w *Watch) lag(r reading.Reading, t int64) {
	if !r.FromDevice || r.Flags&reading.Retained != 0 || !r.Quantity.Cumulative() {
		return
	}
	s := &w.s
	lag := r.Received.UnixMilli() - t
	const of = 3
	switch {
	case lag <= lagLeast.Milliseconds():
		s.Lags = 0
		w.clear(ClockSlow, of, t)
	case math.Abs(float64(lag-s.Lag)) <= max(60_000, float64(lag)/20):
		s.Lags = min(s.Lags+1, 100)
	default:
		s.Lags = 0
	}
	s.Lag = lag
	if s.Lags >= lagSteady {
		w.open(ClockSlow, of, t, fmt.Sprintf("the clock of the device is behind by about %.0f min", float64(lag)/60_000),
			fmt.Sprintf("%d messages in a row came so late", s.Lags))
	}
}

// Online takes what a status says, the device's own or that of the gateway in
// front of it: whether it can be reached. It goes before readings of the same
// time.
func (w *Watch) Online(at time.Time, gateway, on bool) {
	s := &w.s.Says[0]
	if gateway {
		s = &w.s.Says[1]
	}
	if on {
		*s = standing{}
		return
	}
	w.s.Belied = false
	if !s.Off {
		*s = standing{true, at.UnixMilli()}
	}
}

// Repeated says that the newest reading only repeats an earlier one while the
// device is said to be offline. A gateway that goes on to send the last value it
// had does not show that the device stands still.
func (w *Watch) Repeated() bool { return w.repeated }

// Returned says that the newest reading is the first of the device's own after
// such ones.
func (w *Watch) Returned() bool { return w.returned }

// offline compares a reading with what is said of whether the device can be
// reached. What a counter buffered meanwhile and sent later is its own word,
// whatever it says; of others, a repeat takes the place of the first report, so
// that nobody knows.
func (w *Watch) offline(r reading.Reading, t int64) {
	s := &w.s
	if r.Quantity.Cumulative() && r.FromDevice && r.Received.Sub(r.At) > lagLeast {
		return
	}
	const of = 4 // opened for a status, not for a counter
	said := s.Says[0].Off || s.Says[1].Off
	if said && !s.Belied && w.same(r) {
		w.repeated = true
		if s.Repeats = min(s.Repeats+1, 100); s.Repeats == 1 {
			s.RepeatsAt = t
		}
		if s.Repeats >= repeatsLeast {
			w.open(Repeats, of, t, nameOf(r.Quantity)+" repeats itself while the device is said to be offline",
				fmt.Sprintf("%s since %s; %s", shown(r), stamp(s.RepeatsAt), w.saidSince()))
		}
		return
	}
	if s.Repeats > 0 {
		w.returned, s.Repeats, s.RepeatsAt = true, 0, 0
		w.clear(Repeats, of, t)
	}
	if !said {
		s.Belied, s.Moves = false, 0
		w.clear(Disagrees, of, t)
		return
	}
	if !w.moved(r) {
		return
	}
	s.Belied = true
	if !r.Quantity.Cumulative() {
		return // perhaps sent later
	}
	if s.Moves = min(s.Moves+1, 100); s.Moves >= movesLeast {
		w.open(Disagrees, of, t, nameOf(r.Quantity)+" moves on while the device is said to be offline",
			fmt.Sprintf("%d times, to %s; %s", s.Moves, shown(r), w.saidSince()))
	}
}

// same says that a reading shows what was known already.
func (w *Watch) same(r reading.Reading) bool {
	switch r.Quantity {
	case reading.RunRunning:
		return w.s.StateT != 0 && w.s.On == (r.Value != 0)
	case reading.PulseIncrement:
		return r.Count == 0
	}
	g, ok := gaugeOf(r.Quantity)
	c := &w.s.Channels[g.index]
	return ok && c.Has && c.Last[0].V == valueOf(r)
}

// moved says that a reading shows something new of something that was known.
func (w *Watch) moved(r reading.Reading) bool {
	known := r.Quantity == reading.RunRunning && w.s.StateT != 0
	if g, ok := gaugeOf(r.Quantity); ok {
		known = w.s.Channels[g.index].Has
	}
	return known && !w.same(r)
}

// saidSince tells who says since when that the device is offline.
func (w *Watch) saidSince() string {
	own, gateway := w.s.Says[0], w.s.Says[1]
	switch {
	case !gateway.Off:
		return "offline since " + stamp(own.Since) + " by its own status"
	case !own.Off:
		return "offline since " + stamp(gateway.Since) + " by the status of its gateway"
	}
	return "offline since " + stamp(min(own.Since, gateway.Since)) + " by its own status and that of its gateway"
}

func valueOf(r reading.Reading) float64 {
	if r.Quantity.Exact() {
		return float64(r.Count)
	}
	return r.Value
}

func shown(r reading.Reading) string {
	if r.Quantity == reading.RunRunning {
		if r.Value != 0 {
			return "running"
		}
		return "stopped"
	}
	return short(valueOf(r))
}

// nameOf is name for whatever is metered.
func nameOf(q reading.Quantity) string {
	switch q {
	case reading.RunRunning:
		return "the run signal"
	case reading.PulseIncrement:
		return "the report of single pulses"
	}
	return name(q)
}

// nearest gives the round factor within a twentieth of a ratio.
func nearest(ratio float64) (f float64, near bool) {
	for _, f := range factors {
		if math.Abs(ratio/f-1) <= 0.05 {
			return f, true
		}
	}
	return 0, false
}

// above gives the smallest round factor that a ratio does not exceed: what is
// observed is the factor times the share of the time that a machine runs.
func above(ratio float64) float64 {
	for _, f := range factors {
		if ratio <= f {
			return f
		}
	}
	return 0
}

func guess(q reading.Quantity, f float64) string {
	if q == reading.RunSeconds {
		if f == 1000 {
			return ": milliseconds in a field of seconds?"
		}
		return ""
	}
	if unit := map[float64]string{10: "tenths of an hour", 60: "minutes", 100: "hundredths of an hour", 1000: "thousandths of an hour", 3600: "seconds"}[f]; unit != "" {
		return ": " + unit + " in a field of hours?"
	}
	return ""
}

func guessSlow(f float64, slow bool) string {
	if slow && f == 24 {
		return ": days in a field of hours?"
	}
	return ": is its unit wrong?"
}

func name(q reading.Quantity) string {
	switch q {
	case reading.RunHours:
		return "the hour counter"
	case reading.RunSeconds:
		return "the counter of run seconds"
	case reading.PulseCount:
		return "the pulse count"
	case reading.DoseCM3:
		return "the dosed volume"
	case reading.DoseStrokes:
		return "the stroke count"
	}
	return string(q)
}

func instant(t int64) time.Time { return time.UnixMilli(t).UTC() }

func stamp(t int64) string { return instant(t).Format(time.RFC3339) }

func short(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }
