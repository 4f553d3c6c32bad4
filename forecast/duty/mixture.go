package duty

import (
	"math"

	"dwindle/config"
	"dwindle/forecast/depletion"
)

// mixture is the fitted top rung: for each member its level of tomorrow and how
// well it predicted the past.
type mixture struct {
	class    Class
	outages  outages
	stops    StopPrior // the fleet's
	week     lastWeek
	patterns [patterns]pattern
	levels   [members]level
	weights  [members]float64
	cap      float64
}

// Scratch is working memory for [Rules.FitWith]; the zero value is ready. It
// must not be used by two goroutines at once.
type Scratch struct {
	state State
	work  work
}

// leastWeight is the weight from which a member is kept: below it the figures
// of the score do not change, but every member costs its share of the time.
const leastWeight = 1e-2

// fit is false where nothing was used, so that there is no pattern.
func (m *mixture) fit(w *work, s *State, fleet *Fleet) bool {
	m.cap = s.maxPerDay
	past := &s.past
	var idle idleness
	m.outages, idle = findOutages(&s.recent, past, &w.out)
	m.class = classify(&idle)
	slow := &m.patterns[lasting]
	if !slow.learn(past, &s.recent, &w.out) {
		return false
	}
	m.patterns[moved] = slow.moved(past, &s.recent, &w.out)
	rules := &rulesOf[m.class]
	tracks := past.tracks
	guess, logs := past.guess, past.logs
	if !past.ready {
		guess, logs = slow.mean, product{value: 1}
		for i := range tracks {
			tracks[i] = motions[i].start(guess)
		}
	}
	for p := range m.patterns {
		days := m.patterns[p].steps(&s.recent, &w.out, &w.steps)
		n := past.days + taught(days)
		one := &past.changes[p]
		all := one.total(days, guess)
		if p == lasting {
			logs.noise(days)
			m.levels[0] = all.steady(n, slow.mean, guess, logs.log())
			run(tracks[:], rules, firstSwing, firstDrift, swing, motions[:], days)
			run(tracks[:], rules, firstDrift, firstChange, drift, driftSteps[:], days)
		} else {
			run(tracks[:], rules, firstMovedDrift, members, drift, driftSteps[:], days)
		}
		if rules.prior[firstChange+p] > 0 {
			m.levels[firstChange+p] = one.changed(days, &all, n, slow.mean, guess, logs.log())
		}
		for i := range tracks {
			if k := &memberKinds[i]; k.pattern == p && k.filtered() && rules.prior[i] > 0 {
				m.levels[i] = tracks[i].level(n, slow.mean)
			}
		}
	}
	m.weigh(rules, &fleet.Lean[m.class])
	m.stops = fleet.Stops[m.class]
	m.week.learn(&s.recent)
	return true
}

// run takes those filters of a range through days for which the class has a
// prior.
func run[M any](tracks []track, rules *classRules, from, to int, filter func([]track, []M, []step), moves []M, days []step) {
	from, to = rules.among(from, to)
	filter(tracks[from:to], moves[from:to], days)
}

// weigh turns prior and likelihood into weights that sum to 1, without members
// too light to matter.
func (m *mixture) weigh(rules *classRules, lean *[Groups]float64) {
	best := math.Inf(-1)
	for i := range m.levels {
		if rules.prior[i] > 0 {
			best = math.Max(best, m.levels[i].fit)
		}
	}
	sum, kept := 0.0, 0.0
	for i := range m.levels {
		m.weights[i] = 0
		if rules.prior[i] > 0 {
			m.weights[i] = rules.prior[i] * math.Exp(m.levels[i].fit-best+lean[memberKinds[i].group])
		}
		sum += m.weights[i]
	}
	for i := range m.weights {
		if m.weights[i] < leastWeight*sum {
			m.weights[i] = 0
		}
		kept += m.weights[i]
	}
	for i := range m.weights {
		m.weights[i] /= kept
	}
}

// perDay is the expected duty of the mean day of an ordinary week from now on.
func (m *mixture) perDay() float64 {
	sum := 0.0
	for i, w := range m.weights {
		if w > 0 {
			l := &m.levels[i]
			sum += w * math.Max(levelFloor, l.mu+l.x) * m.patterns[memberKinds[i].pattern].mean
		}
	}
	stops := m.outages.law(0, m.stops)
	return sum * stops.Up()
}

// Forecast predicts cumulative duty over a calendar as [Model.Curve] does, as a
// mixture of curves: one on the lower rungs, one per member on the mixture rung.
func (m Model) Forecast(future []config.DayType, firstShare float64, scales ...float32) depletion.Mixture {
	return m.ForecastInto(depletion.Mixture{}, future, firstShare, scales...)
}

// ForecastInto is Forecast writing into the slices of an old mixture where they
// are large enough, for passes over many points.
func (m Model) ForecastInto(old depletion.Mixture, future []config.DayType, firstShare float64, scales ...float32) depletion.Mixture {
	return m.ForecastUntil(old, future, firstShare, depletion.Budget{Mean: math.Inf(1)}, scales...)
}

// ForecastUntil is ForecastInto for a budget that is known: days beyond the one
// on which every member of the mixture has used it up by four standard
// deviations are left out. Chances after that day are those of that day, short
// of 1 by less than 1 in 30,000; quantiles up to there are the same.
func (m Model) ForecastUntil(old depletion.Mixture, future []config.DayType, firstShare float64, b depletion.Budget, scales ...float32) depletion.Mixture {
	if m.rung == RungMixture {
		return m.mix.forecast(old, future, firstShare, b, scales)
	}
	var c depletion.Curve
	if cap(old.Curves) > 0 {
		c = old.Curves[:1][0]
	}
	c = m.CurveInto(c, future, firstShare, scales...)
	return depletion.Mixture{Curves: append(old.Curves[:0], c), Weights: append(old.Weights[:0], 1)}
}
