package score

import (
	"math"

	"dwindle/config"
	"dwindle/forecast/depletion"
)

// dayTypes is the static day-type model: the profile with a constant level
// whose uncertainty is that of a weighted mean, and Student's t. It is the
// best there is while nothing changes.
type dayTypes struct{}

func (dayTypes) Name() string { return "daytypes" }

func (dayTypes) Fit(p Past) func(float64) Law {
	f := newProfile(p.Days)
	information, age := 0.0, 1.0
	for i := len(p.Days) - 1; i >= 0; i-- {
		if d := p.Days[i]; trains(d) {
			information += age * f.shape[d.Type] * f.shape[d.Type] / f.g[d.Type]
		}
		age *= profileDiscount
	}
	df := math.Max(3, f.n-9)
	return lasting(f.steady(p.Ahead, information, f.s2*f.n/df, df))
}

// steady is cumulative duty over the days ahead at a level that stays, known
// from so much information (in whole days of shape and variance 1).
func (f *profile) steady(ahead []config.DayType, information, s2, df float64) depletion.Curve {
	c := depletion.Curve{Mean: make([]float64, len(ahead)+1), Var: make([]float64, len(ahead)+1), DF: df}
	var u uncertainty
	sum := 0.0
	for i, t := range ahead {
		sum += u.add(f, t)
		c.Mean[i+1] = f.mean * sum
		c.Var[i+1] = math.Max(c.Var[i], s2*(sum*sum/information+u.days+u.profile(f)))
	}
	return c
}
