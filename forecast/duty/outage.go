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

// outages is an alternating renewal process: stops begin at a rate per day of
// running and last exponential times.
type outages struct {
	rate     float64 // starts per running day
	rateVar  float64
	length   float64 // mean days per stop
	count    int
	lostDays float64
	now      bool // history ends inside a stop
}

// What a run of idle days must be to be an outage: at least two days of types
// that are used more often than not, and too long to be chance.
const (
	outageDays   = 2
	outageChance = 0.002
	// The prior: a quarter of a stop in 100 days, five days each (pseudo-counts
	// of the simulated fleet).
	outagePriorStops = 0.25
	outagePriorDays  = 100
	outagePriorLost  = 5
)

// findOutages marks the days of unplanned stops in out (as long as history) and
// returns their rate and length, with the idle counts of the other days. Two
// looks: the stops found first no longer count as ordinary idle days in the
// second.
func findOutages(history []Day, maxPerDay float64, out []bool) (outages, idleness) {
	markLongRests(history, maxPerDay, out)
	var o outages
	var idle idleness
	for range 2 {
		idle = idleness{}
		for i, d := range history {
			if amount, _, _, ok := usable(d, maxPerDay); ok && !out[i] {
				idle.days[d.Type]++
				if amount == 0 {
					idle.zeros[d.Type]++
				}
			}
		}
		clear(out)
		o = markOutages(history, maxPerDay, &idle, out)
	}
	idle = idleness{}
	running := 0.0
	for i, d := range history {
		if amount, _, _, ok := usable(d, maxPerDay); ok && !out[i] {
			idle.days[d.Type]++
			if amount == 0 {
				idle.zeros[d.Type]++
			}
			running++
		}
	}
	stops, weight := float64(o.count)+outagePriorStops, running+outagePriorDays
	o.rate = stops / weight
	o.rateVar = stops / (weight * weight)
	if o.count == 0 {
		// A stop that never came is too rare for the range of 80 %, but its
		// variance would drown that of even duty.
		o.rate, o.rateVar = 0, 0
	}
	o.length = (o.lostDays + outagePriorLost) / (float64(o.count) + 1)
	return o, idle
}

// markLongRests marks runs of a week and more of idle days, so that one long
// stop in a short history does not pass for the habit: no weekly rest lasts
// that long.
func markLongRests(history []Day, maxPerDay float64, out []bool) {
	clear(out)
	start, rests := 0, 0
	for i, d := range history {
		amount, _, _, ok := usable(d, maxPerDay)
		if !ok {
			continue
		}
		if amount > 0 {
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
// break nor lengthen a run.
func markOutages(history []Day, maxPerDay float64, idle *idleness, out []bool) outages {
	var o outages
	start, last, active, chance := -1, -1, 0, 1.0
	flush := func(end bool) {
		if start >= 0 && active >= outageDays && chance < outageChance {
			for i := start; i <= last; i++ {
				out[i] = true
			}
			o.count++
			o.lostDays += float64(last - start + 1)
			o.now = end
		}
		start, active, chance = -1, 0, 1
	}
	for i, d := range history {
		amount, _, _, ok := usable(d, maxPerDay)
		if !ok {
			continue
		}
		if amount > 0 {
			flush(false)
			continue
		}
		p := idle.share(d.Type)
		if p < 0.5 {
			// Resting days before the first lost one are not part of the stop.
			if start < 0 {
				start = i
			}
			last = i
			active++
			chance *= math.Max(p, 1/(idle.days[d.Type]+1))
		}
	}
	flush(true)
	return o
}

// up is the long-run share of time that is not lost.
func (o *outages) up() float64 { return 1 / (1 + o.rate*o.length) }

// variancePerDay of uptime: 2 U^2 L^2/(U+L)^3 for exponential times between
// stops of mean U = 1/rate and stops of mean L (Cox, Renewal theory, 1962).
func (o *outages) variancePerDay() float64 {
	a := o.up()
	return 2 * o.rate * o.length * o.length * a * a * a
}

// loss is what outages take from the days up to some time.
type loss struct {
	up, variance float64 // factor of the mean; variance in days^2
	now          float64 // days that the stop going on still takes
	nowVar       float64
}

func (o *outages) until(t float64) loss {
	l := loss{up: o.up()}
	l.variance = o.variancePerDay()*t + o.rateVar*t*t*o.length*o.length
	if o.now {
		e := 1 - math.Exp(-t/o.length)
		l.now = o.length * e * l.up
		l.nowVar = o.length * o.length * e * e
	}
	return l
}

// of applies the loss to the mean and variance of duty without outages; level
// is the duty of a day.
func (l *loss) of(mean, variance, level float64) (float64, float64) {
	return math.Max(0, l.up*mean-level*l.now), l.up*l.up*variance + level*level*(l.variance+l.nowVar)
}
