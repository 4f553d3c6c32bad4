// Package wallclock judges the clock of the machine that this program runs on,
// and says which time to use while that clock cannot be believed.
//
// A gateway without a battery starts in 1970, or at the time of its last
// shutdown, and is set right minutes later or, on a plant without a time
// service, never. What is stored meanwhile would be stamped wrongly for ever,
// and stamped before what is known already. The rules here:
//
//   - A clock that the kernel says is kept by a time service is believed.
//   - A clock that is behind the newest thing known (the floor) is not. The
//     time goes on from the floor by the seconds since the start of the
//     machine, which no setting of the clock changes.
//   - A clock that steps back by itself is not followed, for the same reason;
//     one that steps forward is, unless the devices say otherwise.
//   - Where at least three devices with clocks of their own agree, and no time
//     service keeps ours, they are believed that our estimate is behind, and
//     that a large step forward was none.
//   - Once it is known what the time really is, what was stamped before can be
//     put right: the verdict then says which stretch has to be shifted.
//
// So the time given never falls behind what was stored before, and forward
// errors are mended when a time service, or the devices, show them.
//
// The package is pure: it is shown the clocks. The thresholds are judgement,
// without a source. Start with [New] and [Guard.Look].
package wallclock

import (
	"fmt"
	"slices"
	"time"
)

// Look is one look at the machine's clocks.
type Look struct {
	Wall time.Time     // what the clock shows
	Up   time.Duration // since the machine was started, not counting any setting of the clock
	Boot string        // names this start of the machine; empty: not known
	// Synced says that the kernel takes the clock for kept by a time service.
	Synced bool
}

// Doubt is what has to be remembered over a restart of the program: how the
// time was counted while the clock was not kept by a time service.
type Doubt struct {
	Boot  string        `json:"boot"`  // in which this holds
	Since time.Time     `json:"since"` // what was stamped from here on is in doubt
	Base  time.Time     `json:"base"`  // the time taken at Up
	Up    time.Duration `json:"up"`
	// Ahead is by how much the time may be earlier; see Verdict.
	Ahead time.Duration `json:"ahead,omitempty"`
}

// Shift says that what was stamped with a receive time from From up to To has
// to be moved by By.
type Shift struct {
	From, To time.Time
	By       time.Duration
}

// Verdict is what a look showed.
type Verdict struct {
	Now time.Time // the time to use, UTC
	// Hold: no time to use is known yet, or it may still come; nothing should
	// be stamped.
	Hold bool
	// Wrong says in plain words why the clock is not believed; empty: it is.
	Wrong string
	// Ahead is by how much the clock has gone forward while it was not seen, as
	// between two starts, or has stepped forward by itself, which no time
	// service has confirmed: the time may be as much earlier.
	Ahead time.Duration
	// Event says what has just happened, such as a step; mostly empty.
	Event string
	// Shifts are to be made once, in order.
	Shifts []Shift
}

const (
	// stepLeast is the least that counts as a step: clocks that are being kept
	// are slewed by less than 1 in 2000.
	stepLeast = time.Minute
	// mendLeast is the least error that is worth a correction of what is stored.
	mendLeast = 30 * time.Second
	// patience is how long a machine is waited for to set its clock. Time
	// services need seconds; a plant without one must not wait for ever.
	patience = 2 * time.Minute
	// claimLife is how long what a device said of the time counts.
	claimLife = time.Hour
	// claimsLeast is how many devices must agree: two share a fault easily.
	claimsLeast = 3
	// claimsApart is how far from their middle devices may be to agree.
	claimsApart = 5 * time.Minute
	// claimFar is the least step forward that devices are believed to refute:
	// what is less than a day may be their zone.
	claimFar = 26 * time.Hour
	// claimsMost bounds the devices that are listened to.
	claimsMost = 1000
)

// Guard judges looks. It is not safe for concurrent use.
type Guard struct {
	floor time.Time
	held  Doubt

	started bool
	kept    bool // by a time service, at the last look
	wrong   string
	skew    time.Duration // the clock less the time taken, while it is wrong
	first   time.Duration // Up at the first look of this doubt
	anchor  Doubt         // Base at Up: how the time is counted now
	pending []Shift       // to be made when the truth is known
	ahead   time.Duration // what the clock had gone forward at the start, see Verdict
	claims  map[string]claim
	// high is the latest time given since somebody last told it, or what was
	// known at the start: against many small steps back, which add up.
	high time.Time
}

// claim is what a device said: its clock, less the time since our start.
type claim struct {
	zero  time.Time
	heard time.Duration
}

// New makes a guard. floor is a time that is certainly past, such as the newest
// of what is stored; zero: none is known. before is what Doubt gave at the end
// of the program's last run, or the zero value.
func New(floor time.Time, before Doubt) *Guard {
	return &Guard{floor: floor.UTC(), held: before, claims: map[string]claim{}}
}

// Doubt is what to remember over a restart; ok is false while there is nothing
// to doubt.
func (g *Guard) Doubt() (Doubt, bool) {
	d := g.anchor
	d.Ahead = g.mayBeAhead()
	return d, g.started && !g.kept
}

