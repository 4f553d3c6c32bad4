package reservoir

// Params describe a fill and its device.
type Params struct {
	Capacity float64 // cm3 put in
	FillSD   float64 // cm3, scatter of a new fill
	// Scatter is the variance of the delivered volume per commanded cm3: dose
	// volume x squared coefficient of variation, cm3.
	Scatter float64
	// Factor is what is believed of the delivery factor before any evidence, 1
	// where it is zero.
	Factor float64
	// FactorSD is how unsure the delivery factor is before any evidence.
	FactorSD float64
	// Limits are those of verdicts; 0.85, 1.15 and 0.30 where they are zero.
	Limits Limits
	// Carried is what the fill before says about the same pump and line, nil
	// where there is none.
	Carried *Carried
}

func (p Params) limits() Limits {
	l := p.Limits
	if l.Under <= 0 {
		l.Under = 0.85
	}
	if l.Over <= 0 {
		l.Over = 1.15
	}
	if l.NotDispensing <= 0 {
		l.NotDispensing = 0.30
	}
	return l
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
	// the index into Readings after which it did, -1 for the fill's start, and
	// Ratio what has gone out since.
	Low, High bool
	Since     int
	Ratio     Ratio
	// Resumed is the reading after which delivery was back after an earlier
	// change, -1 if never.
	Resumed int
	// Kept says that the verdict of the fill before stands: nothing in this one
	// has shown otherwise yet. Ratio is that of both.
	Kept bool

	past  []past
	start Estimate
	sc    scale
	// NIS is the mean squared standardised innovation, near 1 when the model
	// fits; 0 without measured levels.
	NIS float64
}

// Follow runs through a fill. It looks for the moment at which delivery left
// the command, and came back, by stretches that begin with what was believed
// then (see onset); the filter whose estimate is given is opened at each such
// moment, because it would lag behind otherwise.
func Follow(p Params, steps []Step) Track {
	lim := p.limits()
	r := newRun(p, steps)
	t := Track{Since: -1, Resumed: -1}
	r.filter(nil)
	t.Commanded, t.Readings, t.Steps, t.Gated, t.NIS = r.commanded, r.readings(), r.at, r.gated, r.nis
	n := len(r.past)
	var opened []int
	first := -1
	bad := p.Carried.bad()
	if bad {
		// Opened, so that a change that put things right shows at once.
		trial := *r
		trial.filter([]int{-1})
		if at, ok := trial.back(-1, p.Carried.Ratio.Value, p.Carried.Low()); ok {
			bad, opened, first = false, []int{-1}, at
			if at >= 0 {
				opened = append(opened, at)
			}
			t.Resumed = at
			r.filter(opened)
		}
	}
	// Nothing changes more often in one fill than what people do about it.
	for range 4 {
		c, sign, ok := r.left(first, lim)
		if !ok {
			break
		}
		t.Since, t.Ratio, t.Low, t.High, bad = c.at, c.ratio, sign > 0, sign < 0, false
		opened = append(opened, c.at)
		r.filter(opened)
		at, back := r.back(c.at+1, c.ratio.Value, t.Low)
		if !back {
			break
		}
		t.Low, t.High, t.Resumed, first = false, false, at, at
		opened = append(opened, at)
		r.filter(opened)
	}
	if bad {
		t.Kept = true
		t.Ratio = p.Carried.with(r.whole(n - 1))
	}
	t.Estimate, t.past, t.start, t.sc = r.state, r.past, r.start, r.sc
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

// coarse says that a level's steps are much wider than its noise, so that it
// says within which bounds the level lies rather than where.
func coarse(p Params, s Step) bool {
	return s.Scale > 3*s.Noise && s.Scale >= 0.04*p.Capacity
}

// gate counts successive levels that do not fit, by sign: three alike in a row
// are not outliers but the truth.
type gate struct{ run int }

func (g *gate) open(v float64) bool {
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
