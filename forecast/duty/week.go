package duty

import (
	"math"

	"dwindle/config"
	"dwindle/forecast/depletion"
)

// lastWeek is the duty of the last seven days and how far days a week apart lie
// from each other.
type lastWeek struct {
	day      [7]float64 // day[0] is that of today a week ago; h or pulses
	variance float64    // mean squared difference of days a week apart
}

// learn looks at the window: a day that was not seen takes that of the week
// before.
func (l *lastWeek) learn(w *window) {
	amount := func(i int) (float64, bool) {
		if i < 0 || !(w.seen[i] > 0) {
			return 0, false
		}
		return w.amount[i] / float64(w.seen[i]), true
	}
	*l = lastWeek{}
	var squares, pairs, sum, seen float64
	for i := range w.n {
		y, ok := amount(i)
		if !ok {
			continue
		}
		sum, seen = sum+y, seen+1
		if before, ok := amount(i - 7); ok {
			squares += (y - before) * (y - before)
			pairs++
		}
	}
	mean := sum / math.Max(1, seen)
	l.variance = mean * mean
	if pairs > 0 {
		l.variance = squares / pairs
	}
	for slot := range l.day {
		l.day[slot] = mean
		for at := w.n - 7 + slot; at >= 0; at -= 7 {
			if y, ok := amount(at); ok {
				l.day[slot] = y
				break
			}
		}
	}
}

// LastWeek repeats the last seven days over a calendar: days are independent,
// with the variance of days a week apart for each week ahead. Shutdowns have no
// duty. Right after a change of schedule that a whole site makes, nothing
// learned from longer ago does better; for most use it does far worse. It has
// no days on the lower rungs.
func (m *Model) LastWeek(future []config.DayType, firstShare float64, scales ...float32) depletion.Curve {
	if m.rung != RungMixture {
		return depletion.Curve{}
	}
	c := depletion.Curve{Mean: make([]float64, len(future)+1), Var: make([]float64, len(future)+1)}
	share := min(1, max(0, firstShare))
	for i, t := range future {
		c.Mean[i+1], c.Var[i+1] = c.Mean[i], c.Var[i]
		if t != config.ShutdownType {
			by := scaleAt(scales, i)
			c.Mean[i+1] += by * share * m.mix.week.day[i%7]
			c.Var[i+1] += by * by * share * m.mix.week.variance * float64(i/7+1)
		}
		share = 1
	}
	return c
}
