package duty

import (
	"math"

	"dwindle/config"
	"dwindle/forecast/depletion"
)

// Group joins members that say the same kind of thing about the days to come.
type Group int

// The groups of members.
const (
	Steady     Group = iota // nothing moves
	Swings                  // the level leaves its mean and returns
	SlowDrift               // the level moves for good, little by little
	FastDrift               // the level moves for good, fast
	Changed                 // the level changed once
	NewPattern              // the pattern of the week is that of late
	Groups
)

// String names the group in plain words.
func (g Group) String() string {
	names := [Groups]string{"steady", "swings", "slow drift", "fast drift", "changed once", "new pattern"}
	if g < 0 || g >= Groups {
		return "unknown"
	}
	return names[g]
}

// Lean is what a fleet's finished reservoirs say about the groups, by duty
// class: the logarithm of a factor on the prior weight of a group's members.
// The zero value leans nowhere.
type Lean [Classes][Groups]float64

// StopPrior is what a fleet says about the stops of a machine before its own
// are seen: so many begun in so many days of running, and of so many that ended
// the days beyond the least. The zero value stands for the built-in one.
type StopPrior struct {
	Begun    float64 `json:"begun"`
	Exposure float64 `json:"exposure"` // days
	Ended    float64 `json:"ended"`
	Extra    float64 `json:"extra"` // days
}

// Fleet is what a fleet teaches about each of its machines, by duty class. The
// zero value teaches nothing.
type Fleet struct {
	Lean  Lean               `json:"lean"`
	Stops [Classes]StopPrior `json:"stops"`
}

// StopRecord is what a history says about unplanned stops.
type StopRecord struct {
	Begun   float64 // stops
	Lost    float64 // days of them
	Running float64 // days without
	Now     bool    // history ends inside one
}

// Stopped is what the history says about unplanned stops.
func (m *Model) Stopped() StopRecord {
	o := &m.mix.outages
	return StopRecord{o.count, o.lostDays, o.running, o.now}
}

// Stops is what the model reckons with; none on the lower rungs.
func (m *Model) Stops() depletion.Stops {
	if m.rung != RungMixture {
		return depletion.Stops{}
	}
	return m.mix.outages.law(0, m.mix.stops)
}

// Law is what the stops do to dates up to a horizon of days, with what a fleet
// says about them.
func (r StopRecord) Law(horizon int, prior StopPrior) depletion.Stops {
	o := outages{r.Begun, r.Lost, r.Running, r.Now}
	return o.law(horizon, prior)
}

// LeastStop is the shortest stop that counts as one, in days.
const LeastStop = outageDays

// Part is one member's forecast, for those who weigh members by how well they
// did over a fleet.
type Part struct {
	Group Group
	// LogWeight is the logarithm of prior times likelihood, up to a constant
	// common to all parts, without any lean.
	LogWeight float64
	Curve     depletion.Curve // without stops
}

// hopeless is how far below the best a member's log weight must be for no lean
// to bring it back.
const hopeless = 12

// Parts gives the members of the mixture rung that may matter, each with its
// curve over a calendar; nil on the other rungs.
func (m Model) Parts(future []config.DayType, firstShare float64, scales ...float32) []Part {
	if m.rung != RungMixture {
		return nil
	}
	k := m.mix
	rules := &rulesOf[k.class]
	var logs [members]float64
	best := math.Inf(-1)
	for i := range logs {
		logs[i] = math.Inf(-1)
		if rules.prior[i] > 0 {
			logs[i] = math.Log(rules.prior[i]) + k.levels[i].fit
		}
		best = math.Max(best, logs[i])
	}
	var out []Part
	for i := range logs {
		k.weights[i] = 0
		if logs[i] >= best-hopeless {
			k.weights[i] = 1
			out = append(out, Part{Group: memberKinds[i].group, LogWeight: logs[i] - best})
		}
	}
	mix := k.forecast(depletion.Mixture{}, future, firstShare, depletion.Budget{Mean: math.Inf(1)}, scales)
	for i := range out {
		out[i].Curve = mix.Curves[i]
	}
	return out
}
