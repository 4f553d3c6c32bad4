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
const surely = 3.3

// toldErrors is the same once the chart has spoken: the chance of a wrong verdict is
// bounded by the chart, this bounds its size.
const toldErrors = 2.33

// healthy are the ratios up to which a device counts as obeying its command for
// sure: half-way to the limits. Pumps differ by some percent from one another,
// so that an interval that merely leaves out 1 would blame sound ones.
func healthy(lim Limits) (low, high float64) { return (1 + lim.Under) / 2, (1 + lim.Over) / 2 }

// Judge compares what was delivered with what was commanded, from the reading
// at index from (the window asked for) to the last one.
func Judge(p Params, t Track, from int, scale, noise float64, lim Limits) Judgement {
	n := len(t.Readings)
	if n < 4 || from >= n {
		return Judgement{}
	}
	// A window with too few steps says little: reach back.
	for from > 0 && t.Readings[n-1].Commanded-t.Readings[from].Commanded < 5*scale {
		from--
	}
	from = min(from, n-4)
	j := Judgement{From: from}
	j.Ratio, j.OK = Slope(t.Readings[from:], scale, noise, p.Scatter)
	j.Settled = j.OK && j.Ratio.Commanded >= 5*scale
	r, at, errors := j.Ratio, from, float64(surely)
	before, ok := Slope(t.Readings[from:n-1], scale, noise, p.Scatter)
	told := t.Low || t.High
	if told {
		errors = toldErrors
		if t.Since > from {
			at = min(t.Since, n-4)
			rough := coarse(p, Step{Scale: scale, Noise: noise})
			r, ok = since(t.Readings[at:], scale, noise, p.Scatter, rough)
			if b, ok2 := since(t.Readings[at:n-1], scale, noise, p.Scatter, rough); ok && ok2 {
				before = b
				// What was before the change says nothing about now.
				j.Ratio, j.From, j.OK = r, at, true
			} else {
				ok = false
			}
		}
	}
	low, high := healthy(lim)
	switch {
	case !ok || !told && !j.Settled:
	case !t.High && under(r, lim, low, errors) && under(before, lim, low, errors):
		j.Under, j.Ratio, j.From, j.OK = true, r, at, true
	case !t.Low && over(r, lim, high, errors) && over(before, lim, high, errors):
		j.Over, j.Ratio, j.From, j.OK = true, r, at, true
	}
	if !t.Low {
		return j
	}
	// The change was some readings earlier than the chart's zero at most; what
	// came long before it says nothing about now.
	if s, i, ok := stopped(p, t.Readings, max(0, t.Since-3), scale, noise, lim.NotDispensing); ok {
		j.Under, j.Over, j.NotDispensing, j.Ratio, j.From, j.OK = false, false, true, s, i, true
	}
	return j
}

func under(r Ratio, lim Limits, low, errors float64) bool {
	return r.Value <= lim.Under && r.Value+errors*r.SE < low
}

func over(r Ratio, lim Limits, high, errors float64) bool {
	return r.Value >= lim.Over && r.Value-errors*r.SE > high
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

// stopped looks for a recent window in which the command would have moved the
// level by three steps and clear of the noise, and which shows next to no fall,
// the shortest such; the last reading alone does not decide.
func stopped(p Params, readings []Reading, first int, scale, noise, limit float64) (Ratio, int, bool) {
	need := max(3*scale, 8*noise, 0.02*p.Capacity)
	at := func(last int) (Ratio, int, bool) {
		for i := last - 2; i >= first; i-- {
			if readings[last].Commanded-readings[i].Commanded < need {
				continue
			}
			w := readings[i : last+1]
			r, ok := Slope(w, scale, noise, p.Scatter)
			e, ok2 := ends(w, scale, noise, p.Scatter)
			if ok && ok2 && r.Value+2.5*r.SE < limit && e.Value < limit {
				return r, i, true
			}
		}
		return Ratio{}, 0, false
	}
	n := len(readings)
	if n < 4 {
		return Ratio{}, 0, false
	}
	r, i, ok := at(n - 1)
	if !ok {
		return Ratio{}, 0, false
	}
	_, _, before := at(n - 2)
	return r, i, before
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
	if c < 0.1*p.Capacity {
		return j // the scatter of fills would speak, not the device
	}
	low, high := healthy(lim)
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
