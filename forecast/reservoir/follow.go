package reservoir

import "math"

// Params describe a fill and its device.
type Params struct {
	Capacity float64 // cm3 put in
	FillSD   float64 // cm3, scatter of a new fill
	// Size is what a full reservoir holds, cm3, and SizeSD its scatter; those of
	// the fill where they are zero. A fill may begin with less.
	Size, SizeSD float64
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
	// PerYear is how many levels come a year, 365 where it is zero: the budget
	// of false verdicts is one per year, so that rarer levels may each say more.
	PerYear float64
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

func (p Params) perYear() float64 {
	if p.PerYear > 0 {
		return p.PerYear
	}
	return 365
}

func (p Params) size() float64 {
	if p.Size > 0 {
		return p.Size
	}
	return p.Capacity
}

func (p Params) sizeSD() float64 {
	if p.SizeSD > 0 {
		return p.SizeSD
	}
	return p.FillSD
}

// factor is what is believed of a pump that nothing is known of.
func (p Params) factor() float64 {
	if p.Factor > 0 {
		return p.Factor
	}
	return 1
}

// begin is what is believed of a fill before its first step.
func (p Params) begin() Estimate {
	factor, sd := p.factor(), p.FactorSD
	if c := p.Carried; c != nil {
		factor, sd = c.Factor, math.Sqrt(c.SD*c.SD+changeWander*changeWander)
	}
	e := Begin(p.Capacity, p.FillSD, factor, sd)
	if p.Capacity <= 0 {
		e.VarR = unknownStart
	}
	return e
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
	// Swapped says that another dispenser is at the point from the step's
	// beginning on, with the reservoir as it was.
	Swapped bool

	HasLevel    bool
	Level       float64 // cm3
	Scale       float64 // resolution, cm3
	Noise       float64 // sd beside the resolution, cm3
	HasDose     bool
	Dose        float64 // cm3 measured to have gone out in the stretch
	DoseSD      float64
	DoseCommand float64 // cm3 commanded while the dose was known
}

// noise is the variance of the step's level.
func (s Step) noise() float64 { return s.Scale*s.Scale/12 + s.Noise*s.Noise }

// Track is what a fill's history says. Where the dispenser was swapped or the
// reservoir changed without a record, readings and verdict are those of the
// stretch since then.
type Track struct {
	Estimate Estimate
	// Commanded is the volume commanded since the fill began, cm3.
	Commanded float64
	// Fill describes what the stretch began with: the fill, or what was left at
	// the swap or was there after the unrecorded change.
	Fill Params
	// Began is the index of the stretch's first step.
	Began int
	// Readings are the measured levels that were believed, Commanded since the
	// stretch began, each with the index of its step.
	Readings []Reading
	Steps    []int
	// Gated counts levels that did not fit and were passed over.
	Gated int
	// Reopened are the jumps that were believed: three levels in a row did not
	// fit, all too high or all too low.
	Reopened []Jump
	// Rises are the fills that nobody recorded, in order.
	Rises []Rise
	// Low and High say that delivery has left the command, confirmed; Since is
	// the index into Readings after which it did, -1 for the stretch's start,
	// and Ratio what has gone out since.
	Low, High bool
	Since     int
	Ratio     Ratio
	// Resumed is the reading after which delivery was back after an earlier
	// change, -1 if never.
	Resumed int
	// Kept says that the verdict of the fill before stands: nothing in this one
	// has shown otherwise yet. Ratio is that of both.
	Kept bool

	loud  float64 // see loudness
	past  []past
	start Estimate
	sc    scale
	// NIS is the mean squared standardised innovation, near 1 when the model
	// fits; 0 without measured levels.
	NIS float64
	// Checkpoint is the filter after the last step, without hindsight.
	Checkpoint Checkpoint
}

// Jump is the beginning of levels that did not fit and are believed.
type Jump struct {
	Step  int     // index of the first one's step
	Shift float64 // how far above what was expected they are, cm3
}

// Follow runs through a fill. It looks for the moments at which delivery left
// the command, and came back (see watch); the filter whose estimate is given is opened at each such
// moment, because it would lag behind otherwise. At a swap, and where the level
// shows a change of the reservoir that nobody recorded, it begins anew with what
// was left or is there.
func Follow(p Params, steps []Step) Track {
	c := Start(p)
	var out Track
	whole, base, swapped := p, 0, false
	for {
		r := &run{p: p, steps: steps[base:], start: c.Estimate, swapped: swapped}
		cut, next := r.first(&c)
		r.steps = r.steps[:cut]
		t := r.judged()
		t.Rises, t.Reopened, t.Fill, t.Began = out.Rises, out.Reopened, p, base
		for _, j := range r.jumps {
			t.Reopened = append(t.Reopened, Jump{base + j.Step, j.Shift})
		}
		for i := range t.Steps {
			t.Steps[i] += base
		}
		if base+cut == len(steps) && next == nil {
			t.Commanded, t.Gated, t.Checkpoint = c.Commanded, int(c.Gated), c
			if c.N > 0 {
				t.NIS = c.Squares / float64(c.N)
			}
			return t
		}
		base += cut
		p.Size, p.SizeSD = whole.size(), whole.sizeSD()
		p.Carried = nil
		if swapped = next == nil; !swapped {
			p.Carried = Carry(t, Judge(t, 0))
			t.Rises = append(t.Rises, r.closed(t, base-1, next))
			c = *next
			c.renew()
		} else {
			c.swap(p)
		}
		p.Capacity, p.FillSD = c.Remaining, math.Sqrt(math.Max(0, c.VarR))
		out = t
	}
}

// advance predicts over a step and takes in its measured dose.
func advance(e *Estimate, p Params, s Step) {
	wander := 0.0
	if size := p.size(); size > 0 {
		wander = factorWander * s.Commanded / size
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
	return s.Scale > 3*s.Noise && s.Scale >= 0.04*p.size()
}