func (g *Guard) mayBeAhead() time.Duration { return g.ahead + total(g.pending) }

// at is the time by the anchor.
func (g *Guard) at(up time.Duration) time.Time { return g.anchor.Base.Add(up - g.anchor.Up) }

// Look judges the clocks now.
func (g *Guard) Look(l Look) Verdict {
	l.Wall = l.Wall.UTC().Round(0)
	if !g.started {
		return g.begin(l)
	}
	if g.anchor.Boot != l.Boot || l.Up < g.anchor.Up {
		// The machine cannot have been started anew under us; what counts its
		// time did. Nothing is known but the clock.
		g.started = false
		g.floor = later(g.floor, g.at(g.anchor.Up))
		return g.begin(l)
	}
	expected := g.at(l.Up)
	step := l.Wall.Sub(expected)
	switch {
	case l.Synced:
		return g.synced(l, expected, step)
	case g.kept: // the time service went away; its time stays good
		g.kept, g.first = false, l.Up
		g.anchor = Doubt{Boot: l.Boot, Since: l.Wall, Base: l.Wall, Up: l.Up}
		if step < -stepLeast {
			g.anchor.Base = expected
		}
		return g.verdict(l, "")
	}
	if v, ok := g.overruled(l, expected); ok {
		return v
	}
	event := ""
	switch {
	case g.wrong != "" && g.impossible(l.Wall):
		return g.verdict(l, "")
	case g.anchor.Base.IsZero():
		g.anchor.Since = l.Wall // nothing was stamped before
	case g.wrong != "" && (step-g.skew).Abs() <= stepLeast && step.Abs() > stepLeast:
		return g.verdict(l, "") // as wrong as before
	case step < -stepLeast || l.Wall.Before(g.high.Add(-stepLeast)):
		if g.wrong == "" {
			event = fmt.Sprintf("the clock of this machine stepped back by %s, to %s; no time service keeps it, so it is not followed", words(-step), show(l.Wall))
			g.wrong = fmt.Sprintf("the clock of this machine shows %s, which is %s before what it showed earlier", show(l.Wall), words(-step))
		}
		g.skew = step
		return g.verdict(l, event)
	case step > stepLeast:
		event = fmt.Sprintf("the clock of this machine stepped forward by %s, to %s", words(step), show(l.Wall))
		g.pending = append(g.pending, Shift{From: g.anchor.Since, To: expected, By: step})
	}
	g.wrong = ""
	g.anchor.Base, g.anchor.Up = l.Wall, l.Up
	return g.verdict(l, event)
}

// begin takes the first look.
func (g *Guard) begin(l Look) Verdict {
	g.started, g.kept, g.first = true, l.Synced, l.Up
	g.anchor = Doubt{Boot: l.Boot, Since: l.Wall, Base: l.Wall, Up: l.Up}
	if g.held.Boot != "" && g.held.Boot == l.Boot && l.Up >= g.held.Up {
		// The same start of the machine: the time goes on as it was counted.
		g.anchor.Since, g.anchor.Base, g.anchor.Up = g.held.Since, g.held.Base, g.held.Up
		g.first, g.ahead = g.held.Up, g.held.Ahead
		g.held = Doubt{}
		g.kept = false // so that what was stamped before is put right
		return g.Look(l)
	}
	g.held = Doubt{}
	g.high = g.floor
	if l.Synced || !g.impossible(l.Wall) {
		if !l.Synced && !g.floor.IsZero() {
			g.ahead = max(0, l.Wall.Sub(g.floor))
		}
		return g.verdict(l, "")
	}
	g.wrong = fmt.Sprintf("the clock of this machine shows %s, which is before the newest that is known, %s", show(l.Wall), show(g.floor))
	if g.floor.IsZero() {
		g.wrong = fmt.Sprintf("the clock of this machine shows %s", show(l.Wall))
	}
	g.anchor.Since, g.anchor.Base = g.floor, g.floor
	g.skew = l.Wall.Sub(g.floor)
	return g.verdict(l, "")
}

// earliest is the first year in which this program can run.
const earliest = 2020

// impossible says that a clock cannot be right.
func (g *Guard) impossible(wall time.Time) bool {
	return wall.Year() < earliest || wall.Before(g.floor.Add(-stepLeast))
}

// synced takes the time from the time service, and says what to mend.
func (g *Guard) synced(l Look, expected time.Time, step time.Duration) Verdict {
	event := ""
	var shifts []Shift
	if !g.kept {
		shifts = g.pending
		if step.Abs() > mendLeast {
			shifts = append(shifts, Shift{From: g.anchor.Since, To: expected, By: step})
		}
		shifts = chain(shifts)
		if len(shifts) > 0 {
			event = fmt.Sprintf("a time service has set the clock of this machine, to %s; what was stamped since %s is moved by %s", show(l.Wall), show(shifts[0].From), words(total(shifts)))
		}
	} else if step.Abs() > stepLeast {
		event = fmt.Sprintf("the clock of this machine was set by %s, to %s", words(step), show(l.Wall))
	}
	g.kept, g.wrong, g.pending, g.ahead, g.high = true, "", nil, 0, l.Wall
	g.anchor = Doubt{Boot: l.Boot, Since: l.Wall, Base: l.Wall, Up: l.Up}
	return Verdict{Now: l.Wall, Event: event, Shifts: shifts}
}

