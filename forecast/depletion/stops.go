package depletion

import (
	"math"
	"sync"
)

// Stops are unplanned stops of a machine, each of which puts the end off by its
// length. They begin at an unknown rate, of which Begun stops in Exposure days
// of running are known (gamma), so that their number until the end is negative
// binomial; each takes Least days and so many more as a geometric law of
// unknown chance gives, of which Ended stops with Extra days in all are known
// (beta). A stop going on, Now, has the rest of its length before it. The zero
// value has none.
//
// Days lost to stops are convolved with the law without stops instead of being
// added to its variance: most small reservoirs end before any stop, and a
// normal law between "no stop" and "one of a week" is true of neither.
type Stops struct {
	Begun, Exposure float64
	Ended, Extra    float64
	Least           int
	Now             bool
	// Horizon is the last day looked at, where curves were cut short because
	// the budget is surely used up.
	Horizon int
}

// None says that there are none to reckon with.
func (s *Stops) None() bool { return !(s.Begun > 0) || !(s.Exposure > 0) }

// Length is the mean length of a stop in days.
func (s *Stops) Length() float64 { return float64(s.Least) + s.Extra/math.Max(0.5, s.Ended-1) }

// Up is the long-run share of time that is not lost.
func (s *Stops) Up() float64 {
	if s.None() {
		return 1
	}
	return 1 / (1 + s.Begun/s.Exposure*s.Length())
}

// RenewalVariance is the variance per day of the time not lost to stops that
// begin at a rate per day of running and last exponential times of a mean
// length in days: 2 U^2 L^2/(U+L)^3 with U = 1/rate (D. R. Cox, Renewal theory,
// 1962).
func RenewalVariance(rate, length float64) float64 {
	up := 1 / (1 + rate*length)
	return 2 * rate * length * length * up * up * up
}

// moments applies stops to the mean and variance of duty after some days.
func (s *Stops) moments(days, mean, variance float64) (float64, float64) {
	up, rate, length := s.Up(), s.Begun/s.Exposure, s.Length()
	perDay := mean / days
	v := RenewalVariance(rate, length)*days + s.Begun/(s.Exposure*s.Exposure)*days*days*length*length
	if s.Now {
		e := 1 - math.Exp(-days/length)
		mean = math.Max(0, mean-perDay*length*e)
		v += length * length * e * e
	}
	return up * mean, up*up*variance + perDay*perDay*v
}

// mostLost bounds the days lost that are looked at; what is longer counts as
// that (a proposal: half a year).
const mostLost = 180

// Lost is the chance of 0, 1, 2 ... days lost in so many days of running.
func (s *Stops) Lost(running float64) []float64 {
	var l lost
	if s.None() {
		return []float64{1}
	}
	s.lostIn(running, &l)
	return append([]float64(nil), l.at[:l.n]...)
}

// lost is the law of days lost: at[d] is the chance of d days, upTo[d] that of
// no more, both for d below n.
type lost struct {
	n        int
	at, upTo [mostLost + 1]float64
}

// lostIn is the law of the days lost in so many days of running.
//
// The sum of a negative binomial number of stops follows Panjer's recursion
// (H. H. Panjer, Recursive evaluation of a family of compound distributions,
// 1981; from memory, and held against simulation in the tests).
func (s *Stops) lostIn(running float64, l *lost) {
	var length [mostLost + 1]float64
	least := max(1, s.Least)
	p := s.Ended / (s.Ended + s.Extra)
	for d := least; d <= mostLost; d++ {
		length[d] = p
		k := float64(d - least)
		p *= (s.Extra + k) / (s.Ended + s.Extra + k + 1)
	}
	beta := running / s.Exposure
	a := beta / (1 + beta)
	b := (s.Begun - 1) * a
	*l = lost{n: 1}
	l.at[0] = math.Exp(-s.Begun * math.Log1p(beta))
	sum := l.at[0]
	for d := 1; d <= mostLost && sum < enoughLost; d++ {
		v, share := 0.0, b/float64(d)
		for j := least; j <= d; j++ {
			v += (a + share*float64(j)) * length[j] * l.at[d-j]
		}
		l.at[d] = math.Max(0, v)
		sum += l.at[d]
		l.n = d + 1
	}
	l.at[l.n-1] += math.Max(0, 1-sum)
	if s.Now {
		s.rest(l)
	}
	sum = 0
	for d := range l.n {
		sum += l.at[d]
		l.upTo[d] = sum
	}
}

