package reservoir

import "math"

// Params describe a fill and its device.
type Params struct {
	Capacity float64 // cm3 put in
	FillSD   float64 // cm3, scatter of a new fill
	// Scatter is the variance of the delivered volume per commanded cm3: dose
	// volume x squared coefficient of variation, cm3.
	Scatter float64
	// FactorSD is how unsure the delivery factor is before any evidence.
	FactorSD float64
}

// factorWander is the variance that the factor gains per commanded share of the
// capacity: 1 % per 10 % of a reservoir, a proposal.
const factorWander = 0.01 * 0.01 / 0.1

// reopened is the factor's sd after a confirmed change: anything from blocked
// to double is possible.
const reopened = 0.5

// Step is one stretch of a fill, in time order, ended by at most one measured
// level.
type Step struct {
	Commanded float64 // cm3
	// Unknown is the variance of Commanded (cm3^2) where duty was not seen.
	Unknown float64

	HasLevel    bool
	Level       float64 // cm3
	Scale       float64 // resolution, cm3
	Noise       float64 // sd beside the resolution, cm3
	HasDose     bool
	Dose        float64 // cm3 measured to have gone out in the stretch
	DoseSD      float64
	DoseCommand float64 // cm3 commanded while the dose was known
}

// Track is what a fill's history says.
type Track struct {
	Estimate Estimate
	// Commanded is the volume commanded since the fill began, cm3.
	Commanded float64
	// Readings are the measured levels that were believed, each with the index
	// of its step.
	Readings []Reading
	Steps    []int
	// Gated counts levels that did not fit and were passed over.
	Gated int
	// Low and High say that delivery has left the command, confirmed; Since is
	// the index into Readings at which it began.
	Low, High bool
	Since     int
	// NIS is the mean squared standardised innovation, near 1 when the model
	// fits; 0 without measured levels.
	NIS float64
}

// Follow runs through a fill. A reference filter with the factor fixed at 1
// feeds the chart; the adaptive filter whose estimate is given is opened at the
// onset of a confirmed change, because it would lag behind otherwise.
func Follow(p Params, steps []Step) Track {
	t := reference(p, steps)
	at := -1
	if t.Low || t.High {
		at = t.Steps[t.Since]
	}
	e := Begin(p.Capacity, p.FillSD, 1, p.FactorSD)
	g := gate{}
	for i, s := range steps {
		if i == at+1 && at >= 0 {
			e.VarF += reopened * reopened
		}
		advance(&e, p, s)
		if !s.HasLevel {
			continue
		}
		if coarse(p, s) {
			if !e.UpdateWithin(s.Level-s.Scale/2, s.Level+s.Scale/2, s.Noise*s.Noise) {
				r := s.Scale*s.Scale/12 + s.Noise*s.Noise
				if g.open(s.Level-e.Remaining, e.VarR+r) {
					e.VarR += sq(s.Level - e.Remaining)
					e.Update(s.Level, r)
				}
			} else {
				g = gate{}
			}
			continue
		}
		r := s.Scale*s.Scale/12 + s.Noise*s.Noise
		v := s.Level - e.Remaining
		if v*v > 9*(e.VarR+r) {
			if !g.open(v, e.VarR+r) {
				continue
			}
			e.VarR += v * v
		} else {
			g = gate{}
		}
		e.Update(s.Level, r)
	}
	t.Estimate = e
	return t
}

// advance predicts over a step and takes in its measured dose.
func advance(e *Estimate, p Params, s Step) {
	wander := 0.0
	if p.Capacity > 0 {
		wander = factorWander * s.Commanded / p.Capacity
	}
	if !s.HasDose || s.DoseCommand <= 0 {
		e.Predict(s.Commanded, p.Scatter*s.Commanded+s.Unknown, wander)
		return
	}
	// The dose replaces the command where it is known; the rest is predicted.
	e.UpdateFactor(s.Dose, s.DoseCommand, s.DoseSD*s.DoseSD+p.Scatter*s.DoseCommand)
	e.Remaining -= s.Dose
	e.VarR += s.DoseSD * s.DoseSD
	e.VarF += wander
	if rest := s.Commanded - s.DoseCommand; rest > 0 {
		e.Predict(rest, p.Scatter*rest+s.Unknown, 0)
	}
}

