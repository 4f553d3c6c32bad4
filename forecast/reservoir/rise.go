package reservoir

import "math"

// A reservoir that was changed without a record shows by its level: it cannot
// rise by itself.
const (
	// riseOdds is the least odds, of each of two levels in a row, for another
	// fill against the one that is followed.
	riseOdds = 20
	// riseBefore is the chance that a reservoir was changed unrecorded before a
	// level: one in a hundred, about once in the life of a fill with a level a
	// day, a proposal.
	riseBefore = 0.01
	// risePart is the share of those after which the reservoir holds anything
	// from what it held to full, rather than a new fill; a proposal.
	risePart = 0.1
	// riseLeast is the least rise, as a share of the reservoir: nobody changes
	// one that is nine tenths full. A proposal.
	riseLeast = 0.1
	// riseSteps is the least rise in steps of the scale.
	riseSteps = 1.5
)

// Rise is a fill that nobody recorded.
type Rise struct {
	// Step is the index of the step whose level showed it first.
	Step int
	// Level is what was in the reservoir then, cm3, with its standard deviation.
	Level, LevelSD float64
	// Full says that it agrees with a full reservoir.
	Full bool
	// Residual is what was left before, cm3, Commanded and Delivered what the
	// fill or stretch before it was told and gave, and Factor their ratio, 0
	// where nothing was told.
	Residual, Commanded, Delivered, Factor float64
}

// rose says that a level speaks for another fill with odds above riseOdds: by
// the densities of the level under this fill, going on or standing still since
// the last believed level, and under a new fill or a partly filled reservoir
// (Bayes' rule).
func (c *Course) rose(p Params, s Step) bool {
	size := p.size()
	// The reading before counts as well as the belief: one step up on a coarse
	// scale is noise at the edge of a step.
	before := math.Max(c.Remaining, math.Max(c.Last, c.Seen))
	if size <= 0 || c.Levels == 0 || s.Level-before < math.Max(riseLeast*size, riseSteps*s.Scale) {
		return false
	}
	full, part := c.fills(p, s)
	return math.Max(full, part)-c.goesOn(s) > math.Log(riseOdds)
}

// goesOn is the logarithm of the density of a level under this fill. What stands
// still is no rise, however far the level is above the command.
func (c *Course) goesOn(s Step) float64 {
	r := s.noise()
	return math.Max(logNormal(s.Level-c.Remaining, c.VarR+r), logNormal(s.Level-c.Last, c.LastVar+r))
}

// confirms says that a level fits the other fill, within three standard
// deviations, and speaks for it with odds above riseOdds as well.
func (c *Checkpoint) confirms(s Step) bool {
	v := s.Level - c.New.Remaining
	return v*v <= 9*(c.New.VarR+s.noise()) && logNormal(s.Level-c.New.Remaining, c.New.VarR+s.noise())-c.goesOn(s) > math.Log(riseOdds)
}

// fills gives the logarithms of prior chance x density of a level under a full
// reservoir and under a partly filled one.
func (c *Course) fills(p Params, s Step) (full, part float64) {
	mean, variance := p.fresh(c.Moved * c.Factor)
	full = math.Log(riseBefore*(1-risePart)) + logNormal(s.Level-mean, variance+s.noise())
	return full, math.Log(riseBefore * risePart / p.size())
}

// fresh is what a full reservoir holds at a level if it was changed at any time
// since the last one, used cm3 earlier.
func (p Params) fresh(used float64) (mean, variance float64) {
	return p.size() - used/2, p.sizeSD()*p.sizeSD() + used*used/12
}

// another is the course of a fill that begins with a level. The pump and the
// line stay, so that what was known of them goes on, a little less surely.
func (c *Course) another(p Params, s Step) (fresh Course, isFull bool) {
	e := Estimate{Factor: c.Factor, VarF: c.VarF + changeWander*changeWander}
	full, part := c.fills(p, s)
	if full > part {
		e.Remaining, e.VarR = p.fresh(c.Moved * c.Factor)
		e.level(p, s)
	} else {
		e.Remaining, e.VarR = s.Level, s.noise()
	}
	return Course{Estimate: e, Last: e.Remaining, LastVar: e.VarR, Seen: s.Level, Levels: 1}, full > part
}

// logNormal is the logarithm of a normal density at a distance from its mean.
func logNormal(x, variance float64) float64 {
	if variance <= 0 {
		return math.Inf(-1)
	}
	return -0.5 * (math.Log(2*math.Pi*variance) + x*x/variance)
}