// enoughLost is how much of the law of days lost is worked out; what is longer
// counts as the longest.
const enoughLost = 0.9995

// rest puts the rest of a stop that goes on before the others.
func (s *Stops) rest(l *lost) {
	others := *l
	*l = lost{}
	alpha := math.Max(0.5, s.Ended-1) // this one has not ended
	p := alpha / (alpha + s.Extra)
	left := 1.0
	for d := 0; d <= mostLost && left > 1-enoughLost; d++ {
		for j := range others.n {
			to := min(mostLost, d+j)
			l.at[to] += p * others.at[j]
			l.n = max(l.n, to+1)
		}
		left -= p
		k := float64(d)
		p *= (s.Extra + k) / (alpha + s.Extra + k + 1)
	}
	l.at[l.n-1] += math.Max(0, left)
}

// stopped is a mixture's law of one budget with stops.
type stopped struct {
	m    Mixture
	b    Budget
	lost lost
	days int // of the curves
	// lo and hi are the first days by whose end the chance without stops is
	// above 0 and 1, to within nearly.
	lo, hi int
	whole  []float64 // chance without stops by the end of days from 0
	buffer [800]float64
}

const nearly = 1e-9

// laws are room for the next one, of some ten kilobytes.
var laws = sync.Pool{New: func() any { return &stopped{} }}

// with makes the law of a budget; ok is false where it is used up already or
// never will be.
func (m *Mixture) with(b Budget, law *stopped) (ok bool) {
	if b.Mean <= 0 || !b.usable() || len(m.Curves) == 0 {
		return false
	}
	law.m, law.b, law.days = *m, b, m.Days()
	law.whole = law.buffer[:]
	if law.days+1 > len(law.buffer) {
		law.whole = make([]float64, law.days+1)
	}
	z := TQuantile(nearly, 0)
	best, median := 0.0, law.days
	law.lo, law.hi = law.days+1, law.days+1
	for k := range law.days + 1 {
		if !m.far(k, z, b) {
			best = math.Max(best, m.at(k, 0, b))
		}
		law.whole[k] = best
		if best > nearly {
			law.lo = min(law.lo, k)
		}
		if best >= 0.5 {
			median = min(median, k)
		}
		if best >= 1-nearly {
			law.hi = k
			break
		}
	}
	m.Stops.lostIn(float64(median), &law.lost)
	return true
}

// base is the chance without stops at k whole days and a part of the next.
func (s *stopped) base(k int, part float64) float64 {
	switch {
	case k < 0:
		return 0
	case k >= s.hi:
		return 1
	case k >= s.days:
		return s.whole[s.days]
	}
	a := s.whole[k]
	if part == 0 || k+1 < s.hi && s.whole[k+1]-a < 1e-12 {
		return a
	}
	return math.Max(a, s.m.at(k, part, s.b))
}

// at is the chance at k whole days and a part of the next.
func (s *stopped) at(k int, part float64) float64 {
	p := 0.0
	from := max(0, k-s.hi+1)
	if from > 0 {
		p = s.lost.upTo[min(from, s.lost.n)-1] // the end came for certain
	}
	for d := from; d < s.lost.n && k-d >= s.lo-1; d++ {
		if g := s.lost.at[d]; g > 0 {
			p += g * s.base(k-d, part)
		}
	}
	return math.Min(1, p)
}

// horizon is the last day looked at.
func (s *stopped) horizon() int { return max(s.days, s.m.Stops.Horizon) }

// first is the first time from a whole day on at which the chance reaches p.
func (s *stopped) first(p float64, from int) (float64, bool) {
	if from == 0 && s.at(0, 0) >= p {
		return 0, true
	}
	for k := max(from, s.lo-1); k < s.horizon(); k++ {
		if s.at(k+1, 0) < p {
			continue
		}
		lo, hi := 0.0, 1.0
		for range 20 {
			mid := 0.5 * (lo + hi)
			if s.at(k, mid) >= p {
				hi = mid
			} else {
				lo = mid
			}
		}
		return float64(k) + hi, true
	}
	return 0, false
}

func (s *stopped) chance(t float64) float64 {
	if math.IsNaN(t) || t < 0 {
		return 0
	}
	t = math.Min(t, float64(s.horizon()))
	return s.at(int(t), t-math.Floor(t))
}
