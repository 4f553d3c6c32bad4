package duty

import "math"

const (
	// leastSince is how many days of average information there must be since a
	// change: fewer may be a bad day or two.
	leastSince = 3
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

// after is what follows from a change at a place, e being the evidence of all
// days: the level since, its variance in s2, and the squares left unexplained.
// The level before has the prior of the filters, the one since lies about it
// with a variance of jump, in s2.
func (e *evidence) after(p *place, jump float64) (level, variance, squares, occam float64) {
	own := 1 / (p.i + levelInformation)
	m := p.b * own
	i, b := e.i-p.i, e.b-p.b
	prior := own + jump
	seen := 1 + i*prior
	d := b - i*m
	variance = prior / seen
	return m + d*variance, variance, e.q - p.b*m - m*(2*b-m*i) - d*d*variance, (1 + levelPrior*p.i) * seen
}

// tie is how near two places are that rounding must not choose between, so that
// the unit of duty does not.
const tie = 1e-9

// negligible is the likelihood, as a logarithm, below the best from which a
// place is not looked at.
const negligible = -30

// likelihood is that of a change on n days, concentrated and relative to least
// squares.
func likelihood(n, squares, least, occam float64) float64 {
	// ln x >= 1 - 1/x spares most of the logarithms.
	if 0.5*n*(least/squares-1) < negligible {
		return math.Exp(negligible)
	}
	return math.Exp(-0.5*n*math.Log(squares/least)) / math.Sqrt(occam)
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
func (e *evidence) settle(days []step, k int, n, mean, guess float64) {
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
	jump, least := all.jump(kept[:count], n, mean, floor)
	var since [len(kept)]float64
	for i := range count {
		_, _, squares, occam := all.after(&kept[i], jump)
		since[i] = kept[i].mass * likelihood(n, math.Max(least, squares), least, occam)
	}
	for count > maxPlaces {
		worst := 0
		for i := range count {
			if since[i] < (1-tie)*since[worst] {
				worst = i
			}
		}
		to := worst + 1
		if to == count || worst > 0 && kept[worst].i-kept[worst-1].i < (1-tie)*(kept[to].i-kept[worst].i) {
			to = worst - 1
		}
		kept[to].mass *= 1 + since[worst]/since[to]
		since[to] += since[worst]
		count--
		copy(kept[worst:count], kept[worst+1:count+1])
		copy(since[worst:count], since[worst+1:count+1])
	}
	e.n = copy(e.places[:], kept[:count])
	clear(e.places[e.n:])
}

// forget drops the days up to some sums; days is how many remain.
func (e *evidence) forget(i, b, q, days float64) {
	e.i -= i
	e.b -= b
	e.q -= q
	n := 0
	for _, p := range e.places[:e.n] {
		if p.i > i {
			e.places[n] = place{p.i - i, p.b - b, p.mass}
			n++
		}
	}
	clear(e.places[n:])
	e.n, e.placed = n, days
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
// before, constant since, which lies about the one before by jumpSD. All days
// are weighed by their likelihood, each with the same prior, and the levels
// since are pooled into one mean and variance.
// all is the evidence of all n days, those of the window, which are looked at
// one by one, included.
func (e *evidence) changed(days []step, all *evidence, n, mean, guess, logs float64) level {
	scale := 1 / (mean * mean)
	floor := leastS2 * n / scale
	var candidates [maxPlaces + windowDays]place
	count, places := copy(candidates[:], e.places[:e.n]), e.placed
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
			candidates[count] = place{walk.i, walk.b, 1}
			count++
			places++
		}
	}
	l := level{mu: 1, pmm: levelPrior, s2: leastS2, fit: math.Inf(-1)}
	if places == 0 {
		return l
	}
	jump, least := all.jump(candidates[:count], n, mean, floor)
	var sum, first, second, within, s2 float64
	for k := range count {
		p := &candidates[k]
		m, variance, squares, occam := all.after(p, jump)
		squares = math.Max(least, squares)
		w := p.mass * likelihood(n, squares, least, occam)
		m /= mean
		sum += w
		first += w * m
		second += w * m * m
		within += w * squares * variance
		s2 += w * squares
	}
	first /= sum
	s2 *= scale / (n * sum)
	within *= scale / (n * sum)
	l.mu = guess/mean + first
	l.s2 = s2 * n / math.Max(1, n-spentDF-1)
	l.pmm = (within + math.Max(0, second/sum-first*first)) / s2
	l.fit = -0.5*n*math.Log(least*scale/n) + math.Log(sum/places) - 0.5*logs
	return l
}

// jumpSD is how far a lasting change moves the level, relative to the level: a
// change of shifts or of speed is a matter of a third, not of a few percent and
// not of tenfold (0.15 to 0.6 do nearly the same on simulated and open data).
const jumpSD = 0.3

// jump gives the variance of a change in s2, and the least squares that a
// change of any size leaves: the scale in question.
func (e *evidence) jump(places []place, n, mean, floor float64) (jump, least float64) {
	least = math.Inf(1)
	for i := range places {
		p := &places[i]
		i1, b1 := p.i+levelInformation, p.b
		i2, b2 := e.i-p.i+levelInformation, e.b-p.b
		least = math.Min(least, e.q-b1*b1/i1-b2*b2/i2)
	}
	least = math.Max(floor, least)
	return jumpSD * jumpSD * mean * mean * n / least, least
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
