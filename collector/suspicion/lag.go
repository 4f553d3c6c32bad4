package suspicion

import (
	"fmt"
	"math"

	"dwindle/collector/reading"
)

// lag finds a clock that is behind: readings that come late by the same time,
// one after the other. What was buffered comes less and less late. Of counters
// alone, of which the first report is kept: of others a repeat takes its place,
// and would seem late.
func (w *Watch) lag(r reading.Reading, t int64) {
	if !r.FromDevice || r.Flags&reading.Retained != 0 || !r.Quantity.Cumulative() {
		return
	}
	s := &w.s
	lag := r.Received.UnixMilli() - t
	switch {
	case lag <= lagLeast.Milliseconds():
		s.Lags = 0
		w.clear(ClockSlow, byClock, t)
	case math.Abs(float64(lag-s.Lag)) <= max(60_000, float64(lag)/20):
		s.Lags = min(s.Lags+1, 100)
	default:
		s.Lags = 0
	}
	s.Lag = lag
	if s.Lags >= lagSteady {
		w.open(ClockSlow, byClock, t, func() (string, string) {
			return fmt.Sprintf("the clock of the device is behind by about %.0f min", float64(lag)/60_000),
				fmt.Sprintf("%d messages in a row came so late", s.Lags)
		})
	}
}
