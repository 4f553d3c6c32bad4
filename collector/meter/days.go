package meter

import (
	"time"

	"dwindle/collector/reading"
	"dwindle/config/civil"
)

// DayPart is the share of an interval that falls on one civil day.
type DayPart struct {
	Date   civil.Date
	Amount float64
	Seen   float64 // share of the whole civil day that this part saw, 0 to 1
	Known  float64 // share of the whole civil day that this part knows, 0 to 1
	Flags  reading.Flags
}

// SplitDays splits an interval over the civil days of a zone, in proportion to
// time. Days of 23 or 25 hours are met as they are. The amounts of the parts
// add up to the interval's. An interval without extent, or one that runs
// backwards, falls on the day of its end.
func SplitDays(iv Interval, loc *time.Location) []DayPart { return AppendDays(nil, iv, loc) }

// AppendDays is SplitDays appending to a slice.
func AppendDays(dst []DayPart, iv Interval, loc *time.Location) []DayPart {
	total := iv.To.Sub(iv.From)
	if total <= 0 {
		return append(dst, DayPart{Date: civil.Of(iv.To, loc), Amount: iv.Amount, Flags: iv.Flags})
	}
	left := iv.Amount
	from := iv.From
	for date := civil.Of(iv.From, loc); ; date++ {
		start, end := date.Start(loc), date.End(loc)
		last := !end.Before(iv.To)
		to := end
		if last {
			to = iv.To
		}
		length := to.Sub(from)
		if length <= 0 && !last { // a day that the zone skipped
			continue
		}
		part := DayPart{Date: date, Flags: iv.Flags, Amount: left}
		if !last {
			part.Amount = iv.Amount * (float64(length) / float64(total))
			left -= part.Amount
		}
		share := float64(length) / float64(end.Sub(start))
		if iv.Seen {
			part.Seen = share
		}
		if iv.Known {
			part.Known = share
		}
		dst = append(dst, part)
		if last {
			return dst
		}
		from = end
	}
}
