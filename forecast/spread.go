package forecast

import (
	"context"
	"fmt"
	"math"
	"slices"
)

// What pumps are taken to be where nobody measures: a proposal, small piston
// and cam pumps in service. It counts as much as priorPoints measured points.
const (
	priorFactorSD = 0.05
	priorPoints   = 10
	// leastPoints is how many measured points it takes to learn from.
	leastPoints = 3
	// mostPoints bounds how many are learned from.
	mostPoints = 256
)

// pumps is what the site's measured points say about the delivery factors of
// those that are not measured.
type pumps struct {
	mean, sd float64
	points   int // learned from; 0 where it is the assumption alone
	measured int // points that could be learned from
}

// sample is one point's delivery factor by its own evidence alone.
type sample struct{ value, variance float64 }

// evidenced takes the belief that a point's filter began with out of its
// estimate. ok is false where the evidence has hardly changed it.
func evidenced(w *work) (sample, bool) {
	e := w.track.Estimate
	before := unproven * unproven
	if e.VarF <= 0 || e.VarF > before/2 || math.IsNaN(e.Factor) {
		return sample{}, false
	}
	v := 1 / (1/e.VarF - 1/before)
	return sample{v * (e.Factor/e.VarF - 1/before), v}, true
}

// learnSpread finds the mean and the spread of true factors from estimates in
// register order.
//
// Outliers are drawn in to 2.5 robust standard deviations from the median; the
// spread beside the estimates' own errors is that at which the weighted squares
// come to their expectation (R. C. Paule, J. Mandel, Consensus values and
// weighting factors, 1982).
func learnSpread(list []sample) pumps {
	out := pumps{mean: 1, sd: priorFactorSD, measured: len(list)}
	n := len(list)
	if n < leastPoints {
		return out
	}
	values := make([]float64, n)
	for i, s := range list {
		values[i] = s.value
	}
	m := median(values)
	off := make([]float64, n)
	for i, v := range values {
		off[i] = math.Abs(v - m)
	}
	reach := 2.5 * math.Max(1.4826*median(off), 0.005)
	for i := range values {
		values[i] = min(max(values[i], m-reach), m+reach)
	}
	excess := func(between float64) (mean, q float64) {
		var sw, sx float64
		for i, s := range list {
			w := 1 / (between + s.variance)
			sw, sx = sw+w, sx+w*values[i]
		}
		mean = sx / sw
		for i, s := range list {
			q += (values[i] - mean) * (values[i] - mean) / (between + s.variance)
		}
		return mean, q - float64(n-1)
	}
	low, high := 0.0, 1.0
	if _, q := excess(low); q <= 0 {
		high = low
	}
	for range 60 {
		mid := (low + high) / 2
		if _, q := excess(mid); q > 0 {
			low = mid
		} else {
			high = mid
		}
	}
	mean, _ := excess(high)
	k := float64(n)
	out.points = n
	out.mean = (k*mean + priorPoints) / (k + priorPoints)
	out.sd = math.Sqrt((k*high + priorPoints*priorFactorSD*priorFactorSD) / (k + priorPoints))
	return out
}

func median(list []float64) float64 {
	s := slices.Sorted(slices.Values(list))
	n := len(s)
	return (s[(n-1)/2] + s[n/2]) / 2
}

// collect learns the spread from the points worked out so far, in register
// order.
func collect(states []*sample) *pumps {
	var list []sample
	for _, s := range states {
		if s != nil && len(list) < mostPoints {
			list = append(list, *s)
		}
	}
	out := learnSpread(list)
	return &out
}

// sampleOf is what a point gives to the spread, nil if nothing.
func sampleOf(w *work) *sample {
	if w.deferred || w.Delivery.Verdict != AsPlanned {
		return nil
	}
	if s, ok := evidenced(w); ok {
		return &s
	}
	return nil
}

// measuredNow says that a point has measured evidence in its present fill.
func (p *pass) measuredNow(ctx context.Context, w *work) (bool, error) {
	if len(w.sights.measured) > 0 {
		return true, nil
	}
	days, measured, _, err := p.doses(ctx, w.Device)
	return measured && days != nil, err
}

// say tells where the assumed factor comes from.
func (s pumps) say() string {
	taken := "commanded"
	if math.Abs(s.mean-1) >= 0.005 {
		taken = fmt.Sprintf("%.2f of the command", s.mean)
	}
	switch {
	case s.points > 0:
		return fmt.Sprintf("delivery is taken as %s, ± %.0f %%: the spread of this site's %d measured points", taken, 100*s.sd, s.points)
	case s.measured > 0:
		return fmt.Sprintf("delivery is taken as %s, ± %.0f %%: assumed, since only %d of this site's measured points deliver as planned", taken, 100*s.sd, s.measured)
	default:
		return fmt.Sprintf("delivery is taken as %s, ± %.0f %%: assumed, since no measured point of this site says it", taken, 100*s.sd)
	}
}
