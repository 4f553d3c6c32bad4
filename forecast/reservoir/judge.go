package reservoir

import "math"

// Limits are the ratios beyond which delivery is judged wrong.
type Limits struct{ Under, Over, NotDispensing float64 }

// Judgement is what a window of measured levels says.
type Judgement struct {
	Ratio Ratio
	OK    bool // Ratio exists
	// From is the index of the reading at which the ratio's window begins, -1
	// for the fill's start.
	From int
	// Settled says that the window is long enough to say "as planned".
	Settled bool
	// At most one of these is true.
	Under, Over, NotDispensing bool
	// Kept says that the verdict is the former fill's, and that nothing in this
	// one has shown otherwise yet.
	Kept bool
	// Leak says that the last day's fall is far beyond the plan.
	Leak bool
}

// surely is how many standard errors a single level's ratio must lie beyond the
// edge, where somebody weighs now and then.
const surely = 3.3

// Judge compares what was delivered with what was commanded: over the window
// from the reading at index from to the last one, and since the change that
// [Follow] found.
func Judge(t Track, from int) Judgement {
	p := t.Fill
	n := len(t.Readings)
	var j Judgement
	if t.Kept {
		j.Kept, j.Under, j.Over, j.NotDispensing = true, p.Carried.Under, p.Carried.Over, p.Carried.NotDispensing
		j.Ratio, j.OK, j.From = t.Ratio, true, -1
		return j
	}
	if t.Low || t.High {
		j.Under, j.Over, j.Ratio, j.From, j.OK, j.Settled = t.Low, t.High, t.Ratio, t.Since, true, true
		if !t.Low {
			return j
		}
		if t.Ratio.Value+stoppedSince*t.Ratio.SE < p.limits().NotDispensing {
			j.Under, j.NotDispensing = false, true
		} else if r, i, ok := stopped(p, t); ok {
			j.Under, j.NotDispensing, j.Ratio, j.From = false, true, r, i
		}
		return j
	}
	if n < 4 || from >= n {
		return j
	}
	sc := t.sc
	// A window with too few steps says little: reach back, but not to before
	// delivery came back, which says nothing about now.
	for from > 0 && t.Readings[n-1].Commanded-t.Readings[from].Commanded < 5*sc.step {
		from--
	}
	from = min(max(from, t.Resumed), n-4)
	j.From = from
	j.Ratio, j.OK = Slope(t.Readings[from:], sc.step, sc.noise, p.Scatter)
	j.Settled = j.OK && j.Ratio.Commanded >= 5*sc.step
	return j
}

// stopped looks for a stretch since the change in which the command would have
// moved the level by three steps and clear of the noise, and which surely shows
// next to no fall, the surest such.
func stopped(p Params, t Track) (best Ratio, at int, ok bool) {
	limit := p.limits().NotDispensing
	need := math.Max(3*t.sc.step, math.Max(8*t.sc.noise, 0.02*p.Capacity))
	n := len(t.past)
	sure := stoppedErrors
	var sum sums
	// The change was some readings earlier than the surest stretch at most.
	for i := n - 2; i >= max(t.Since-3, t.Resumed, -1); i-- {
		sum.add(t.past[i+1].Reading)
		from := past0(t.past, t.start, i)
		if t.past[n-1].Commanded-from.Commanded < need {
			continue
		}
		var r Ratio
		var z float64
		var fits bool
		if t.sc.rough {
			// A level that stands still says more together than by its bounds.
			if i < 0 {
				continue
			}
			r, fits = Slope(t.Readings[i:], t.sc.step, t.sc.noise, p.Scatter)
			fits = fits && t.Readings[i].Level-t.Readings[n-1].Level < limit*r.Commanded
			z = (limit - r.Value) / r.SE
		} else if r, fits = sum.line(p, from, t.past[n-1].unknown, t.past[n-1].Commanded, t.sc); fits {
			z = (limit - r.Value) / r.SE
		}
		if fits && z > sure {
			best, at, sure, ok = r, i, z, true
		}
	}
	return best, at, ok
}

// stoppedErrors is how many standard errors below the limit the surest of many
// stretches must be to say that nothing goes out, and stoppedSince how many the
// ratio since the change; that too little does is confirmed already. Found by
// simulation: of lines that give 40 and 50 % about a sixth and a hundredth are
// ever said to give nothing.
const (
	stoppedErrors = 2.0
	stoppedSince  = 2.5
)

// FromFill judges one level against the fresh fill, for points where somebody
// weighs now and then.
func FromFill(p Params, r Reading, step, noise float64) Judgement {
	lim := p.limits()
	c := r.Commanded
	if c <= 0 || p.Capacity <= 0 {
		return Judgement{}
	}
	v := (p.FillSD*p.FillSD + step*step/12 + noise*noise + p.Scatter*c) / (c * c)
	ratio := Ratio{Value: (p.Capacity - r.Level) / c, SE: math.Sqrt(v), Commanded: c, Readings: 1}
	j := Judgement{Ratio: ratio, OK: true, From: -1, Settled: ratio.SE < 0.1}
	if c < 0.1*p.Capacity {
		return j // the scatter of fills would speak, not the device
	}
	low, high := (1+lim.Under)/2, (1+lim.Over)/2
	switch {
	case ratio.Value+surely*ratio.SE < lim.NotDispensing:
		j.NotDispensing = true
	case ratio.Value <= lim.Under && ratio.Value+surely*ratio.SE < low:
		j.Under = true
	case ratio.Value >= lim.Over && ratio.Value-surely*ratio.SE > high:
		j.Over = true
	}
	return j
}
