package board

import (
	"fmt"

	"dwindle/config/civil"
	"dwindle/forecast"
)

// dot stands for 5 % of the forecast.
type dot struct {
	X      pos
	Y      int
	Before bool // before the next visit
}

// dots spreads the forecast over 20 dots of 5 % each, stacked where they fall
// close together: people read chances off counted dots better than off a bar.
func dots(a axis, st *forecast.State, today civil.Date) ([]dot, string) {
	if st.ChanceBefore == nil || st.Row.Withheld != "" || st.Row.EmptyP10 == nil || *st.Row.EmptyP10 >= a.To {
		return nil, ""
	}
	const n, high = 20, 4 // days to a column, so that dots touch and do not overlap
	var out []dot
	stack := map[int]int{}
	before := 0
	d := today
	for i := range n {
		p := (float64(i) + 0.5) / n
		for d < a.To && st.ChanceBefore(d) < p {
			d++
		}
		if d >= a.To {
			break
		}
		column := int(d-today) / high
		visit := st.Row.NextVisit != nil && d < *st.Row.NextVisit
		if visit {
			before++
		}
		out = append(out, dot{X: pos(100 * (float64(column) + 0.5) * high / axisDays), Y: stack[column], Before: visit})
		stack[column]++
	}
	tallest := 0
	for i := range out {
		tallest = max(tallest, out[i].Y)
	}
	for i := range out {
		out[i].Y = 8 + 11*(tallest-out[i].Y)
	}
	say := fmt.Sprintf("Each dot is 5 %% of the chances; %d of 20 fall within these 16 weeks.", len(out))
	if st.Row.NextVisit != nil {
		say = fmt.Sprintf("Each dot is 5 %% of the chances: %d of 20 fall before the visit on %s.", before, when(*st.Row.NextVisit, today))
	}
	return out, say
}

// DotsHeight is the height of the drawing.
func (b *pointBody) DotsHeight() int {
	h := 0
	for _, d := range b.Dots {
		h = max(h, d.Y+8)
	}
	return h
}
