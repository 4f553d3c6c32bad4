package score

import (
	"context"
	"math"
	"math/rand/v2"
	"slices"

	"dwindle/forecast/internal/parallel"
)

// The limits of the prognostic measures, as in Saxena, Celaya, Balaban, Goebel,
// Saha, Saha and Schwabacher, Metrics for evaluating performance of prognostic
// techniques, 2008 (from memory).
const (
	followAlpha  = 0.2 // tolerance, as share of the life or of what is left
	followLambda = 0.5 // the moment, as share of the life
	followBeta   = 0.5 // chance that must lie within the tolerance
	followEvery  = 7   // days from one forecast to the next
)

// Path is one virtual reservoir that was followed from its origin to its end,
// forecast again every week with what was used up so far known exactly.
type Path struct {
	Series, Origin int32
	Truth          float64 // its life, days
	Said           []Prognosis
}

// Prognosis is how one model did along a path.
type Prognosis struct {
	// Horizon is how many days before the end the forecasts become good and
	// stay so: at least half of the chance within 20 % of the life about the
	// true end. 0 where they never do.
	Horizon float64
	// Within says that at half of the life at least half of the chance lay
	// within 20 % of what was left then (alpha-lambda accuracy).
	Within bool
	// Relative is the relative accuracy at half of the life: 1 less the error
	// of P50 as a share of what was left.
	Relative float64
	None     bool // the model could say nothing
}

// follow takes a sample of cases, drawn by the options' seed, and follows them.
func follow(ctx context.Context, series []Series, cases []Outcome, o Options) ([]Path, error) {
	chosen := rand.New(rand.NewPCG(o.Seed, uint64(len(cases)))).Perm(len(cases))
	chosen = chosen[:min(o.Follow, len(chosen))]
	slices.Sort(chosen)
	paths := make([]Path, len(chosen))
	err := parallel.Do(ctx, len(chosen), o.Workers, func(i int) {
		c := &cases[chosen[i]]
		paths[i] = followOne(&series[c.Series], c, o)
	})
	return paths, err
}

func followOne(s *Series, c *Outcome, o Options) Path {
	path := Path{Series: c.Series, Origin: c.Origin, Truth: c.Truth, Said: make([]Prognosis, len(o.Forecasters))}
	half := int(followLambda * c.Truth)
	for half > 0 && !(s.Trailing(int(c.Origin)+half) > 0) {
		half--
	}
	// lost: no later forecast has been off; walking from the end backwards, the
	// horizon grows while forecasts are good.
	lost := make([]bool, len(o.Forecasters))
	for day := int(math.Ceil(c.Truth)) - 1; day >= 0; day-- {
		if day%followEvery != 0 && day != half {
			continue
		}
		origin := int(c.Origin) + day
		if day > 0 && !(s.Trailing(origin) > 0) {
			continue // nothing to forecast from; the last forecast stands
		}
		left, budget := c.Truth-float64(day), c.Budget-s.Spent(int(c.Origin), origin)
		past := knownAt(s, origin, int(c.Series), o.Horizon)
		for i, f := range o.Forecasters {
			past.Random = caseRandom(o.Seed, int(c.Series), origin)
			p := &path.Said[i]
			forecast := f.Fit(past)
			if forecast == nil {
				p.None = true
				continue
			}
			law := forecast(budget)
			if day%followEvery == 0 {
				if !mostly(law, left, followAlpha*c.Truth) {
					lost[i] = true
				}
				if !lost[i] {
					p.Horizon = left
				}
			}
			if day == half {
				p.Within = mostly(law, left, followAlpha*left)
				p.Relative = 1 - math.Abs(cap3(law.Range(), float64(o.Horizon))[1]-left)/left
			}
		}
	}
	return path
}

// mostly says that enough of a law's chance lies within a tolerance about t.
func mostly(law Law, t, tolerance float64) bool {
	within := law.Chance(t + tolerance)
	if t > tolerance {
		within -= law.Chance(t - tolerance)
	}
	return within >= followBeta
}
