// Package virtual starts reservoirs that never were on duty that did happen:
// a budget of duty from a past day on, and when the machine really used it up.
// So a forecast can be judged, and calibrated, on hundreds of ends without
// waiting for real ones. The package is pure; it imports day types and the
// duty model's days. Start with [Series.Passage].
package virtual

import (
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/duty"
)

// Series is the daily duty of one machine or controller without gaps: days
// that were not observed are there with Seen 0.
type Series struct {
	Name string
	// Unit, if given, is the machine behind it: series of one unit are not
	// independent of each other, as those of a machine's hours and of the
	// pulses that they pace.
	Unit  string
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
	// AfterScales gives the use expected of the same days relative to ordinary
	// ones of their type, as [duty.Day] has it for Days; missing ones are 1.
	AfterScales []float32
}

// Scales lists the scales of the days that [Series.Ahead] lists; nil where all
// are 1.
func (s *Series) Scales(origin, horizon int) []float32 {
	var out []float32
	for i := range horizon {
		scale := float32(0)
		switch at := origin + i; {
		case at < len(s.Days):
			scale = s.Days[at].Scale
		case at-len(s.Days) < len(s.AfterScales):
			scale = s.AfterScales[at-len(s.Days)]
		default:
			return out
		}
		if scale != 0 && scale != 1 && out == nil {
			out = make([]float32, i, horizon) // 0 is 1
		}
		if out != nil {
			out = append(out, scale)
		}
	}
	return out
}

// Ahead lists the day types from a day on, up to the horizon: what the calendar
// said about the future.
func (s *Series) Ahead(origin, horizon int) []config.DayType {
	out := make([]config.DayType, horizon)
	for i := range out {
		at := origin + i
		switch {
		case at < len(s.Days):
			out[i] = s.Days[at].Type
		case at-len(s.Days) < len(s.After):
			out[i] = s.After[at-len(s.Days)]
		default:
			out[i] = Weekday(s.First + civil.Date(at))
		}
	}
	return out
}

// Weekday is the day type of a date without a calendar.
func Weekday(d civil.Date) config.DayType {
	return config.DayType((int(d.Weekday()) + 6) % 7)
}

// Trailing is the mean duty per day over the last 28 days before a day, as far
// as they were seen.
func (s *Series) Trailing(origin int) float64 {
	return MeanSeen(s.Days[max(0, origin-28):origin])
}

// MeanSeen is the mean duty per day over what was seen, 0 if nothing was.
func MeanSeen(days []duty.Day) float64 {
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

// Passage is the true time, in days from origin, at which a budget was used up,
// by linear interpolation inside the day. ok is false where the series ends
// before, or where too much of a day on the way was not seen.
func (s *Series) Passage(origin int, budget float64) (days float64, ok bool) {
	used := 0.0
	for k, d := range s.Days[origin:] {
		amount, ok := wholeDay(d)
		if !ok {
			return 0, false
		}
		if used+amount >= budget {
			return float64(k) + (budget-used)/amount, true
		}
		used += amount
	}
	return 0, false
}

// Spent is what [Series.Passage] takes for the duty from one day up to, but
// without, another.
func (s *Series) Spent(from, to int) float64 {
	used := 0.0
	for _, d := range s.Days[from:to] {
		amount, _ := wholeDay(d)
		used += amount
	}
	return used
}

// Watched is for how many days from one on the duty is known without a break.
func (s *Series) Watched(origin int) float64 {
	for k, d := range s.Days[origin:] {
		if _, ok := wholeDay(d); !ok {
			return float64(k)
		}
	}
	return float64(len(s.Days) - origin)
}

// wholeDay is the duty of a day, scaled up where part of it was not seen; ok is
// false where too much was not.
func wholeDay(d duty.Day) (amount float64, ok bool) {
	switch {
	case d.Seen < 0.5:
		return 0, d.Type == config.ShutdownType
	case d.Seen < 1:
		return d.Amount / d.Seen, true
	}
	return d.Amount, true
}

// Used is the cumulative duty of the next days; ok is false where they were not
// all seen or there was none.
func (s *Series) Used(origin, span int) (float64, bool) {
	if origin+span > len(s.Days) {
		return 0, false
	}
	sum := 0.0
	for _, d := range s.Days[origin : origin+span] {
		if d.Seen < 1 && d.Type != config.ShutdownType {
			return 0, false
		}
		sum += d.Amount
	}
	return sum, sum > 0
}

// Enough says that the history before a day allows a forecast at all.
func (s *Series) Enough(origin int) bool {
	seen := 0.0
	for _, d := range s.Days[:min(origin, len(s.Days))] {
		if d.Type != config.ShutdownType {
			seen += d.Seen
		}
	}
	return seen >= duty.MinDays
}
