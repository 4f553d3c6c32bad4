package reservoir

import "math"

// Course is one line of belief about a fill, step by step.
type Course struct {
	Estimate
	// Last and LastVar are what was left at the last believed level, cm3, and
	// its variance.
	Last, LastVar float64
	// Seen is the newest level that is not doubted, believed or not, cm3.
	Seen float64
	// Moved is what was commanded since then, cm3.
	Moved float64
	// Levels counts the believed levels.
	Levels int32
	// Off is how far the newest level that did not fit was off, cm3, and Run
	// counts those in a row that are alike.
	Off float64
	Run int32
}

// Checkpoint is all that the filter knows after a step: of fixed size, so that
// it can be stored and a fill that got late data be run again from the last one
// before them. Going on from a checkpoint gives what a run from the fill's
// start gives, to the bit.
//
// The search for the moment at which delivery changed (see [Follow]) needs the
// readings themselves; a checkpoint is the filter without its hindsight.
type Checkpoint struct {
	Course
	// New is what is believed if the newest level, which stands far above the
	// course, is the first of another fill; Doubt says that it may be.
	New   Course
	Doubt bool
	// NewFull says that New agrees with a full reservoir.
	NewFull bool
	// Commanded is the volume since the fill began, cm3, and Unknown the
	// variance of it.
	Commanded, Unknown float64
	// Gated, Reopened and Rises count levels passed over, courses taken up anew
	// after three alike, and unrecorded fills.
	Gated, Reopened, Rises int32
	// Squares is the sum of squared standardised innovations, N their number.
	Squares float64
	N       int32
}

// Start is the checkpoint at which a fill begins.
func Start(p Params) Checkpoint {
	e := p.begin()
	return Checkpoint{Course: Course{Estimate: e, Last: e.Remaining, LastVar: e.VarR, Seen: e.Remaining}}
}

// Outcome says what became of a step's level.
type Outcome uint8

// The outcomes.
const (
	NoLevel  Outcome = iota
	Believed         // taken in
	Passed           // did not fit, and was passed over
	Reopened         // does not fit for the third time alike, and is believed now with the ones before
	Rose             // with the one before shows a fill that nobody recorded
)

const (
	// gateSquare is the squared standardised innovation above which a level does
	// not fit: four standard deviations. Three, which is usual, finds faults 1 to
	// 4 days later on the plants of the tests, and blames as seldom.
	gateSquare = 16
	// gateRun levels in a row that do not fit, and are alike, are not outliers but
	// the truth.
	gateRun = 3
)

// Add goes on over one step and says what became of its level.
func (c *Checkpoint) Add(p Params, s Step) Outcome {
	if s.Swapped {
		c.swap(p)
	}
	c.advance(p, s)
	if c.Doubt {
		c.New.advance(p, s)
	}
	c.Commanded, c.Unknown = c.Commanded+s.Commanded, c.Unknown+s.Unknown
	if !s.HasLevel {
		return NoLevel
	}
	if c.Doubt && c.confirms(s) && !c.New.rose(p, s) {
		c.renew()
		c.believe(p, s)
		return Rose
	}
	rose := c.rose(p, s)
	c.settle()
	if rose {
		c.Doubt = true
		c.New, c.NewFull = c.another(p, s)
	} else {
		c.Seen = s.Level
	}
	if !rose && c.fits(s) {
		c.Run = 0
		c.believe(p, s)
		return Believed
	}
	v := s.Level - c.Remaining
	if !c.again(v) {
		c.Gated++
		return Passed
	}
	c.Gated -= gateRun - 1 // those before were no outliers
	c.Run = 0
	c.Reopened++
	c.settle()
	c.square(gateSquare)
	c.VarR += v * v
	c.take(p, s)
	return Reopened
}

// settle drops the doubt.
func (c *Checkpoint) settle() { c.New, c.Doubt, c.NewFull = Course{}, false, false }

// renew goes on with the other fill.
func (c *Checkpoint) renew() {
	c.Course = c.New
	c.settle()
	c.Rises++
	c.Gated-- // the level that it began with was no outlier
}

// again counts a level that does not fit, and says that there are enough alike:
// off to the same side, and by no more than half of it unlike the one before, so
// that a wild level does not speak for a fault that has just begun.
func (c *Course) again(v float64) bool {
	if c.Run == 0 || v*c.Off <= 0 || math.Abs(v-c.Off) > 0.5*math.Max(math.Abs(v), math.Abs(c.Off)) {
		c.Run = 0
	}
	c.Run, c.Off = c.Run+1, v
	return c.Run >= gateRun
}

func (c *Checkpoint) square(z2 float64) { c.Squares, c.N = c.Squares+z2, c.N+1 }

// believe takes in a level that fits, and counts how well where something was
// commanded.
func (c *Checkpoint) believe(p Params, s Step) {
	if v, variance := s.Level-c.Remaining, c.VarR+s.noise(); c.Moved > 0 && variance > 0 {
		c.square(v * v / variance)
	}
	c.take(p, s)
}

// advance predicts over a step and takes in its measured dose.
func (c *Course) advance(p Params, s Step) {
	advance(&c.Estimate, p, s)
	c.Moved += s.Commanded
}

// take takes in a level that is believed.
func (c *Course) take(p Params, s Step) {
	c.level(p, s)
	c.Last, c.LastVar, c.Seen, c.Moved = c.Remaining, c.VarR, s.Level, 0
	c.Levels++
}

// fits says that a level is within the gate.
func (c *Course) fits(s Step) bool {
	v := s.Level - c.Remaining
	return v*v <= gateSquare*(c.VarR+s.noise())
}

// level takes in a step's level: as bounds where the scale is coarse.
func (e *Estimate) level(p Params, s Step) {
	v := s.Level - e.Remaining
	if !coarse(p, s) {
		e.Update(s.Level, s.noise())
		return
	}
	if !e.UpdateWithin(s.Level-s.Scale/2, s.Level+s.Scale/2, s.Noise*s.Noise) {
		e.VarR += v * v
		e.Update(s.Level, s.noise())
	}
}

// swap forgets the pump: another one empties the same reservoir.
func (c *Checkpoint) swap(p Params) {
	c.Factor, c.VarF, c.Cov = p.factor(), p.FactorSD*p.FactorSD, 0
	c.Run = 0
	c.settle()
}
