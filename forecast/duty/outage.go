package duty

import (
	"math"

	"dwindle/config"
	"dwindle/forecast/depletion"
)

// idleness counts, by day type, the days seen and those without any use.
type idleness struct {
	days, zeros [config.DayTypes]float64
}

func (c *idleness) share(t config.DayType) float64 {
	if c.days[t] == 0 {
		return 1
	}
	return c.zeros[t] / c.days[t]
}

// used says that there was use at all.
func (c *idleness) used() bool {
	for t := range c.days {
		if c.days[t] > c.zeros[t] {
			return true
		}
	}
	return false
}

// outages are the unplanned stops of a history.
type outages struct {
	count    float64
	lostDays float64
	running  float64 // days without them
	now      bool    // history ends inside a stop
}

// What a run of idle days must be to be an outage: at least two days of types
// that are used more often than not, and too long to be chance.
const (
	outageDays   = 2
	outageChance = 0.002
	// serviceDays of no use before the first are not chance even where one day
	// in five is used (.8^28 = .002).
	serviceDays = 28
)

// idleRun is a run of idle days that has not ended.
type idleRun struct {
	days   int     // of types that are used more often than not
	chance float64 // that so many idle days in a row are chance
	stop   bool    // its first days left the window as an outage
}

// add counts one more idle day of a type with an idle share p.
func (r *idleRun) add(p float64, idle *idleness, t config.DayType) {
	r.days++
	r.chance *= math.Max(p, 1/(idle.days[t]+1))
}

func (r *idleRun) outage() bool {
	return r.stop || r.days >= outageDays && r.chance < outageChance
}

// findOutages marks the days of unplanned stops in the window in out and
// returns their rate and length, with the idle counts of the other days. Two
// looks: the stops found first no longer count as ordinary idle days in the
// second.
func findOutages(w *window, before *past, out *[windowDays]bool) (outages, idleness) {
	markLongRests(w, out)
	var o outages
	for range 2 {
		idle := before.idle
		idle.count(w, out)
		o = markOutages(w, before, &idle, out)
	}
	idle := before.idle
	idle.count(w, out)
	for _, n := range idle.days {
		o.running += n
	}
	return o, idle
}

func (c *idleness) count(w *window, out *[windowDays]bool) {
	for i := range w.n {
		if w.seen[i] > 0 && !out[i] {
			c.days[w.kind[i]]++
			if w.amount[i] == 0 {
				c.zeros[w.kind[i]]++
			}
		}
	}
}

// markLongRests marks runs of a week and more of idle days, so that one long
// stop in a short history does not pass for the habit: no weekly rest lasts
// that long.
func markLongRests(w *window, out *[windowDays]bool) {
	clear(out[:])
	start, rests := 0, 0
	for i := range w.n {
		if w.seen[i] == 0 {
			continue
		}
		if w.amount[i] > 0 {
			rests = 0
			continue
		}
		if rests == 0 {
			start = i
		}
		if rests++; rests >= 7 {
			for k := start; k <= i; k++ {
				out[k] = true
			}
			start = i
		}
	}
}

// markOutages walks over runs of idle days; missing days and shutdowns neither
// break nor lengthen a run. A stop before the first use at all is none: the
// machine was not yet in service, for certain if that took serviceDays.
func markOutages(w *window, before *past, idle *idleness, out *[windowDays]bool) outages {
	clear(out[:])
	o := outages{count: before.stops, lostDays: before.lost}
	used, run := before.idle.used(), before.run
	if !before.ready {
		run.chance = 1
	}
	start, last := -1, -1
	if run.stop {
		start = 0
	}
	flush := func(end bool) {
		if run.outage() {
			for i := start; i >= 0 && i <= last; i++ {
				out[i] = true
				if used {
					o.lostDays++
				}
			}
			if used && !run.stop {
				o.count++
			}
			o.now = used && end
		}
		start, last, run = -1, -1, idleRun{chance: 1}
	}
	idleDays := 0
	for i := range w.n {
		if w.seen[i] == 0 {
			continue
		}
		if w.amount[i] > 0 {
			flush(false)
			for k := 0; !used && idleDays >= serviceDays && k < i; k++ {
				out[k] = true
			}
			used = true
			continue
		}
		idleDays++
		if p := idle.share(w.kind[i]); p < 0.5 {
			// Resting days before the first lost one are not part of the stop.
			if start < 0 {
				start = i
			}
			last = i
			run.add(p, idle, w.kind[i])
		}
	}
	flush(true)
	return o
}

// rest counts the first k days of the window as they leave it.
func (p *past) rest(w *window, k int, idle *idleness, out *[windowDays]bool) {
	used := p.idle.used()
	for i := range k {
		t := w.kind[i]
		if out[i] && used {
			if !p.run.stop {
				p.stops++
			}
			p.lost++
		}
		p.run.stop = p.run.stop || out[i]
		if w.seen[i] == 0 {
			continue
		}
		if !out[i] {
			p.idle.days[t]++
			if w.amount[i] == 0 {
				p.idle.zeros[t]++
			}
		}
		if w.amount[i] > 0 {
			used, p.run = true, idleRun{chance: 1}
		} else if share := idle.share(t); share < 0.5 {
			p.run.add(share, idle, t)
		}
	}
}

// BuiltinStops is the prior where no fleet has taught another: a quarter of a
// stop in 100 days, and two that took four days more than the least (the first
// as the simulated machines with few stops have it, the second a proposal).
var BuiltinStops = StopPrior{Begun: 0.25, Exposure: 100, Ended: 2, Extra: 4}

// rareStops is the rate per day up to which stops that a machine never had are
// left out of its law: they are too rare for the range of 80 %.
const rareStops = 1.0 / 300

// law is what the stops do to dates up to a horizon.
func (o *outages) law(horizon int, prior StopPrior) depletion.Stops {
	if prior == (StopPrior{}) {
		prior = BuiltinStops
	}
	if o.count == 0 && prior.Begun <= rareStops*prior.Exposure {
		return depletion.Stops{}
	}
	return depletion.Stops{
		Begun: o.count + prior.Begun, Exposure: o.running + prior.Exposure,
		Ended: o.count + prior.Ended, Extra: math.Max(0, o.lostDays-outageDays*o.count) + prior.Extra,
		Least: outageDays, Now: o.now, Horizon: horizon,
	}
}
