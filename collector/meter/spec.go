package meter

import "dwindle/collector/reading"

// spec is what is fixed about a counter: it follows from quantity and rules.
type spec struct {
	quantity reading.Quantity
	exact    bool
	scale    float64 // amount per unit of the reading
	perHour  float64 // most amount per hour that is physically possible
	// claimPerHour and slack bound what a counter that began again may claim
	// while its own pace is not known: a counter restored from an old save
	// looks just like a fast start.
	claimPerHour float64
	slack        float64 // amount that may come at once
	paced        bool    // judge claims by the counter's own pace, once known
	widths       []float64
}

// Widths at which counters wrap, in units of the reading.
var (
	// Registers, and displays of four to eight digits.
	countWidths = []float64{1 << 8, 1 << 15, 1 << 16, 1 << 24, 1 << 31, 1 << 32, 1e4, 1e5, 1e6, 1e7, 1e8}
	// Seconds wrap in binary, or with a millisecond or microsecond counter
	// behind them (49.7 days, 71.6 minutes), or hours with either.
	secondWidths = []float64{1 << 16, 1 << 31, 1 << 32, (1 << 31) / 1e3, (1 << 32) / 1e3, (1 << 32) / 1e6}
	hourWidths   = []float64{1 << 16, 9999 + 1, 99999 + 1, 999999 + 1, (1 << 31) / 3.6e3, (1 << 32) / 3.6e3, (1 << 31) / 3.6e6, (1 << 32) / 3.6e6}
)

// register says that a width is that of a whole register, which is common.
// That a display has just so many digits is less likely than a restart.
func (s *spec) register(width float64) bool {
	return !s.exact || width == 1<<8 || width == 1<<16 || width == 1<<31 || width == 1<<32
}

// smallWidth is a wrap so narrow that more than one may have gone unseen.
const smallWidth = 1 << 8

// value is one counter value; exact counters use i alone.
type value struct {
	I int64
	F float64
}

// diff is a minus b in units.
func (s *spec) diff(a, b value) float64 {
	if s.exact {
		// Both lie in [-2^31, 2^63-1], so the difference fits but for the last
		// few; the float then holds what is left.
		if d := a.I - b.I; (d >= 0) == (a.I >= b.I) {
			return float64(d)
		}
		return float64(a.I) - float64(b.I)
	}
	return a.F - b.F
}

func (s *spec) float(v value) float64 {
	if s.exact {
		return float64(v.I)
	}
	return v.F
}
