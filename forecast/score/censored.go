package score

import (
	"math"
	"slices"
)

// Unfinished is a case whose end is not known: its reservoir was not used up
// when the data end, a day was not seen, or the horizon was reached. Those that
// did end are mostly the early ones, so leaving these out altogether makes
// forecasts look too late.
type Unfinished struct {
	Series, Origin int32
	Size           float32
	After          float64   // days for which it certainly lasted
	Chance         []float32 // by model, that it would be used up by then; below 0: the model could say nothing
}

// ProductLimit is the share of cases whose value lies above a limit, when of
// some only a lower bound is known (product-limit estimate; Kaplan and Meier,
// Nonparametric estimation from incomplete observations, 1958). known and
// bounds are sorted; a bound counts as above a known value that equals it.
// reached says whether known values at the limit itself are taken off.
func ProductLimit(known, bounds []float64, limit float64, reached bool) float64 {
	share := 1.0
	k := 0 // bounds that are below the value at hand
	for i := 0; i < len(known); {
		v := known[i]
		if v > limit || (v == limit && !reached) {
			break
		}
		same := i
		for same < len(known) && known[same] == v {
			same++
		}
		for k < len(bounds) && bounds[k] < v {
			k++
		}
		atRisk := float64(len(known) - i + len(bounds) - k)
		share *= 1 - float64(same-i)/atRisk
		i = same
	}
	return share
}

// unfinished fills in the shares with unfinished cases, on the scale of the
// chance that the model gave to what is known of each.
func (o Outcomes) unfinished(model int, l *Line) {
	if len(o.Unfinished) == 0 {
		return
	}
	known, bounds := make([]float64, len(o.Cases)), make([]float64, 0, len(o.Unfinished))
	for i := range o.Cases {
		c := &o.Cases[i]
		// In or out of the range is as the range says, not as rounding does.
		pit := float64(c.Said[model].PIT)
		switch r := c.Said[model].Range; {
		case below(r, c.Truth):
			known[i] = math.Min(pit, math.Nextafter(levels[0], 0))
		case above(r, c.Truth):
			known[i] = math.Max(pit, math.Nextafter(levels[2], 1))
		default:
			known[i] = math.Min(levels[2], math.Max(levels[0], pit))
		}
	}
	for i := range o.Unfinished {
		if p := o.Unfinished[i].Chance[model]; p >= 0 {
			bounds = append(bounds, float64(p))
		}
	}
	slices.Sort(known)
	slices.Sort(bounds)
	early := 1 - ProductLimit(known, bounds, levels[0], false)
	late := ProductLimit(known, bounds, levels[2], true)
	l.WithUnfinished = &Shares{Coverage80: 1 - early - late, BelowP10: early, AboveP90: late}
}
