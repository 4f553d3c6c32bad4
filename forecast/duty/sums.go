package duty

import "dwindle/config"

// Constants of the day-type estimate, chosen on simulated and open data.
const (
	// discount is the weight of a day relative to the next one: a half-life of
	// 138 days, so a slow change of habits is followed and weekly noise is not.
	discount = 0.995
	// priorDays is how many days of its group's mean each day type is worth at
	// the start.
	priorDays = 3
	// priorVarDays is the same for its variance.
	priorVarDays = 5
)

// The groups within which day types borrow from each other.
const (
	working = iota // Monday to Friday
	weekend        // Saturday, Sunday and holidays
	groups
)

func groupOf(t config.DayType) int {
	if t >= config.Saturday {
		return weekend
	}
	return working
}

// types is the number of day types that teach: all but shutdowns.
const types = int(config.ShutdownType)

// sums are the weighted moments of history by day type. Weights are
// discount^age x share seen.
type sums struct {
	w, y, q  [types]float64 // weights, weighted amounts per whole day, squared weights
	seen     float64        // whole days seen, undiscounted
	shutdown int
	capped   int
	// unit is the weight of the next day: instead of the past, which would
	// have to be multiplied every day, the present is given more and more.
	unit float64
}

// mostUnit is when the unit is brought back to 1.
const mostUnit = 1e6

// add takes in a day; one that teaches nothing has seen 0.
func (s *sums) add(t config.DayType, amount, seen float64, capped bool) {
	if s.unit == 0 {
		s.unit = 1
	}
	if seen > 0 {
		// A day seen in part has amount/seen per whole day at weight seen, so
		// the weighted sum needs the amount alone.
		w := s.unit * seen
		s.w[t] += w
		s.y[t] += s.unit * amount
		s.q[t] += w * w
		s.seen += seen
		if capped {
			s.capped++
		}
	}
	s.unit *= 1 / discount
	if s.unit > mostUnit {
		*s = s.now()
		s.unit = 1 / discount
	}
}

// now gives the sums with weight 1 for the last day.
func (s *sums) now() sums {
	o := *s
	if s.unit == 0 {
		return o
	}
	scale := 1 / (discount * s.unit)
	for t := range o.w {
		o.w[t] *= scale
		o.y[t] *= scale
		o.q[t] *= scale * scale
	}
	return o
}

func (s *sums) group(g int) (w, y float64) {
	for t := range config.ShutdownType {
		if groupOf(t) == g {
			w += s.w[t]
			y += s.y[t]
		}
	}
	return w, y
}

// typeSums are what a pattern is learned from, by day type: weighted moments of
// the days that are no stops. Amounts are taken about that of the first day, so
// that even duty is exactly even, whatever the weights.
type typeSums struct {
	origin    float64
	begun     bool
	w, n      [types]float64 // weights, undiscounted days
	e, ee, es [types]float64 // weighted e, e^2 and e seen, with e = amount - seen origin
	ss        [types]float64 // weighted seen^2
}

func (s *typeSums) scale(by float64) {
	for t := range s.w {
		s.w[t] *= by
		s.e[t] *= by
		s.ee[t] *= by
		s.es[t] *= by
		s.ss[t] *= by
	}
}

func (s *typeSums) add(w *window, i int, age float64) {
	t, amount, seen := w.kind[i], w.amount[i], float64(w.seen[i])
	if !s.begun {
		s.begun, s.origin = true, amount/seen
	}
	weight := age * seen
	e := amount - seen*s.origin
	s.w[t] += weight
	s.n[t] += seen
	s.e[t] += age * e
	s.ee[t] += age * e * e
	s.es[t] += weight * e
	s.ss[t] += weight * seen
}

// about is the weighted sum of squares about a mean duty of a type, given as
// its distance from the origin.
func (s *typeSums) about(t config.DayType, d float64) float64 {
	return max(0, s.ee[t]-2*d*s.es[t]+d*d*s.ss[t])
}

// lateSums are the moments with weights movedForget^age.
type lateSums struct{ w, y [types]float64 }

func (s *lateSums) scale(by float64) {
	for t := range s.w {
		s.w[t] *= by
		s.y[t] *= by
	}
}

func (s *lateSums) add(w *window, i int, age float64) {
	t := w.kind[i]
	s.w[t] += age * float64(w.seen[i])
	s.y[t] += age * w.amount[i]
}
