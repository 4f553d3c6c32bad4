// Package drift tells from a series of standardised innovations when what they
// come from has left its baseline, up or down: cumulative sums, their limits
// from one budget of false alarms, and what is common to many points.
//
// It is pure and imports nothing of ours. A z is an innovation over its standard
// deviation, v / sqrt(S), of a filter whose parameter in question is held at its
// baseline: with mean 0 and variance 1 while nothing has changed. (A filter that
// follows the parameter would absorb the drift, and hide it.) Start with [Limits]
// and [Monitor].
package drift

import "math"

// winsor bounds one z: heavy tails must not decide alone. Under a t
// distribution with five degrees of freedom the mean time between false alarms
// falls to a fifth without it.
const winsor = 4.0

// Clip draws a z in to ± 4; what is no number is 0.
func Clip(z float64) float64 {
	if math.IsNaN(z) {
		return 0
	}
	return min(max(z, -winsor), winsor)
}

// Sum is a one-sided cumulative sum, C = max(0, C + z - k) (E. S. Page,
// Continuous inspection schemes, 1954). The zero value is one that begins.
type Sum struct {
	C float64
	// N is the number of samples since the sum was last 0: the change began
	// before the first of them.
	N int
	// before is the sum without the newest sample.
	before float64
}

// Add takes in a sample.
func (s *Sum) Add(z, k float64) {
	s.before = s.C
	s.C = math.Max(0, s.C+z-k)
	if s.C == 0 {
		s.N = 0
		return
	}
	s.N++
}

// Size is the estimate of the shift since the sum was last 0, in standard
// deviations (D. C. Montgomery, Introduction to Statistical Quality Control,
// chapter on cumulative sums).
func (s Sum) Size(k float64) float64 {
	if s.N == 0 {
		return 0
	}
	return k + s.C/float64(s.N)
}

// Confirmed says that the sum is beyond the limit and that more than its newest
// sample speaks for it: without that one it was beyond half of the limit.
func (s Sum) Confirmed(h float64) bool { return s.C > h && s.before > h/2 }

// Pair is a chart: two one-sided sums with one reference value and one limit.
type Pair struct {
	Design
	High, Low Sum
}

// Design is the reference value and the limit of a chart, in standard
// deviations. The reference value is half of the shift that the chart finds
// soonest.
type Design struct{ K, H float64 }

// Add takes in a sample.
func (p *Pair) Add(z float64) {
	p.High.Add(z, p.K)
	p.Low.Add(-z, p.K)
}

// Reset begins anew, as after a change or maintenance, with a head start of the
// given share of the limit: 0 for none, 0.5 for the fast initial response (J. M.
// Lucas, R. B. Crosier, Fast initial response for CUSUM quality-control schemes,
// 1982), which finds sooner what was not put right, and costs false alarms (see
// [Budget]).
func (p *Pair) Reset(head float64) {
	p.High, p.Low = Sum{C: head * p.H}, Sum{C: head * p.H}
}

// Alarm is a confirmed departure.
type Alarm struct {
	// Sign is 1 for z above 0, -1 for below, 0 for no alarm.
	Sign int
	// Since is the number of samples since the sum was last 0.
	Since int
	// Size is the shift in standard deviations.
	Size float64
	// Over is the sum over its limit.
	Over float64
}

// Alarm is the chart's present state.
func (p *Pair) Alarm() Alarm {
	var a Alarm
	if p.High.Confirmed(p.H) {
		a = Alarm{Sign: 1, Since: p.High.N, Size: p.High.Size(p.K), Over: p.High.C / p.H}
	}
	if p.Low.Confirmed(p.H) && p.Low.C/p.H > a.Over {
		a = Alarm{Sign: -1, Since: p.Low.N, Size: -p.Low.Size(p.K), Over: p.Low.C / p.H}
	}
	return a
}

// Monitor is a set of charts over one series, as a rule a fast and a slow one.
type Monitor struct{ Charts []Pair }

// Watch makes a monitor of designs (see [Budget.Limits]).
func Watch(designs []Design) Monitor {
	m := Monitor{Charts: make([]Pair, len(designs))}
	for i, d := range designs {
		m.Charts[i].Design = d
	}
	return m
}

// Add takes in a sample that rests on a commanded volume. Where nothing was
// commanded it says nothing about delivery, and the charts stand still.
func (m *Monitor) Add(z, commanded float64) {
	if commanded <= 0 {
		return
	}
	z = Clip(z)
	for i := range m.Charts {
		m.Charts[i].Add(z)
	}
}

// Reset begins all charts anew.
func (m *Monitor) Reset(head float64) {
	for i := range m.Charts {
		m.Charts[i].Reset(head)
	}
}

// Alarm is that of the chart that is furthest beyond its limit.
func (m *Monitor) Alarm() Alarm {
	var best Alarm
	for i := range m.Charts {
		if a := m.Charts[i].Alarm(); a.Over > best.Over {
			best = a
		}
	}
	return best
}