// reference charts the innovations of a filter that believes the command, and
// collects the readings that fit.
func reference(p Params, steps []Step) Track {
	var t Track
	e := Begin(p.Capacity, p.FillSD, 1, 0)
	var chart Chart
	var sum2 float64
	var n int
	var moved float64        // commanded since the last level: a stopped device freezes the chart
	var noise, scale float64 // the widest seen
	g := gate{}
	rough := false
	for i, s := range steps {
		// A healthy device is some percent off its command; without that slack
		// the chart would take it for a fault. 4 % is common practice for pumps.
		slack := 0.04 * s.Commanded
		e.Predict(s.Commanded, p.Scatter*s.Commanded+s.Unknown+slack*slack, 0)
		t.Commanded += s.Commanded
		moved += s.Commanded
		if !s.HasLevel {
			continue
		}
		noise, scale = math.Max(noise, s.Noise), math.Max(scale, s.Scale)
		rough = rough || coarse(p, s)
		r := s.Scale*s.Scale/12 + s.Noise*s.Noise
		v, variance := s.Level-e.Remaining, e.VarR+r
		if variance <= 0 {
			continue
		}
		z := v / math.Sqrt(variance)
		if moved > 0 {
			if z*z > 16 && !g.open(v, variance) {
				t.Gated++
				continue
			}
			if z*z <= 16 {
				g = gate{}
			}
		}
		t.Readings = append(t.Readings, Reading{Commanded: t.Commanded, Level: s.Level})
		t.Steps = append(t.Steps, i)
		if moved > 0 {
			chart.Add(len(t.Readings)-1, z)
			sum2 += math.Min(z*z, chartClip*chartClip)
			n++
		}
		moved = 0
		e.Update(s.Level, r)
	}
	if n > 0 {
		t.NIS = sum2 / float64(n)
	}
	if rough {
		t.Since, t.Low, t.High = envelope(t.Readings, scale, noise, p.Scatter)
		return t
	}
	if since, ok := chart.Low(); ok {
		t.Low, t.Since = true, since
	} else if since, ok := chart.High(); ok {
		t.High, t.Since = true, since
	}
	return t
}

// coarse says that a level's steps are much wider than its noise, so that it
// says within which bounds the level lies rather than where.
func coarse(p Params, s Step) bool {
	return s.Scale > 3*s.Noise && s.Scale >= 0.04*p.Capacity
}

// envelope looks for a change on a coarse scale: level plus commanded volume is
// constant while the command is obeyed, within one step and the noise. It
// compares the last two readings with all earlier ones.
func envelope(readings []Reading, scale, noise, scatter float64) (since int, low, high bool) {
	n := len(readings)
	if n < 3 {
		return 0, false, false
	}
	find := func(last int, sign float64) (int, bool) {
		end := readings[last].Level + readings[last].Commanded
		best, at := 0.0, -1
		for i := range last {
			c := readings[last].Commanded - readings[i].Commanded
			excess := sign*(end-readings[i].Level-readings[i].Commanded) - scale - 7*noise - 4*math.Sqrt(scatter*c)
			if excess > best {
				best, at = excess, i
			}
		}
		return at, at >= 0
	}
	for _, sign := range []float64{1, -1} {
		at, ok := find(n-1, sign)
		if _, before := find(n-2, sign); ok && before {
			return at, sign > 0, sign < 0
		}
	}
	return 0, false, false
}

// gate counts successive levels that do not fit, by sign: three alike in a row
// are not outliers but the truth.
type gate struct{ run int }

func (g *gate) open(v, variance float64) bool {
	switch {
	case v > 0 && g.run >= 0:
		g.run++
	case v < 0 && g.run <= 0:
		g.run--
	default:
		g.run = 0
		return false
	}
	return g.run >= 3 || g.run <= -3
}

func sq(x float64) float64 { return x * x }
