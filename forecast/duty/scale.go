package duty

import "math"

// saturated is the share of the physical limit from which a day that was to be
// used more than an ordinary one could not be: how much more it would have been
// is not known, so it teaches nothing (a proposal).
const saturated = 0.995

// scaleOf is a scale that can be reckoned with: what is none counts as 1.
func scaleOf(s float32) float64 {
	if x := float64(s); x > 0 && !math.IsInf(x, 1) {
		return x
	}
	return 1
}

// scaleAt is the scale of a day ahead, 1 beyond the list.
func scaleAt(scales []float32, d int) float64 {
	if d >= len(scales) {
		return 1
	}
	return scaleOf(scales[d])
}

// Observed is what was used on some days, and what ordinary days near them
// expect of them at their scale.
type Observed struct {
	Days           float64 // seen
	Used, Expected float64
}

// nearDays is how near an ordinary day must be to a day that it is compared
// with: what lies further back may have been another level (a proposal).
const nearDays = 56

// Observe compares the days in question with ordinary ones near them, which
// are those that are not scaled. It is the zero value where there are less than
// MinDays of these.
func (r Rules) Observe(history []Day, inQuestion, scaled func(i int) bool) Observed {
	var near sums
	from, to := -2*nearDays, -1 // of the days in question: the last one, and the next one looked for
	for i, d := range history {
		if inQuestion(i) {
			from = i
		}
		for to < len(history) && to <= i {
			for to++; to < len(history) && !inQuestion(to); to++ {
			}
		}
		if scaled(i) || i-from > nearDays && (to >= len(history) || to-i > nearDays) {
			continue
		}
		d.Scale = 0
		if amount, seen, _, ok := usable(d, r.MaxPerDay); ok {
			near.add(d.Type, amount, seen, false)
		}
	}
	var m Model
	if near.seen < MinDays {
		return Observed{}
	}
	m.maxPerDay = r.MaxPerDay
	now := near.now()
	m.fitDayTypes(&now)
	var out Observed
	for i, d := range history {
		if !inQuestion(i) {
			continue
		}
		scale := scaleOf(d.Scale)
		d.Scale = 0
		if amount, seen, _, ok := usable(d, r.MaxPerDay); ok {
			out.Days += seen
			out.Used += amount
			out.Expected += seen * m.DayAt(d.Type, scale)
		}
	}
	return out
}