// chain leaves out what comes to nothing. Each shift is said in the stamps as
// they are when its turn comes: a later one that covers an earlier one moves
// what that has moved already.
func chain(shifts []Shift) []Shift {
	return slices.DeleteFunc(slices.Clone(shifts), func(s Shift) bool { return !s.To.After(s.From) || s.By == 0 })
}

func total(shifts []Shift) (d time.Duration) {
	for _, s := range shifts {
		d += s.By
	}
	return d
}

// Hear notes the time that a device's own clock showed in a live message.
func (g *Guard) Hear(device string, clock time.Time, up time.Duration) {
	if clock.Year() < earliest {
		return
	}
	if _, known := g.claims[device]; !known && len(g.claims) >= claimsMost {
		return
	}
	c := claim{clock.Add(-up), up}
	// The newest time a device has shown is the one that was under way least;
	// after a while a slower one counts, or one fault would stay for ever.
	if old, ok := g.claims[device]; ok && old.zero.After(c.zero) && up-old.heard < claimLife/4 {
		return
	}
	g.claims[device] = c
}

// agreed gives the time on which most devices agree.
func (g *Guard) agreed(up time.Duration) (time.Time, bool) {
	var zeros []time.Time
	for device, c := range g.claims {
		if up-c.heard > claimLife || up < c.heard {
			delete(g.claims, device)
			continue
		}
		zeros = append(zeros, c.zero)
	}
	if len(zeros) < claimsLeast {
		return time.Time{}, false
	}
	slices.SortFunc(zeros, time.Time.Compare)
	middle := zeros[len(zeros)/2]
	near := 0
	for _, z := range zeros {
		if z.Sub(middle).Abs() <= claimsApart {
			near++
		}
	}
	return middle.Add(up), near >= claimsLeast && 3*near >= 2*len(zeros)
}

// overruled takes the time of the devices where ours cannot be right.
func (g *Guard) overruled(l Look, expected time.Time) (Verdict, bool) {
	if g.wrong == "" && len(g.pending) == 0 {
		return Verdict{}, false // nothing that they could refute
	}
	now, ok := g.agreed(l.Up)
	if !ok {
		return Verdict{}, false
	}
	d := now.Sub(expected)
	// Messages are under way for any time, and a whole plant's backlog says with
	// one voice that it is yesterday: that devices are behind us proves nothing,
	// but where it is by as much as our clock has just stepped ahead. Nothing
	// comes from the future, so that they are ahead does, where our time is an
	// estimate; a clock that could be right is left alone.
	stepped := false
	if n := len(g.pending); n > 0 {
		stepped = d < -claimFar && (d+g.pending[n-1].By).Abs() <= 2*claimsApart
	}
	if !stepped && (g.wrong == "" || d <= claimsApart) {
		return Verdict{}, false
	}
	if l.Wall.Sub(now).Abs() <= stepLeast {
		return Verdict{}, false // the clock is right now; the step tells
	}
	g.wrong = fmt.Sprintf("the clock of this machine shows %s, and the clocks of the devices agree on %s", show(l.Wall), show(now))
	shift := Shift{From: g.anchor.Since, To: expected, By: d}
	if n := len(g.pending); n > 0 {
		// What stood before the last step of ours may have been right.
		last := g.pending[n-1]
		shift.From = last.To.Add(last.By)
		g.pending = g.pending[:n-1]
	}
	g.anchor.Since = shift.From.Add(d)
	g.anchor.Base, g.anchor.Up, g.high = now, l.Up, now
	g.skew = l.Wall.Sub(now)
	v := g.verdict(l, fmt.Sprintf("the time of the devices is taken, %s, in place of %s", show(now), show(expected)))
	v.Shifts = chain([]Shift{shift})
	return v, true
}

// verdict says how things stand.
func (g *Guard) verdict(l Look, event string) Verdict {
	v := Verdict{Now: g.at(l.Up), Wrong: g.wrong, Ahead: g.mayBeAhead(), Event: event}
	if g.wrong != "" {
		v.Hold = v.Now.Year() < earliest || l.Up-g.first < patience && g.anchor.Base.Equal(g.floor)
	}
	if !v.Hold {
		g.high = later(g.high, v.Now)
	}
	return v
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

func show(t time.Time) string { return t.UTC().Format("2006-01-02 15:04:05 UTC") }

func words(d time.Duration) string {
	switch a := d.Abs(); {
	case a >= 48*time.Hour:
		return fmt.Sprintf("%.0f days", d.Hours()/24)
	case a >= 2*time.Hour:
		return d.Round(time.Minute).String()
	}
	return d.Round(time.Second).String()
}
