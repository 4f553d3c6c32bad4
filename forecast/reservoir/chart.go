package reservoir

// The fast chart's reference value and limit in units of the innovations'
// standard deviation. With daily readings they give one false alarm in some 50
// years per point and find a shift of 2 sd within a week (average run lengths by
// D. Siegmund, Sequential Analysis, 1985, confirmed by simulation; see tests).
const (
	chartK = 0.5
	chartH = 8.65
	// chartCap bounds the sums so that a chart clears within some 8 readings
	// after delivery came back.
	chartCap = chartH + 4
	// chartClip bounds one reading's say: a single outlier must not make an
	// alarm.
	chartClip = 4
)

// Chart is a pair of one-sided cumulative sums of standardised innovations (E.
// S. Page, Continuous Inspection Schemes, 1954). Up rises when less goes out
// than commanded (the level stays high), Down when more does. The zero value
// is a chart at rest.
type Chart struct {
	Up, Down float64
	// UpFrom and DownFrom are the readings (as numbered by the caller) after
	// which the sums last were zero: the estimated onset of a shift.
	UpFrom, DownFrom int
	// UpOver and DownOver count successive readings above the limit.
	UpOver, DownOver int
}

// Add takes in the standardised innovation of reading i.
func (c *Chart) Add(i int, z float64) {
	z = min(max(z, -chartClip), chartClip)
	c.Up, c.UpFrom, c.UpOver = side(c.Up+z-chartK, c.UpFrom, c.UpOver, i)
	c.Down, c.DownFrom, c.DownOver = side(c.Down-z-chartK, c.DownFrom, c.DownOver, i)
}

func side(sum float64, from, over, i int) (float64, int, int) {
	if sum <= 0 {
		return 0, i, 0
	}
	if sum > chartH {
		over++
	} else {
		over = 0
	}
	return min(sum, chartCap), from, over
}

// Low says that too little goes out, on two successive readings at least, and
// since which reading.
func (c *Chart) Low() (since int, ok bool) { return c.UpFrom, c.UpOver >= 2 }

// High says the same of too much.
func (c *Chart) High() (since int, ok bool) { return c.DownFrom, c.DownOver >= 2 }
