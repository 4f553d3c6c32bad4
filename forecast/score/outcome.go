package score

import "math"

// Outcome is one case that came to its end: one virtual reservoir from one
// origin, what really happened, and what every model said about it. All figures
// of a set are pure functions of its outcomes.
type Outcome struct {
	Series int32   // index in the set
	Origin int32   // days of history
	Size   float32 // what sized the budget: tau, or the span in days
	Budget float64 // duty
	Truth  float64 // days from the origin
	Said   []Said  // one per model, in the order of the models
}

// Said is what one model said about one case, judged by the truth.
type Said struct {
	Range Range // days, cut at the horizon
	// PIT is the chance that the model gave to the truth or any earlier time:
	// the probability integral transform, uniform on 0 to 1 for laws that say
	// what they know (Dawid, Statistical theory: the prequential approach,
	// 1984).
	PIT  float32
	CRPS float32 // see [CRPS], in days
	// None: the model could say nothing.
	None bool
}

// Outcomes are all cases of a set of series, by series and origin.
type Outcomes struct {
	Name    string
	Series  []string // names
	Models  []string
	Cases   []Outcome
	LeftOut int // cases whose truth is not known
}

// crpsSteps is how finely [CRPS] sums on either side of the truth.
const crpsSteps = 32

// CRPS is the continuous ranked probability score of a law when t came true,
// in days: the integral over time of the squared difference between the law's
// distribution function and the step at t, which is also twice the mean of the
// pinball losses of all quantiles (Gneiting and Raftery, Strictly proper
// scoring rules, prediction, and estimation, 2007). What a law holds beyond the
// horizon counts as at the horizon. Summed by the midpoint rule between the
// law's quantiles of 0.0005 and 0.9995.
func CRPS(law Law, t, horizon float64) float64 {
	const edge = 0.0005
	lo := math.Min(t, law.Quantile(edge))
	hi := math.Min(horizon, math.Max(t, law.Quantile(1-edge)))
	sum := 0.0
	step := (t - lo) / crpsSteps
	for i := range crpsSteps {
		p := law.Chance(lo + (float64(i)+0.5)*step)
		sum += p * p * step
	}
	step = (hi - t) / crpsSteps
	for i := range crpsSteps {
		p := 1 - law.Chance(t+(float64(i)+0.5)*step)
		sum += p * p * step
	}
	return sum
}

// judge scores a law.
func judge(law Law, truth, horizon float64) Said {
	return Said{
		Range: cap3(law.Range(), horizon),
		PIT:   float32(law.Chance(truth)),
		CRPS:  float32(CRPS(law, truth, horizon)),
	}
}

func cap3(r Range, horizon float64) Range {
	for i := range r {
		r[i] = math.Min(horizon, math.Max(0, r[i]))
	}
	return r
}

// edge forgives rounding where a forecast hits the truth exactly.
const edge = 1e-9

// Set sums up the outcomes: one line per model. A model that could not forecast
// every case (no plan everywhere) has no line: its figures would be of other
// cases.
func (o Outcomes) Set() Set {
	s := Set{Name: o.Name, Series: o.used(), Cases: len(o.Cases), LeftOut: o.LeftOut}
	for m, name := range o.Models {
		if o.complete(m) {
			l := o.line(m)
			l.Model = name
			s.Models = append(s.Models, l)
		}
	}
	return s
}

// used counts the series that gave at least one case.
func (o Outcomes) used() int {
	n, last := 0, int32(-1)
	for i := range o.Cases {
		if s := o.Cases[i].Series; s != last {
			n, last = n+1, s
		}
	}
	return n
}

// complete says whether a model forecast every case, of at least one.
func (o Outcomes) complete(model int) bool {
	for i := range o.Cases {
		if o.Cases[i].Said[model].None {
			return false
		}
	}
	return len(o.Cases) > 0
}

func (o Outcomes) line(model int) Line {
	var l Line
	var below, above int
	for i := range o.Cases {
		t, r := o.Cases[i].Truth, o.Cases[i].Said[model].Range
		l.PinballOverT += MeanPinball(r, t) / t
		l.MAEOverT += math.Abs(r[1]-t) / t
		l.BiasDays += r[1] - t
		if t < r[0]-edge {
			below++
		}
		if t > r[2]+edge {
			above++
		}
	}
	n := float64(len(o.Cases))
	l.PinballOverT /= n
	l.MAEOverT /= n
	l.BiasDays /= n
	l.Coverage80 = float64(len(o.Cases)-below-above) / n
	l.BelowP10, l.AboveP90 = float64(below)/n, float64(above)/n
	return l
}

// join puts disjoint sets with the same models into one.
func join(name string, sets []Outcomes) Outcomes {
	all := Outcomes{Name: name}
	for _, s := range sets {
		all.Models = s.Models
		from := int32(len(all.Series))
		all.Series = append(all.Series, s.Series...)
		all.LeftOut += s.LeftOut
		for _, c := range s.Cases {
			c.Series += from
			all.Cases = append(all.Cases, c)
		}
	}
	return all
}
