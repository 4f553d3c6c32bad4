package drift

import "math"

// Creeping runs charts of the given designs over the z of one point, one element
// per day, NaN where there is none: those days, such as days without command,
// say nothing, and the charts stand still. They begin with the given share of
// their limits (see [Pair.Reset]).
//
// ok says that a chart is beyond its limit with the last z, and confirmed. Since
// of the shift is the day of the last z with which that chart's sum was 0, -1
// for before the first one; Found is the first day from which on it has been so
// without a break.
func Creeping(z []float64, designs []Design, head float64) (s Shift, ok bool) {
	m := Watch(designs)
	m.Reset(head)
	var days []int // with a z
	for d, x := range z {
		if math.IsNaN(x) {
			continue
		}
		days = append(days, d)
		m.Add(x, 1)
		a := m.Alarm()
		if a.Sign == 0 {
			ok = false
			continue
		}
		if !ok || a.Sign != s.Sign {
			s = Shift{Sign: a.Sign, Found: d}
		}
		ok = true
		s.Since = -1
		if i := len(days) - 1 - a.Since; i >= 0 {
			s.Since = days[i]
		}
	}
	if !ok {
		return Shift{}, false
	}
	return s, true
}
