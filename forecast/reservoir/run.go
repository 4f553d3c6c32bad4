package reservoir

import (
	"math"
	"slices"
)

// unknownStart is the variance of what a fill began with where nobody said it
// (cm3^2): the first level tells.
const unknownStart = 1e6

// run is a filter's way through a fill. The first way decides which levels are
// believed; later ones take the same.
type run struct {
	p     Params
	steps []Step
	sc    scale

	start     Estimate
	state     Estimate
	past      []past
	at        []int // step of each believed level
	believed  []bool
	commanded float64
	gated     int
	nis       float64
}

func newRun(p Params, steps []Step) *run {
	r := &run{p: p, steps: steps}
	for _, s := range steps {
		if s.HasLevel {
			r.sc.step, r.sc.noise = math.Max(r.sc.step, s.Scale), math.Max(r.sc.noise, s.Noise)
			r.sc.rough = r.sc.rough || coarse(p, s)
		}
	}
	factor, sd := 1.0, p.FactorSD
	if p.Factor > 0 {
		factor = p.Factor
	}
	if c := p.Carried; c != nil {
		factor, sd = c.Factor, math.Sqrt(c.SD*c.SD+changeWander*changeWander)
	}
	r.start = Begin(p.Capacity, p.FillSD, factor, sd)
	if p.Capacity <= 0 {
		r.start.VarR = unknownStart
	}
	return r
}

func (r *run) readings() []Reading {
	out := make([]Reading, len(r.past))
	for i := range r.past {
		out[i] = r.past[i].Reading
	}
	return out
}

// filter runs through the fill with the factor opened after the given readings,
// -1 for the fill's start.
func (r *run) filter(opened []int) {
	e := r.start
	if slices.Contains(opened, -1) {
		e.VarF += reopened * reopened
	}
	first := r.believed == nil
	if first {
		r.believed = make([]bool, len(r.steps))
	}
	list := make([]past, 0, len(r.past))
	at := r.at[:0:0]
	var told, unknown, moved, sum2 float64
	n := 0
	var waiting []past // levels that did not fit, in a row
	var waitingAt []int
	g := gate{}
	for i := range r.steps {
		s := &r.steps[i]
		advance(&e, r.p, *s)
		told, unknown, moved = told+s.Commanded, unknown+s.Unknown, moved+s.Commanded
		if !s.HasLevel || !first && !r.believed[i] {
			continue
		}
		now := past{Reading: Reading{Commanded: told, Level: s.Level}, unknown: unknown}
		noise := s.Scale*s.Scale/12 + s.Noise*s.Noise
		v, variance := s.Level-e.Remaining, e.VarR+noise
		if first && moved > 0 && variance > 0 {
			z2 := v * v / variance
			if z2 > 16 && !g.open(v) {
				now.state = e
				now.state.VarR += unknownStart // nothing begins here
				waiting, waitingAt = append(waiting, now), append(waitingAt, i)
				r.gated++
				continue
			}
			if z2 <= 16 {
				g = gate{}
			} else {
				// Three alike are not outliers but the truth.
				for k := range waiting {
					list, at = append(list, waiting[k]), append(at, waitingAt[k])
					r.believed[waitingAt[k]] = true
				}
				r.gated -= len(waiting)
				e.VarR += v * v
			}
			waiting, waitingAt = waiting[:0], waitingAt[:0]
			sum2 += math.Min(z2, 16)
			n++
		}
		r.believed[i] = true
		moved = 0
		if !coarse(r.p, *s) || !e.UpdateWithin(s.Level-s.Scale/2, s.Level+s.Scale/2, s.Noise*s.Noise) {
			if coarse(r.p, *s) {
				e.VarR += v * v
			}
			e.Update(s.Level, noise)
		}
		now.state = e
		list, at = append(list, now), append(at, i)
		if slices.Contains(opened, len(list)-1) {
			e.VarF += reopened * reopened
		}
	}
	r.state, r.past, r.at, r.commanded = e, list, at, told
	if first && n > 0 {
		r.nis = sum2 / float64(n)
	}
}

// left looks for a confirmed change away from the command after reading first.
func (r *run) left(first int, lim Limits) (best changed, sign float64, ok bool) {
	n := len(r.past)
	for _, s := range []float64{1, -1} {
		c, found := onset(r.p, r.past, r.start, first, n-1, r.sc, s, lim)
		if !found || c.sure <= sureEnough || ok && c.sure <= best.sure {
			continue
		}
		before, found := onset(r.p, r.past, r.start, first, n-2, r.sc, s, lim)
		if found && before.sure > sureBefore {
			best, sign, ok = c, s, true
		}
	}
	return best, sign, ok
}

// back looks for a stretch from reading first or later that shows delivery to
// be back: surely on the sound side of half-way between the ratio and 1.
func (r *run) back(first int, ratio float64, low bool) (at int, ok bool) {
	half := (min(max(ratio, 0), 2) + 1) / 2
	lim := r.p.limits()
	n := len(r.past)
	var sum sums
	best := sureAgain
	for i := n - 2; i >= first; i-- {
		sum.add(r.past[i+1].Reading)
		from := past0(r.past, r.start, i)
		sign := -1.0
		if !low {
			sign = 1
		}
		var x Ratio
		var sure float64
		if r.sc.rough {
			if sum.n < 2 {
				continue
			}
			x, sure, ok = bounded(r.p, from, r.past[n-1], r.sc, sign, half, half, Limits{Under: half, Over: half})
		} else if x, ok = sum.line(r.p, from, r.past[n-1].unknown, r.past[n-1].Commanded, r.sc); ok {
			sure = sign * (half - x.Value) / x.SE
		}
		if !ok || low && x.Value <= lim.Under || !low && x.Value >= lim.Over {
			continue
		}
		if sure > best {
			best, at = sure, i
		}
	}
	return at, best > sureAgain
}

// whole is the ratio of the whole fill up to a reading.
func (r *run) whole(last int) (Ratio, bool) {
	if last < 0 {
		return Ratio{}, false
	}
	from := past0(r.past, r.start, -1)
	if r.sc.rough {
		x, _, ok := bounded(r.p, from, r.past[last], r.sc, 1, 2, 2, Limits{Under: math.Inf(1)})
		return x, ok
	}
	var sum sums
	for _, p := range r.past[:last+1] {
		sum.add(p.Reading)
	}
	return sum.line(r.p, from, r.past[last].unknown, r.past[last].Commanded, r.sc)
}
