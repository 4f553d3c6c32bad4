// Package score backtests forecasts of empty dates against what happened:
// virtual reservoirs are started at many past days of many duty series, and
// our own model stands in one table beside simple rules and standard methods.
//
// It brings its own series ([Simulation]), reads any daily duty ([ReadCSV])
// and takes series from a journal as [Series]. It imports duty, depletion and
// config's dates and day types. Start with [Backtest].
package score

import (
	"math"

	"dwindle/config"
	"dwindle/forecast/duty"
	"dwindle/forecast/virtual"
)

// Series is the daily duty of one machine or controller.
type Series = virtual.Series

// seenDays gives the whole-day amounts of the days that were seen, oldest
// first, planned shutdowns included where wanted.
func seenDays(days []duty.Day, shutdowns bool) []float64 {
	out := make([]float64, 0, len(days))
	for _, d := range days {
		if d.Seen > 0.02 && (shutdowns || d.Type != config.ShutdownType) {
			out = append(out, d.Amount/math.Min(1, d.Seen))
		}
	}
	return out
}

func meanVariance(x []float64) (mean, variance float64) {
	for _, v := range x {
		mean += v
	}
	mean /= float64(len(x))
	for _, v := range x {
		variance += (v - mean) * (v - mean)
	}
	if len(x) > 1 {
		variance /= float64(len(x) - 1)
	}
	return mean, variance
}
