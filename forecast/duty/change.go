package duty

import "math"

// leastSince is how many days of average information there must be since a
// change: fewer may be a bad week.
const leastSince = 7

// changed is the level after one lasting change on an unknown day: constant
// before, constant since. All days are weighed by their likelihood, each with
// the same prior, and the levels since are pooled into one mean and variance.
// Both levels have the prior of the filters, so that the fit compares with
// theirs; sums from both ends make it one pass per end. since needs as many
// elements as days.
func changed(days []step, since []float64) level {
	const prior = 1.0 / levelPrior
	var i0, b0, q0, logs, n float64
	for k := range days {
		if d := &days[k]; d.g > 0 {
			w := 1 / d.g
			e := d.y - d.h
			i0 += d.h * d.h * w
			b0 += d.h * e * w
			q0 += e * e * w
			n++
		}
	}
	product := 1.0
	for k := range days {
		if d := &days[k]; d.g > 0 {
			product *= d.g
			if product > 1e100 || product < 1e-100 {
				logs += math.Log(product)
				product = 1
			}
		}
	}
	logs += math.Log(product)
	var i1, b1 float64
	best := math.Inf(-1)
	places := 0.0
	for k := range days {
		d := &days[k]
		since[k] = math.Inf(-1)
		if !(d.g > 0) {
			continue
		}
		w := 1 / d.g
		e := d.y - d.h
		i1 += d.h * d.h * w
		b1 += d.h * e * w
		i2, b2 := i0-i1, b0-b1
		if !(i1 > 0) || i2 < leastSince*i0/n {
			continue
		}
		square := math.Max(leastS2*n, q0-b1*b1/(i1+prior)-b2*b2/(i2+prior))
		since[k] = -0.5*math.Log((1+levelPrior*i1)*(1+levelPrior*i2)) - 0.5*n*math.Log(square/n)
		best = math.Max(best, since[k])
		places++
	}
	l := level{mu: 1, pmm: levelPrior, s2: leastS2, fit: math.Inf(-1)}
	if places == 0 {
		return l
	}
	i1, b1 = 0, 0
	var sum, mean, second, within, s2 float64
	for k := range days {
		d := &days[k]
		if !(d.g > 0) {
			continue
		}
		w := 1 / d.g
		e := d.y - d.h
		i1 += d.h * d.h * w
		b1 += d.h * e * w
		if since[k] < best-12 {
			continue
		}
		p := math.Exp(since[k] - best)
		i2, b2 := i0-i1, b0-b1
		square := math.Max(leastS2*n, q0-b1*b1/(i1+prior)-b2*b2/(i2+prior)) / n
		m := b2 / (i2 + prior)
		sum += p
		mean += p * m
		second += p * m * m
		within += p * square / (i2 + prior)
		s2 += p * square
	}
	mean /= sum
	s2 /= sum
	l.mu = 1 + mean
	l.s2 = s2 * n / math.Max(1, n-spentDF-1)
	l.pmm = (within/sum + math.Max(0, second/sum-mean*mean)) / s2
	l.fit = best + math.Log(sum/places) - 0.5*logs
	return l
}
