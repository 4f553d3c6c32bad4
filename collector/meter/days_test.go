package meter

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/collector/reading"
	"dwindle/config/civil"
)

func zone(t require.TestingT, name string) *time.Location {
	loc, err := time.LoadLocation(name)
	require.NoError(t, err)
	return loc
}

func TestSplitDaysOverClockChange(t *testing.T) {
	loc := zone(t, "Europe/Berlin")
	// The clocks go back on 2026-10-25 (25 h) and forward on 2026-03-29 (23 h):
	// rules of the EU's directive 2000/84/EC, last Sundays of October and March.
	for _, c := range []struct {
		day   civil.Date
		hours float64
	}{{civil.New(2026, 10, 25), 25}, {civil.New(2026, 3, 29), 23}, {civil.New(2026, 5, 10), 24}} {
		iv := Interval{From: c.day.Start(loc).Add(-12 * time.Hour), To: c.day.End(loc).Add(6 * time.Hour), Amount: 12 + c.hours + 6, Seen: true, Known: true, Flags: reading.Capped}
		parts := SplitDays(iv, loc)
		require.Len(t, parts, 3)
		require.Equal(t, c.day-1, parts[0].Date)
		require.InDelta(t, 12, parts[0].Amount, 1e-9)
		require.InDelta(t, 0.5, parts[0].Seen, 1e-12)
		require.Equal(t, c.day, parts[1].Date)
		require.InDelta(t, c.hours, parts[1].Amount, 1e-9, "one hour for each real hour of the day")
		require.Equal(t, 1.0, parts[1].Seen)
		require.Equal(t, 1.0, parts[1].Known)
		require.Equal(t, c.day+1, parts[2].Date)
		require.InDelta(t, 6, parts[2].Amount, 1e-9)
		require.InDelta(t, 0.25, parts[2].Known, 1e-12)
		require.Equal(t, reading.Capped, parts[2].Flags)
	}
}

func TestSplitDaysWhereMidnightOrADayIsMissing(t *testing.T) {
	// Samoa crossed the date line and had no 2011-12-30: IANA time zone
	// database, zone Pacific/Apia.
	loc := zone(t, "Pacific/Apia")
	first := civil.New(2011, 12, 29)
	iv := Interval{From: first.Start(loc), To: civil.New(2012, 1, 1).Start(loc), Amount: 48, Known: true}
	parts := SplitDays(iv, loc)
	require.Len(t, parts, 2)
	require.Equal(t, []civil.Date{first, civil.New(2011, 12, 31)}, []civil.Date{parts[0].Date, parts[1].Date})
	require.InDelta(t, 24, parts[0].Amount, 1e-9)
	require.Zero(t, parts[0].Seen)
	require.Equal(t, 1.0, parts[0].Known)
}

func TestSplitDaysOfAnInstant(t *testing.T) {
	loc := zone(t, "Europe/Berlin")
	midnight := civil.New(2026, 3, 2).Start(loc)
	parts := SplitDays(Interval{From: midnight, To: midnight, Amount: 1, Seen: true, Known: true}, loc)
	require.Equal(t, []DayPart{{Date: civil.New(2026, 3, 2), Amount: 1}}, parts)
}

func TestDayPartsAddUp(t *testing.T) {
	zones := []*time.Location{time.UTC, zone(t, "Europe/Berlin"), zone(t, "America/Santiago"), zone(t, "Australia/Lord_Howe")}
	rapid.Check(t, func(t *rapid.T) {
		loc := rapid.SampledFrom(zones).Draw(t, "zone")
		from := time.Unix(rapid.Int64Range(1_577_836_800, 1_900_000_000).Draw(t, "from"), 0).UTC()
		iv := Interval{
			From: from, To: from.Add(time.Duration(rapid.Int64Range(0, 40*86_400_000).Draw(t, "length")) * time.Millisecond),
			Amount: rapid.Float64Range(0, 1e6).Draw(t, "amount"), Known: true, Seen: rapid.Bool().Draw(t, "seen"),
		}
		var amount float64
		var length time.Duration
		last := civil.Of(iv.From, loc) - 1
		for _, p := range SplitDays(iv, loc) {
			require.Greater(t, p.Date, last)
			last = p.Date
			require.GreaterOrEqual(t, p.Amount, 0.0)
			require.LessOrEqual(t, p.Known, 1.0)
			amount += p.Amount
			length += time.Duration(p.Known * float64(p.Date.Length(loc)))
			require.Equal(t, iv.Seen && p.Known > 0, p.Seen > 0)
		}
		require.InDelta(t, iv.Amount, amount, 1e-9*max(1, iv.Amount))
		require.InDelta(t, iv.To.Sub(iv.From).Seconds(), length.Seconds(), 1e-3)
		inside := iv.To
		if iv.To.After(iv.From) {
			inside = iv.To.Add(-1) // midnight belongs to the day that begins
		}
		require.Equal(t, civil.Of(inside, loc), last)
	})
}
