package reservoir

import "math"

// past is a reading with what was believed when it had been taken in: where a
// stretch that begins with it starts from.
type past struct {
	Reading
	state   Estimate
	unknown float64 // variance of the commanded volume so far, cm3^2
}

// changed is a stretch up to the newest reading in which delivery was not what
// it had been before.
type changed struct {
	at    int // index of the reading it begins after, -1 for the fill's start
	ratio Ratio
	// sure is how many standard errors the ratio is beyond what a sound device
	// could do.
	sure float64
}

const (
	// sureEnough is how many standard errors a stretch must be beyond a sound
	// device's edge. All onsets and every day are tried, so that the chance of
	// one look says little: found by simulation for about one false verdict in
	// 50 years of a point (see tests).
	sureEnough = 4.0
	// sureBefore is the same without the newest reading: one reading alone
	// decides nothing.
	sureBefore = 3.0
	// sureAgain is how many standard errors a stretch must be on the sound side
	// of half-way back, to take a verdict off.
	sureAgain = 3.0
	// minSince is the least number of readings in a stretch.
	minSince = 3
	// leastBaseline bounds what a device's own past can excuse.
	leastBaseline = 0.90
	mostBaseline  = 1.10
)

// edges are the ratios up to which a device counts as obeying its command:
// half-way from what it did before to the limits. Pumps differ by some percent
// from one another, so that an interval that merely leaves out 1 would blame
// sound ones; and one that always gave 92 % is not at fault at 90.
func edges(before float64, lim Limits) (low, high float64) {
	low = min(max(before, leastBaseline), 1)
	high = max(min(before, mostBaseline), 1)
	return (low + lim.Under) / 2, (high + lim.Over) / 2
}

// scale is how a level reads: its step, its noise sd beside it, and whether it
// says within which bounds the level lies rather than where.
type scale struct {
	step, noise float64
	rough       bool
}

// ripple is what remains of the saw-tooth of rounding, as a share of it, when
// noise moves the readings across the edges: the first term of its Fourier
// series (B. Widrow, I. Kollar, Quantization Noise, 2008; from memory).
func (s scale) ripple() float64 {
	if s.step <= 0 {
		return 0
	}
	return math.Exp(-2 * math.Pi * math.Pi * s.noise * s.noise / (s.step * s.step))
}

// onset looks for the stretch up to reading last that is most surely too low
// (sign 1) or too high (sign -1), beginning at reading first or later.
//
// A stretch is a line through what was believed to be left at its beginning, so
// that all that was learned before is used: the generalised likelihood ratio
// over the unknown time of a change (see M. Basseville, I. V. Nikiforov,
// Detection of Abrupt Changes, 1993).
func onset(p Params, past []past, start Estimate, first, last int, sc scale, sign float64, lim Limits) (changed, bool) {
	best := changed{at: -2, sure: math.Inf(-1)}
	var sum sums
	for i := last - 1; i >= first; i-- {
		sum.add(past[i+1].Reading)
		from := past0(past, start, i)
		r, sure, ok := sum.stretch(p, from, past, last, sc, sign, lim)
		if ok && sure > best.sure {
			best = changed{at: i, ratio: r, sure: sure}
		}
	}
	return best, best.at > -2
}

// past0 is the reading at which a stretch begins; the fill's start counts as
// one before the first.
func past0(list []past, start Estimate, i int) past {
	if i < 0 {
		return past{Reading: Reading{Level: start.Remaining}, state: start}
	}
	return list[i]
}

// sums are those of a regression line, of readings added from the newest back.
type sums struct{ n, c, cc, l, cl float64 }

func (s *sums) add(r Reading) {
	s.n++
	s.c += r.Commanded
	s.cc += r.Commanded * r.Commanded
	s.l += r.Level
	s.cl += r.Commanded * r.Level
}

// line is the ratio of the stretch from a beginning, with its standard error.
func (s *sums) line(p Params, from past, unknown, last float64, sc scale) (Ratio, bool) {
	c0, r0 := from.Commanded, from.state.Remaining
	xx := s.cc - 2*c0*s.c + c0*c0*s.n
	x := s.c - c0*s.n
	c := last - c0
	// Rounding of the sums, not a stretch.
	if c <= 1e-9*last || xx <= 1e-9*s.cc || s.n < minSince {
		return Ratio{}, false
	}
	xy := r0*x - s.cl + c0*s.l
	noise := sc.step*sc.step/12 + sc.noise*sc.noise
	common := x / xx // what an error common to all levels does to the ratio
	v := noise/xx + from.state.VarR*common*common
	// Doses add up their scatter: 6/5 of the mean step's variance in a line
	// through its beginning.
	v += 1.2*p.Scatter/c + max(0, unknown-from.unknown)/(c*c)
	// The saw-tooth of rounding is common to the readings of one tooth.
	tooth := sc.ripple() * sc.step / (math.Pi * math.Sqrt2) * common * min(1, sc.step/c)
	v += tooth * tooth
	return Ratio{Value: xy / xx, SE: math.Sqrt(v), Commanded: c, Readings: int(s.n)}, true
}

func (s *sums) stretch(p Params, from past, list []past, last int, sc scale, sign float64, lim Limits) (Ratio, float64, bool) {
	low, high := edges(from.state.Factor, lim)
	if sc.rough {
		if s.n < 2 {
			return Ratio{}, 0, false
		}
		return bounded(p, from, list[last], sc, sign, low, high, lim)
	}
	r, ok := s.line(p, from, list[last].unknown, list[last].Commanded, sc)
	switch {
	case !ok:
		return r, 0, false
	case sign > 0:
		return r, (low - r.Value) / r.SE, r.Value+r.SE <= lim.Under
	default:
		return r, (r.Value - high) / r.SE, r.Value-r.SE >= lim.Over
	}
}

// bounded is the same on a scale that only says within which bounds the level
// lies: the bound that speaks for the device must be beyond the edge.
func bounded(p Params, from, to past, sc scale, sign, low, high float64, lim Limits) (Ratio, float64, bool) {
	c := to.Commanded - from.Commanded
	if c <= 1e-9*to.Commanded {
		return Ratio{}, 0, false
	}
	v := from.state.VarR + sc.noise*sc.noise + p.Scatter*c + max(0, to.unknown-from.unknown)
	se := math.Sqrt(v) / c
	gone := from.state.Remaining - to.Level
	r := Ratio{Value: gone / c, SE: math.Sqrt(v+sc.step*sc.step/12) / c, Commanded: c, Readings: 2}
	if sign > 0 {
		most := (gone + sc.step/2) / c
		return r, (low - most) / se, most < low && r.Value <= lim.Under
	}
	least := (gone - sc.step/2) / c
	return r, (least - high) / se, least > high && r.Value >= lim.Over
}
