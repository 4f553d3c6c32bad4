package calibration

import (
	"math"

	"dwindle/config/civil"
	"dwindle/forecast/depletion"
	"dwindle/forecast/duty"
)

const (
	// searchCases bounds how many reservoirs of a class a search looks at, for
	// the sake of time.
	searchCases = 600
	// leanStep, leanFine and leanMost are the steps and the bound of a lean:
	// factors of 4.5, 2 and 90 on a prior weight.
	leanStep, leanFine, leanMost = 1.5, 0.75, 4.5
	// shareStep and shareMost are the steps and the bound of the share of "last
	// week repeated".
	shareStep, shareMost = 0.1, 0.5
	// shareSize and shareDays are the largest reservoirs and the greatest age
	// in days that it is learned from.
	shareSize, shareDays = 14, 28
	// leanSure is by how many standard errors, clustered by series, a step
	// must improve the score.
	leanSure = 1.0
)

// sample is what is searched on: reservoirs that ended, with their laws, days
// lost to stops included.
type sample struct {
	drops []*drop
	laws  [][]grid // of the members
	weeks []grid   // of "last week repeated"
	w     []float64
}

// sampleOf takes some of the reservoirs that had ended and are of use, evenly;
// nil where they are too few to learn from.
func sampleOf(all []*drop, until civil.Date, use func(*drop) bool, stops duty.StopPrior, lean *[duty.Groups]float64) *sample {
	s := &sample{}
	for _, d := range all {
		if d.ended(until) && use(d) {
			s.drops = append(s.drops, d)
		}
	}
	if n := len(s.drops); n > searchCases {
		some := make([]*drop, searchCases)
		for i := range some {
			some[i] = s.drops[i*n/searchCases]
		}
		s.drops = some
	}
	if seriesIn(s.drops) < leastSeries || len(s.drops) < leastCases {
		return nil
	}
	s.laws, s.weeks = make([][]grid, len(s.drops)), make([]grid, len(s.drops))
	for i, d := range s.drops {
		s.laws[i], s.weeks[i] = d.laws(nil), d.week
		s.w = d.weights(lean, s.w)
		if lost := d.lost(quantile(s.laws[i], s.w, 0.5), stops); len(lost) > 1 {
			for k := range s.laws[i] {
				s.laws[i][k] = s.laws[i][k].with(lost)
			}
			s.weeks[i] = s.weeks[i].with(lost)
		}
	}
	return s
}

// seriesIn counts the series of reservoirs in their order.
func seriesIn(drops []*drop) int {
	n := 0
	for i, d := range drops {
		if i == 0 || d.series != drops[i-1].series {
			n++
		}
	}
	return n
}

// losses are the mean pinball losses of P10, P50 and P90 over the true times.
func (s *sample) losses(lean *[duty.Groups]float64, share float64, out []float64) {
	for i, d := range s.drops {
		s.w = d.weights(lean, s.w)
		sum := 0.0
		for _, z := range [3]float64{-z90, 0, z90} {
			p := depletion.TCDF(z, 0)
			q := quantile(s.laws[i], s.w, p)
			if share > 0 {
				q = (1-share)*q + share*s.weeks[i].time(z)
			}
			if e := d.truth - q; e >= 0 {
				sum += e * p
			} else {
				sum -= e * (1 - p)
			}
		}
		out[i] = sum / 3 / d.truth
	}
}

// z90 is the normal quantile of 0.9.
const z90 = 1.2815515655446004

// lean finds the lean with the least loss by steps along one group at a time.
// A step is taken only when it is surely better, so that a small fleet stays
// with what it has.
func (s *sample) lean(lean [duty.Groups]float64) [duty.Groups]float64 {
	now, trial := make([]float64, len(s.drops)), make([]float64, len(s.drops))
	s.losses(&lean, 0, now)
	for _, step := range [2]float64{leanStep, leanFine} {
		for g := range duty.Groups {
			for _, sign := range [2]float64{1, -1} {
				for {
					to := lean
					to[g] += sign * step
					if math.Abs(to[g]) > leanMost {
						break
					}
					s.losses(&to, 0, trial)
					if !better(s.drops, now, trial) {
						break
					}
					lean = to
					now, trial = trial, now
				}
			}
		}
	}
	return lean
}

// share finds how much "last week repeated" is to count, from nothing up.
func (s *sample) share(lean *[duty.Groups]float64) float64 {
	now, trial := make([]float64, len(s.drops)), make([]float64, len(s.drops))
	share := 0.0
	s.losses(lean, share, now)
	for share+shareStep < shareMost+1e-9 {
		s.losses(lean, share+shareStep, trial)
		if !better(s.drops, now, trial) {
			break
		}
		share += shareStep
		now, trial = trial, now
	}
	return share
}

// better says whether losses fell by more than chance would have it, with the
// standard error of sums over series (K.-Y. Liang, S. L. Zeger, Longitudinal
// data analysis using generalized linear models, 1986; from memory).
func better(drops []*drop, before, after []float64) bool {
	var sum, squares, one float64
	for i, d := range drops {
		one += before[i] - after[i]
		if i == len(drops)-1 || drops[i+1].series != d.series {
			sum += one
			squares += one * one
			one = 0
		}
	}
	return sum > leanSure*math.Sqrt(squares)
}
