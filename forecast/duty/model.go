package duty

import (
	"dwindle/config"
	"dwindle/forecast/depletion"
)

// Model predicts duty. It is a value without pointers and safe to copy and to
// use from several goroutines. Make one with [Fit].
type Model struct {
	rung, reason, notice string

	maxPerDay float64
	seen      float64 // days of history used
	capped    int

	mean   [config.DayTypes]float64 // duty of a whole day of a type
	noise  [config.DayTypes]float64 // variance of one day about its mean, stretched for persistence
	own    [config.DayTypes]float64 // weight of a type's own mean against its group's
	ownVar [config.DayTypes]float64 // variance of a type's own mean
	share  [config.DayTypes]float64 // a type's share in its group's mean
	spread [groups]float64          // variance of type means about their group's mean
	level  float64                  // relative variance of the common level (plan rung)
	df     float64
	// holidayIsSunday: no holiday was seen yet, so one counts as a Sunday.
	holidayIsSunday bool
	// blind: nothing of the group was seen, so its types cannot lean on peers.
	blind [groups]bool

	mix mixture // of the mixture rung
}

// Rung names the rung of the ladder: one of the Rung constants.
func (m Model) Rung() string { return m.rung }

// Reason says in plain words why there is no model, empty if there is one.
func (m Model) Reason() string { return m.reason }

// Notice says in plain words what somebody should look into (plan and history
// that disagree), empty if nothing.
func (m Model) Notice() string { return m.notice }

// Seen is the number of whole days of history that the model rests on.
func (m Model) Seen() float64 { return m.seen }

// Capped is the number of days in history whose duty was above the physical
// limit and was cut to it.
func (m Model) Capped() int { return m.capped }

// Idle says that a model exists and expects no duty at all: by use the
// reservoir never empties.
func (m Model) Idle() bool { return m.rung != RungNone && !(m.PerDay() > 0) }

// Day is the mean duty of a whole day of a type over history, without what the
// level did of late.
func (m Model) Day(t config.DayType) float64 {
	if t >= config.DayTypes {
		return m.PerDay()
	}
	if t == config.HolidayType && m.holidayIsSunday {
		t = config.Sunday
	}
	return m.mean[t]
}

// DayAt is the mean duty of a whole day of a type that is used scale times as
// much as an ordinary one, within the physical limit.
func (m Model) DayAt(t config.DayType, scale float64) float64 {
	day := m.Day(t)
	if scale == 1 {
		return day
	}
	if day *= scale; m.maxPerDay > 0 && day > m.maxPerDay {
		return m.maxPerDay
	}
	return day
}

// PerDay is the expected duty per day over an ordinary week from now on, in h
// or pulses per day.
func (m Model) PerDay() float64 {
	if m.rung == RungMixture {
		return m.mix.perDay()
	}
	sum := 0.0
	for t := config.Monday; t <= config.Sunday; t++ {
		sum += m.mean[t]
	}
	return sum / 7
}

// Curve predicts cumulative duty over a calendar: future[0] is today, of which
// firstShare (0 to 1) is still to come, the rest are whole days. Shutdowns
// have no duty. scales, where given, is the use of each of these days relative to
// an ordinary one of its type, as [Day.Scale]; days beyond it are ordinary. A
// scaled day has scale times the mean and scale^2 times the variance. Without a
// model the curve has no days. On the mixture rung it
// has the mixture's mean and variance; for quantiles [Model.Forecast] is
// sharper.
func (m Model) Curve(future []config.DayType, firstShare float64, scales ...float32) depletion.Curve {
	return m.CurveInto(depletion.Curve{}, future, firstShare, scales...)
}

// CurveInto is Curve writing into the slices of an old curve where they are
// large enough, for passes over many points.
func (m Model) CurveInto(old depletion.Curve, future []config.DayType, firstShare float64, scales ...float32) depletion.Curve {
	if m.rung == RungNone || m.rung == "" {
		return depletion.Curve{}
	}
	if m.rung == RungMixture {
		return m.Forecast(future, firstShare, scales...).Moments(old)
	}
	c := depletion.Curve{Mean: resize(old.Mean, len(future)+1), Var: resize(old.Var, len(future)+1), DF: m.df}
	c.Mean[0], c.Var[0] = 0, 0
	var a roll
	share := min(1, max(0, firstShare))
	for i, t := range future {
		a.step(&m, t, share, scaleAt(scales, i))
		share = 1
		c.Mean[i+1], c.Var[i+1] = a.mean, max(c.Var[i], a.variance(&m))
	}
	return c
}

func resize(s []float64, n int) []float64 {
	if cap(s) < n {
		return make([]float64, n)
	}
	return s[:n]
}

// roll sums mean and variance over the days ahead in constant work per day.
type roll struct {
	mean, noise float64
	count       [config.DayTypes]float64 // days of each type so far
	lent        [groups]float64          // part of those days that rests on the group's mean
	estimates   [groups]float64          // variance that comes from each group's estimates
}

func (a *roll) step(m *Model, t config.DayType, share, scale float64) {
	if t == config.ShutdownType || share == 0 {
		return
	}
	switch {
	case t > config.ShutdownType:
		t = config.Monday // no such day type: any working day
	case t == config.HolidayType && m.holidayIsSunday:
		t = config.Sunday
	}
	g := groupOf(t)
	mean := share * scale * m.mean[t]
	if most := share * m.maxPerDay; most > 0 && scale > 1 && mean > most {
		mean = most
	}
	a.mean += mean
	share *= scale
	a.noise += share * scale * m.noise[t]
	a.count[t] += share
	a.lent[g] += share * (1 - m.own[t])
	a.estimates[g] = a.ofEstimates(m, g)
}

// variance is that of the days themselves plus that of the estimates they rest
// on.
func (a *roll) variance(m *Model) float64 {
	return a.noise + a.estimates[working] + a.estimates[weekend] + m.level*a.mean*a.mean
}

// ofEstimates: cumulative duty is a linear combination of the types' own means
// with coefficients count x own + share x what the group has lent.
func (a *roll) ofEstimates(m *Model, g int) float64 {
	first, last, peers := config.Monday, config.Friday, 0.0
	if g == weekend {
		first, last = config.Saturday, config.HolidayType
		peers = (a.count[config.Saturday] + a.count[config.Sunday]) / 2
	} else {
		for t := first; t <= last; t++ {
			peers += a.count[t] / 5
		}
	}
	if m.blind[g] {
		peers = 0 // nothing to cancel against
	}
	v, wrong := 0.0, 0.0
	for t := first; t <= last; t++ {
		k := a.count[t]*m.own[t] + a.lent[g]*m.share[t]
		v += k * k * m.ownVar[t]
		// What shrinkage may have got wrong cancels over whole weeks; only
		// the surplus of a type over its peers counts.
		d := a.count[t]
		if t != config.HolidayType {
			d -= peers
		}
		d *= 1 - m.own[t]
		wrong += d * d
	}
	return v + wrong*m.spread[g]
}
