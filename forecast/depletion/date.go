package depletion

import (
	"math"

	"dwindle/config/civil"
)

// DateAt is the civil date on which a time on a curve falls. The curve's first
// day is today, whole or what is left of it, so times in [0, 1] are today,
// (1, 2] tomorrow, and so on. A tenth of a second past midnight is still the
// day before: rounding must not move a date.
func DateAt(today civil.Date, days float64) civil.Date {
	const rounding = 1e-6
	if days -= rounding; !(days > 1) {
		return today
	}
	return today + civil.Date(math.Ceil(math.Min(days, 1e6))) - 1
}

// EndOf is the time on a curve at which a civil date ends, the inverse of
// [DateAt]: what [Curve.Chance] needs for P(empty on or before date). Dates
// before today give a negative time, for which the chance is 0.
func EndOf(today, date civil.Date) float64 {
	if date < today {
		return -1
	}
	return float64(date-today) + 1
}

// Elapsed turns a time on a curve into real days from now when only firstShare
// of the first day is left.
func Elapsed(days, firstShare float64) float64 {
	if days <= 1 {
		return days * firstShare
	}
	return firstShare + days - 1
}
