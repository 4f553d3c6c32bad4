package duty

import "math"

const (
	// leastSince is how many days of average information there must be since a
	// change: fewer may be a bad week.
	leastSince = 7
	// maxPlaces is how many possible days of a change are kept of those that
	// left the window.
	maxPlaces = 16
	// levelInformation is what the prior of a level is worth.
	levelInformation = 1.0 / levelPrior
)

// evidence is what the days that left the window say about a level that does
// not move, or moved once: for days of duty y = h level + noise, with e = y - h
// guess, the sums of h^2/g, h e/g and e^2/g.
type evidence struct {
	i, b, q float64
	// places are the likeliest days of a change among them, in order, and
	// placed is how many days they stand for.
	places [maxPlaces]place
	n      int
	placed float64
}

// place is a possible last day before a change: the sums up to it, and of how
// many days it carries the likelihood.
type place struct{ i, b, mass float64 }

func (e *evidence) add(d *step, guess float64) {
	w := 1 / d.g
	v := d.y - d.h*guess
	e.i += d.h * d.h * w
	e.b += d.h * v * w
	e.q += v * v * w
}

// squares is what a change at a place leaves unexplained, e being the evidence
// of all days; both levels have the prior of the filters.
func (e *evidence) squares(p *place) float64 {
	i2, b2 := e.i-p.i, e.b-p.b
	return e.q - p.b*p.b/(p.i+levelInformation) - b2*b2/(i2+levelInformation)
}

// negligible is the likelihood, as a logarithm, below the best from which a
// place is not looked at.
const negligible = -30

// likelihood is that of a change at a place on n days with those squares,
// concentrated and relative to least squares, e being the evidence of all days.
func (e *evidence) likelihood(p *place, n, squares, least float64) float64 {
	// ln x >= 1 - 1/x spares most of the logarithms.
	if 0.5*n*(least/squares-1) < negligible {
		return math.Exp(negligible)
	}
	return math.Exp(-0.5*n*math.Log(squares/least)) / math.Sqrt((1+levelPrior*p.i)*(1+levelPrior*(e.i-p.i)))
}

// total is the evidence of all days, those of the window included.
func (e *evidence) total(days []step, guess float64) evidence {
	all := *e
	for k := range days {
		if days[k].g > 0 {
			all.add(&days[k], guess)
		}
	}
	return all
}

// settle takes in the first k days of the window. Of the possible days of a
// change that there are then, the least likely give what likelihood they have
// to a neighbour until few enough remain.
func (e *evidence) settle(days []step, k int, n, mean, guess float64, since *[maxPlaces + windowDays]float64) {
	all := e.total(days, guess)
	floor := leastS2 * mean * mean * n
	var kept [maxPlaces + leavingDays]place
	count := copy(kept[:], e.places[:e.n])
	for i := range k {
		if days[i].g > 0 {
			e.add(&days[i], guess)
			if e.i > 0 {
				kept[count] = place{e.i, e.b, 1}
				count++
				e.placed++
			}
		}
	}
	least := math.Inf(1)
	for i := range count {
		since[i] = math.Max(floor, all.squares(&kept[i]))
		least = math.Min(least, since[i])
	}
	for i := range count {
		since[i] = kept[i].mass * all.likelihood(&kept[i], n, since[i], least)
	}
	for count > maxPlaces {
		worst := 0
		for i := range count {
			if since[i] < since[worst] {
				worst = i
			}
		}
		to := worst + 1
		if to == count || worst > 0 && kept[worst].i-kept[worst-1].i < kept[to].i-kept[worst].i {
			to = worst - 1
		}
		kept[to].mass *= 1 + since[worst]/since[to]
		since[to] += since[worst]
		count--
		copy(kept[worst:count], kept[worst+1:])
		copy(since[worst:count], since[worst+1:])
	}
	e.n = copy(e.places[:], kept[:count])
	clear(e.places[e.n:])
}

// steady is a level that never moved, from the evidence of all n days.
func (e *evidence) steady(n, mean, guess, logs float64) level {
	i := e.i + levelInformation
	s2 := math.Max(leastS2, (e.q-e.b*e.b/i)/(n*mean*mean))
	return level{
		mu: (guess + e.b/i) / mean, pmm: 1 / i, s2: s2 * n / math.Max(1, n-spentDF),
		fit: -0.5*(logs+math.Log(1+levelPrior*e.i)) - 0.5*n*math.Log(s2),
	}
}

// changed is the level after one lasting change on an unknown day: constant
// before, constant since. All days are weighed by their likelihood, each with
// the same prior, and the levels since are pooled into one mean and variance.
// all is the evidence of all n days, those of the window, which are looked at
// one by one, included.
func (e *evidence) changed(days []step, all *evidence, n, mean, guess, logs float64, since *[maxPlaces + windowDays]float64) level {
	scale := 1 / (mean * mean)
	floor := leastS2 * n / scale
	least, places, count := math.Inf(1), e.placed, e.n
	for k := range e.n {
		since[k] = math.Max(floor, all.squares(&e.places[k]))
		least = math.Min(least, since[k])
	}
	enough := leastSince * all.i / n
	walk := *e
	for k := range days {
		d := &days[k]
		if !(d.g > 0) {
			continue
		}
		walk.add(d, guess)
		if all.i-walk.i < enough {
			break
		}
		if walk.i > 0 {
			since[count] = math.Max(floor, all.squares(&place{i: walk.i, b: walk.b}))
			least = math.Min(least, since[count])
			count++
			places++
		}
	}
	l := level{mu: 1, pmm: levelPrior, s2: leastS2, fit: math.Inf(-1)}
	if places == 0 {
		return l
	}
	var sum, first, second, within, s2 float64
	pool := func(p *place, squares float64) {
		w := p.mass * all.likelihood(p, n, squares, least)
		i2 := all.i - p.i + levelInformation
		m := (all.b - p.b) / i2 / mean
		square := squares * scale / n
		sum += w
		first += w * m
		second += w * m * m
		within += w * square / i2
		s2 += w * square
	}
	for k := range e.n {
		pool(&e.places[k], since[k])
	}
	at := e.n
	walk = *e
	for k := 0; k < len(days) && at < count; k++ {
		d := &days[k]
		if !(d.g > 0) {
			continue
		}
		walk.add(d, guess)
		if walk.i > 0 {
			pool(&place{i: walk.i, b: walk.b, mass: 1}, since[at])
			at++
		}
	}
	first /= sum
	s2 /= sum
	l.mu = guess/mean + first
	l.s2 = s2 * n / math.Max(1, n-spentDF-1)
	l.pmm = (within/sum + math.Max(0, second/sum-first*first)) / s2
	l.fit = -0.5*n*math.Log(least*scale/n) + math.Log(sum/places) - 0.5*logs
	return l
}

// noise takes in the g of days.
func (p *product) noise(days []step) {
	for k := range days {
		if days[k].g > 0 {
			p.value *= days[k].g
		}
		if k%productDays == 0 {
			p.trim()
		}
	}
	p.trim()
}
