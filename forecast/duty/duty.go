// Package duty predicts how much a machine or a controller will be used on the
// days ahead: run-hours or pulses per civil day, with honest uncertainty.
//
// [Fit] picks a rung of a ladder from the history's length: expected duty
// stated in the plan while there is little history, then shrunk means per day
// type, then a mixture of ways in which the level and the pattern of duty may
// move. A day that the calendar expects to be used more or less than an ordinary
// one has a scale: it teaches what is ordinary all the same. [Model.Forecast] rolls the model over a calendar into the cumulative
// duty that package depletion turns into an empty date. A [State] keeps of a
// history what a model needs, day by day and in bounded size. The package is
// pure; it imports day types from config and curves from depletion, nothing
// else of ours.
package duty

import (
	"math"

	"dwindle/config"
)

// Day is the duty of one civil day. Missing is not zero: Seen says which share
// of the day was observed, and Amount is what was observed in that share.
type Day struct {
	Type   config.DayType
	Amount float64 // h or pulses in the seen part
	Seen   float64 // 0 (missing) to 1 (whole)
	// Scale is the use that the calendar expects of the day relative to an
	// ordinary day of its type: above 1 in a campaign, below in short time. 0
	// stands for 1.
	Scale float32
}

// Plan is the duty that people expect.
type Plan struct {
	PerWeek float64 // h or pulses per week of seven ordinary days
}

// Rules bound what duty can be. The zero value has no bound.
type Rules struct {
	// MaxPerDay caps a day's duty in history and forecast: 24 for run-hours,
	// 0 for no cap.
	MaxPerDay float64
	// Fleet is what was learned from other machines.
	Fleet Fleet
}

// The rungs of the ladder.
const (
	RungNone     = "none"     // nothing to go by: see Model.Reason
	RungPlan     = "plan"     // the plan, pulled towards what few days there are
	RungDayTypes = "daytypes" // shrunk means per day type
	RungMixture  = "mixture"  // day types times a level that may move, and outages
)

// MinDays is the number of seen days, part days counted in part, from which
// history stands on its own. Before it some weekdays were seen once or never
// (common practice: two full weeks).
const MinDays = 14

// MinMixtureDays is the number of seen days from which the mixture stands on
// its own: what its level filters spend of the degrees of freedom is then less
// than a third.
const MinMixtureDays = 30

// minSeen is the share of a day below which it tells too little to be used.
const minSeen = 0.02

// Fit learns a model from history, one element per civil day, oldest first,
// the last one yesterday. plan may be nil. Planned shutdowns in history are
// left out. The result is a value; it is usable when Model.Rung is not
// RungNone.
func Fit(history []Day, plan *Plan) Model { return Rules{}.Fit(history, plan) }

// Fit is the package's Fit within bounds, the fold of [State.Add] over history.
func (r Rules) Fit(history []Day, plan *Plan) Model { return r.FitWith(&Scratch{}, history, plan) }

// FitWith is Fit with the working memory of an earlier call, for passes over
// many points: it then allocates nothing. The result does not depend on what
// the memory held.
func (r Rules) FitWith(scratch *Scratch, history []Day, plan *Plan) Model {
	scratch.state = r.State()
	for _, d := range history {
		scratch.state.Add(d)
	}
	return scratch.state.model(&scratch.work, plan, &r.Fleet)
}

// usable gives the observed amount and share of a day within bounds; ok is
// false for days that teach nothing about ordinary duty. Of a day that the
// calendar expects to be s times an ordinary one the s-th part is ordinary: with
// duty, its scatter goes up by s, so that the variance of what is taught is that
// of an ordinary day.
func usable(d Day, maxPerDay float64) (amount, seen float64, capped, ok bool) {
	if d.Type == config.ShutdownType || d.Type >= config.DayTypes || !(d.Seen >= minSeen) ||
		!(d.Amount >= 0) || math.IsInf(d.Amount, 0) {
		return 0, 0, false, false
	}
	amount, seen = d.Amount, math.Min(1, d.Seen)
	limit := maxPerDay * seen
	if maxPerDay > 0 && amount > limit {
		amount, capped = limit, amount > limit*1.01
	}
	if s := scaleOf(d.Scale); s != 1 {
		if maxPerDay > 0 && s > 1 && amount >= saturated*limit {
			return 0, 0, false, false
		}
		if amount /= s; maxPerDay > 0 && amount > limit {
			amount = limit
		}
	}
	return amount, seen, capped, true
}
