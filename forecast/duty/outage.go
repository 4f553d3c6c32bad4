package duty

import (
	"math"

	"dwindle/config"
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

// outages is an alternating renewal process: stops begin at a rate per day of
// running and last exponential times.
type outages struct {
	rate     float64 // starts per running day
	shape    float64 // of the rate's gamma distribution
	length   float64 // mean days per stop
	count    float64
	lostDays float64
	now      bool // history ends inside a stop
}

// What a run of idle days must be to be an outage: at least two days of types
// that are used more often than not, and too long to be chance.
const (
	outageDays   = 2
	outageChance = 0.002
	// serviceDays of no use before the first are not chance even where one day
	// in five is used (.8^28 = .002).
	serviceDays = 28
	// The prior, for machines that have stopped at all: half a stop in 75 days,
	// and one of five days (half of what the simulated machines do; set by hand
	// on seeds 901 to 905).
	outagePriorStops = 0.5
	outagePriorDays  = 75
	outagePriorLost  = 5
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
	running := 0.0
	for _, n := range idle.days {
		running += n
	}
	if o.count > 0 {
		// A stop that never came is too rare for the range of 80 %.
		o.shape = o.count + outagePriorStops
		o.rate = o.shape / (running + outagePriorDays)
	}
	o.length = (o.lostDays + outagePriorLost) / (o.count + 1)
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

// up is the long-run share of time that is not lost.
func (o *outages) up() float64 { return 1 / (1 + o.rate*o.length) }

// variancePerDay of uptime: 2 U^2 L^2/(U+L)^3 for exponential times between
// stops of mean U = 1/rate and stops of mean L (Cox, Renewal theory, 1962).
func (o *outages) variancePerDay() float64 {
	a := o.up()
	return 2 * o.rate * o.length * o.length * a * a * a
}

// slices cut the distribution of what outages take into parts of those
// chances, each stood for by its middle: most of the time nothing or little is
// lost, seldom much, which no mean and variance can say.
const slices = 3

var sliceChance = [slices]float64{0.5, 0.35, 0.15}

// loss is the share of the days up to some time that outages take: in each
// slice, with its variance within, and all together.
type loss struct {
	mean, variance float64
	slice, within  [slices]float64
}

// until is the loss over t days. Stops begin at a rate that is itself only known
// from few, so that their number is negative binomial, and last exponential
// times. The expected loss is that of the process with two states, running or
// stopped today (Cox, Renewal theory, 1962). If anything is lost, how much is
// taken for gamma distributed, with quantiles by Wilson and Hilferty (The
// distribution of chi-square, 1931).
func (o *outages) until(t float64) loss {
	var l loss
	if !(t > 0) {
		return l
	}
	// Days lost to stops to come, and to the one going on.
	a := o.up()
	tau := a * o.length
	settled := 1 - math.Exp(-t/tau)
	began, going, goingVar := (1-a)*(t-tau*settled), 0.0, 0.0
	none := math.Exp(-o.shape * math.Log1p(o.rate*t/o.shape))
	if o.now {
		// Only stops of outageDays are seen as such, so the lengths seen are
		// longer by that than what is left of one that is.
		tau := a * math.Max(1, o.length-outageDays)
		still := math.Exp(-t / tau)
		going = tau * (1 - still)
		goingVar = tau * tau * (1 - still*still - 2*t/tau*still) // of an exponential time cut at t
		none = 0
	}
	mean := began + going
	variance := o.variancePerDay()*(t-tau*settled)*settled + goingVar + began*began*(1/o.shape+1/(o.count+1))
	some := 1 - none
	m := mean / some
	spread := math.Max(0.05*m*m, (variance+mean*mean)/some-m*m)
	ninth := spread / (9 * m * m)
	sum, level := 0.0, 0.0
	for k, w := range sliceChance {
		if u := (level + w/2 - none) / some; u > 0 {
			c := 1 - ninth + math.Sqrt2*math.Erfinv(2*u-1)*math.Sqrt(ninth)
			l.slice[k] = math.Max(0, c*c*c)
		}
		sum += w * l.slice[k]
		level += w
	}
	if !(sum > 0) {
		l.slice[slices-1], sum = 1, sliceChance[slices-1]
	}
	between := 0.0
	for k, w := range sliceChance {
		l.slice[k] *= mean / sum
		between += w * l.slice[k] * l.slice[k]
	}
	within := math.Max(0, variance+mean*mean-between) / between
	for k := range l.slice {
		x := l.slice[k]
		l.within[k] = within * x * x / (t * t)
		l.slice[k] = math.Min(1, x/t)
	}
	l.mean, l.variance = math.Min(1, mean/t), variance/(t*t)
	return l
}

// take is what a loss leaves of the mean and variance of duty.
func take(share, variance, mean, of float64) (float64, float64) {
	left := 1 - share
	return left * mean, left*left*of + mean*mean*variance
}
