package reservoir

import "math"

// changeWander is the sd that a change of the reservoir adds to the factor of
// the same pump and line, a proposal.
const changeWander = 0.05

// Carried is what a fill leaves to the next one at the same point with the same
// dispenser: a new reservoir does not mend a pump or a line.
type Carried struct {
	Factor, SD float64 // delivered / commanded at the fill's end
	// At most one of these is true: the verdict at the fill's end.
	Under, Over, NotDispensing bool
	// Ratio is what the verdict rests on.
	Ratio Ratio
	// Loud is how many times its declared variance the sensor's noise came to,
	// 1 at least; 0 for not known.
	Loud float64
}

// Carry makes what a fill leaves to the next of a fill's end.
func Carry(t Track, j Judgement) *Carried {
	return &Carried{
		Factor: min(max(t.Estimate.Factor, 0), 2), SD: math.Sqrt(max(0, t.Estimate.VarF)),
		Under: j.Under, Over: j.Over, NotDispensing: j.NotDispensing, Ratio: j.Ratio, Loud: t.loud,
	}
}

func (c *Carried) bad() bool { return c != nil && (c.Under || c.Over || c.NotDispensing) }

// Low says that too little went out.
func (c *Carried) Low() bool { return c != nil && (c.Under || c.NotDispensing) }

// with weighs the old fill's ratio with the new one's, as far as there is one.
func (c *Carried) with(fresh Ratio, ok bool) Ratio {
	old := c.Ratio
	old.SE = math.Sqrt(old.SE*old.SE + changeWander*changeWander)
	if !ok || fresh.SE <= 0 {
		return old
	}
	a, b := 1/(old.SE*old.SE), 1/(fresh.SE*fresh.SE)
	return Ratio{
		Value: (a*old.Value + b*fresh.Value) / (a + b), SE: math.Sqrt(1 / (a + b)),
		Commanded: fresh.Commanded, Readings: fresh.Readings,
	}
}
