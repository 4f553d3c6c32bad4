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

// sums are the weighted moments of history by day type. Weights are
// discount^age x share seen.
type sums struct {
	w, y, q  [config.DayTypes]float64 // weights, weighted amounts per whole day, squared weights
	seen     float64                  // whole days seen, undiscounted
	shutdown int
	capped   int
}

func (s *sums) add(history []Day, maxPerDay float64) {
	age := 1.0
	for i := len(history) - 1; i >= 0; i-- {
		d := history[i]
		amount, seen, capped, ok := usable(d, maxPerDay)
		if d.Type == config.ShutdownType {
			s.shutdown++
		}
		if ok {
			// A day seen in part has amount/seen per whole day at weight seen,
			// so the weighted sum needs the amount alone.
			w := age * seen
			s.w[d.Type] += w
			s.y[d.Type] += age * amount
			s.q[d.Type] += w * w
			s.seen += seen
			if capped {
				s.capped++
			}
		}
		age *= discount
	}
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
