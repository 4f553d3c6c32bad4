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
	"dwindle/config/civil"
	"dwindle/forecast/duty"
)

// Series is the daily duty of one machine or controller without gaps: days
// that were not observed are there with Seen 0.
type Series struct {
	Name  string
	First civil.Date // of Days[0]
	Days  []duty.Day
	// Origin, if above 0, is the only day to forecast from (history is
	// Days[:Origin]); 0 rolls over all of them.
	Origin int
	// Plan is the expected duty where one is stated.
	Plan *duty.Plan
	// MaxPerDay is the physical limit of a day's duty: 24 for run-hours, 0 for
	// none.
	MaxPerDay float64
	// After gives the day types after the last day; missing ones are taken
	// from the weekday.
	After []config.DayType
}

// ahead lists the day types from a day on, up to the horizon: what the calendar
// said about the future.
func (s *Series) ahead(origin, horizon int) []config.DayType {
	out := make([]config.DayType, horizon)
	for i := range out {
		at := origin + i
		switch {
		case at < len(s.Days):
			out[i] = s.Days[at].Type
		case at-len(s.Days) < len(s.After):
			out[i] = s.After[at-len(s.Days)]
		default:
			out[i] = weekday(s.First + civil.Date(at))
		}
	}
	return out
}

func weekday(d civil.Date) config.DayType {
	return config.DayType((int(d.Weekday()) + 6) % 7)
}

// trailing is the mean duty per day over the last 28 days before a day, as far
// as they were seen.
func (s *Series) trailing(origin int) float64 {
	return meanSeen(s.Days[max(0, origin-28):origin])
}

func meanSeen(days []duty.Day) float64 {
	var amount, seen float64
	for _, d := range days {
		if d.Seen > 0 {
			amount += d.Amount
			seen += d.Seen
		}
	}
	if seen == 0 {
		return 0
	}
	return amount / seen
}

// passage is the true time, in days from origin, at which a budget was used up,
// by linear interpolation inside the day. ok is false where the series ends
// before, or where too much of a day on the way was not seen.
func (s *Series) passage(origin int, budget float64) (days float64, ok bool) {
	used := 0.0
	for k, d := range s.Days[origin:] {
		amount := d.Amount
		if d.Seen < 0.5 {
			if d.Type != config.ShutdownType {
				return 0, false
			}
			amount = 0
		} else if d.Seen < 1 {
			amount /= d.Seen
		}
		if used+amount >= budget {
			return float64(k) + (budget-used)/amount, true
		}
		used += amount
	}
	return 0, false
}

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
