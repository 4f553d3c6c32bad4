package score

import "math"

// Outcome is one case that came to its end: one virtual reservoir from one
// origin, what really happened, and what every model said about it. All figures
// of a set are pure functions of its outcomes.
type Outcome struct {
	Series int32   // index in the set
	Origin int32   // days of history
	Size   float32 // what sized the budget: tau, or the span in days
	Budget float64 // duty
	Truth  float64 // days from the origin
	Said   []Said  // one per model, in the order of the models
}

// Said is what one model said about one case, judged by the truth.
type Said struct {
	Range Range // days, cut at the horizon
	// PIT is the chance that the model gave to the truth or any earlier time:
	// the probability integral transform, uniform on 0 to 1 for laws that say
	// what they know (Dawid, Statistical theory: the prequential approach,
	// 1984). Where a law jumps at the truth, it is the middle of the jump.
	PIT  float32
	CRPS float32 // see [CRPS], in days
	// None: the model could say nothing.
	None bool
}

// Outcomes are all cases of a set of series, by series and origin.
type Outcomes struct {
	Name   string
	Series []string // names
	Units  []string // by series, as [Series] has them
	Models []string
	Cases  []Outcome
	// Unfinished are the cases whose truth is not known, by series and origin.
	Unfinished []Unfinished
	// Calibrations are the versions of [Calibrated] models, "" for others.
	Calibrations []string
	Paths        []Path // the cases that were followed to their end
}

// judge scores a law.
func judge(law Law, truth, horizon float64) Said {
	about := [2]float64{truth - edge, truth + edge}
	var pit [2]float64
	chancesOf(law, about[:], pit[:])
	return Said{
		Range: cap3(law.Range(), horizon),
		PIT:   float32(0.5 * (pit[0] + pit[1])),
		CRPS:  float32(CRPS(law, truth, horizon)),
	}
}

func cap3(r Range, horizon float64) Range {
	for i := range r {
		r[i] = math.Min(horizon, math.Max(0, r[i]))
	}
	return r
}

// join puts disjoint sets with the same models into one.
func join(name string, sets []Outcomes) Outcomes {
	all := Outcomes{Name: name}
	for _, s := range sets {
		all.Models, all.Calibrations = s.Models, s.Calibrations
		from := int32(len(all.Series))
		all.Series = append(all.Series, s.Series...)
		all.Units = append(all.Units, s.Units...)
		for _, u := range s.Unfinished {
			u.Series += from
			all.Unfinished = append(all.Unfinished, u)
		}
		for _, c := range s.Cases {
			c.Series += from
			all.Cases = append(all.Cases, c)
		}
		for _, p := range s.Paths {
			p.Series += from
			all.Paths = append(all.Paths, p)
		}
	}
	return all
}
