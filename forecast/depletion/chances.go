package depletion

import "math"

// Many is a law that gives many chances at less than the cost of each.
type Many interface {
	// Chances writes the chance at each time into a slice of the same length.
	// Times must not fall.
	Chances(times []float64, b Budget, into []float64)
}

var (
	_ Many = Curve{}
	_ Many = Mixture{}
	_ Many = Calibrated{}
)

// Chances are those of [Curve.Chance], in one walk over the days.
func (c Curve) Chances(times []float64, b Budget, into []float64) {
	clear(into)
	c.addChances(times, b, 1, into)
}

// Chances are those of [Mixture.Chance].
func (m Mixture) Chances(times []float64, b Budget, into []float64) {
	clear(into)
	if !m.Stops.None() {
		law := laws.Get().(*stopped)
		defer laws.Put(law)
		usable := m.with(b, law)
		for i, t := range times {
			switch {
			case usable:
				into[i] = law.chance(t)
			case b.Mean <= 0:
				into[i] = 1
			}
		}
		return
	}
	for i, c := range m.Curves {
		if m.Weights[i] > 0 {
			c.addChances(times, b, m.Weights[i], into)
		}
	}
	for i, p := range into {
		into[i] = math.Min(1, p)
		if b.Mean <= 0 {
			into[i] = 1
		}
	}
}

// Chances are those of [Calibrated.Chance].
func (c Calibrated) Chances(times []float64, b Budget, into []float64) {
	if c.Share > 0 {
		a := c.averaged(b)
		for i, t := range times {
			into[i] = a.chance(t)
		}
	} else {
		c.Mixture.Chances(times, b, into)
	}
	k, ok := c.knots(b)
	if !ok {
		return
	}
	for i, p := range into {
		into[i] = k.chance(p)
	}
}

// addChances adds the weighted chances.
func (c Curve) addChances(times []float64, b Budget, weight float64, into []float64) {
	if b.Mean <= 0 {
		for i := range into {
			into[i] += weight
		}
		return
	}
	if !b.usable() || len(c.Mean) == 0 {
		return
	}
	// The running maximum up to the last knot passed, as in Chance.
	best, day := math.Inf(-1), -1
	end := float64(c.Days())
	last, chance := math.NaN(), 0.0
	for i, t := range times {
		if math.IsNaN(t) || t < 0 {
			continue
		}
		t = math.Min(t, end)
		whole := int(t)
		for day < whole {
			day++
			if s := score(c.Mean[day], c.Var[day], b); s > best {
				best = s
			}
		}
		at := best
		if f := t - float64(whole); f > 0 {
			m := c.Mean[whole] + f*(c.Mean[whole+1]-c.Mean[whole])
			v := c.Var[whole] + f*(c.Var[whole+1]-c.Var[whole])
			at = math.Max(at, score(m, v, b))
		}
		if at != last {
			last, chance = at, TCDF(at, c.DF)
		}
		into[i] += weight * chance
	}
}
