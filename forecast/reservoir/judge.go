package reservoir

import "math"

// Limits are the ratios beyond which delivery is judged wrong.
type Limits struct{ Under, Over, NotDispensing float64 }

// Judgement is what a window of measured levels says.
type Judgement struct {
	Ratio Ratio
	OK    bool // Ratio exists
	// From is the index of the reading at which the ratio's window begins.
	From int
	// Settled says that the window is long enough to say "as planned".
	Settled bool
	// At most one of these is true.
	Under, Over, NotDispensing bool
	// Leak says that the last day's fall is far beyond the plan.
	Leak bool
}

// surely is how many standard errors a window's ratio must lie from 1 without
// the chart's word: daily looks at many points make 3 too few.
const surely = 4

// Judge compares what was delivered with what was commanded, from the reading
// at index from (the window asked for) to the last one.
func Judge(p Params, t Track, from int, scale, noise float64, lim Limits) Judgement {
	n := len(t.Readings)
	if n < 3 || from >= n {
		return Judgement{}
	}
	// A window with too few steps says little: reach back.
	for from > 0 && t.Readings[n-1].Commanded-t.Readings[from].Commanded < 5*scale {
		from--
	}
	from = min(from, n-3)
	j := Judgement{From: from}
	j.Ratio, j.OK = Slope(t.Readings[from:], scale, noise, p.Scatter)
	j.Settled = j.OK && j.Ratio.Commanded >= 5*scale
	r, at := j.Ratio, from
	if (t.Low || t.High) && t.Since > from {
		at = min(t.Since, n-3)
		if s, ok := since(t.Readings[at:], scale, noise, p.Scatter, t.coarseScale(p, scale, noise)); ok {
			r = s
		} else {
			at = from
		}
	}
	confirmed := 1.645
	if !t.Low && !t.High {
		confirmed = surely
	}
	switch {
	case !j.OK && at == from:
		return j
	case !t.High && r.Value <= lim.Under && r.Value+confirmed*r.SE < 1:
		j.Under, j.Ratio, j.From, j.OK = true, r, at, true
	case !t.Low && r.Value >= lim.Over && r.Value-confirmed*r.SE > 1:
		j.Over, j.Ratio, j.From, j.OK = true, r, at, true
	}
	if s, i, ok := stopped(p, t.Readings, scale, noise, lim.NotDispensing); ok {
		j.Under, j.Over, j.NotDispensing, j.Ratio, j.From, j.OK = false, false, true, s, i, true
	}
	return j
}

func (t Track) coarseScale(p Params, scale, noise float64) bool {
	return coarse(p, Step{Scale: scale, Noise: noise})
}

// since is the ratio since a change: by slope on a fine scale, by the ends on a
// coarse one, where a slope would rest on one or two steps.
func since(window []Reading, scale, noise, scatter float64, coarse bool) (Ratio, bool) {
	if !coarse {
		return Slope(window, scale, noise, scatter)
	}
	return ends(window, scale, noise, scatter)
}

func ends(window []Reading, scale, noise, scatter float64) (Ratio, bool) {
	n := len(window)
	c := window[n-1].Commanded - window[0].Commanded
	if n < 3 || c <= 0 {
		return Ratio{}, false
	}
	v := (scale*scale/6 + 2*noise*noise + scatter*c) / (c * c)
	return Ratio{Value: (window[0].Level - window[n-1].Level) / c, SE: math.Sqrt(v), Commanded: c, Readings: n}, true
}

// stopped looks for the shortest recent window in which the command would have
// moved the level by three steps and clear of the noise, and which shows next to
// no fall; the last reading alone does not decide.
func stopped(p Params, readings []Reading, scale, noise, limit float64) (Ratio, int, bool) {
	n := len(readings)
	need := max(3*scale, 8*noise, 0.02*p.Capacity)
	at := func(last int) (Ratio, int, bool) {
		i := last
		for i > 0 && readings[last].Commanded-readings[i].Commanded < need {
			i--
		}
		if readings[last].Commanded-readings[i].Commanded < need || last-i < 2 {
			return Ratio{}, 0, false
		}
		w := readings[i : last+1]
		r, ok := Slope(w, scale, noise, p.Scatter)
		e, ok2 := ends(w, scale, noise, p.Scatter)
		return r, i, ok && ok2 && r.Value+2.5*r.SE < limit && e.Value < limit
	}
	if n < 4 {
		return Ratio{}, 0, false
	}
	r, i, ok := at(n - 1)
	if _, _, before := at(n - 2); !ok || !before {
		return Ratio{}, 0, false
	}
	return r, i, true
}

// FromFill judges one level against the fresh fill, for points where somebody
// weighs now and then.
func FromFill(p Params, r Reading, scale, noise float64, lim Limits) Judgement {
	c := r.Commanded
	if c <= 0 || p.Capacity <= 0 {
		return Judgement{}
	}
	v := (p.FillSD*p.FillSD + scale*scale/12 + noise*noise + p.Scatter*c) / (c * c)
	ratio := Ratio{Value: (p.Capacity - r.Level) / c, SE: math.Sqrt(v), Commanded: c, Readings: 1}
	j := Judgement{Ratio: ratio, OK: true, Settled: ratio.SE < 0.1}
	switch {
	case ratio.Value+surely*ratio.SE < lim.NotDispensing:
		j.NotDispensing = true
	case ratio.Value <= lim.Under && ratio.Value+surely*ratio.SE < 1:
		j.Under = true
	case ratio.Value >= lim.Over && ratio.Value-surely*ratio.SE > 1:
		j.Over = true
	}
	return j
}
