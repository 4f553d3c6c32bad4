package forecast_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
	"dwindle/forecast/memory"
)

// used is a site whose machine runs 10 h a day, less on some days, with a fill
// of 125 cm3 of 1 January; 5000 h at 2.5 cm3 per 100 h.
func used(t *testing.T) (*config.Site, *memory.Past) {
	s := plant(t, "UTC")
	past := memory.New(s.Location())
	for d := date(t, "2025-09-01"); d <= date(t, "2026-12-31"); d++ {
		past.AddDay("elev1", reading.Run, d, 24-float64(d%5))
	}
	past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
	return s, past.Seal()
}

// The chance that costs accept is early / (early + dry): 9 to 1 is one in ten,
// which is the early date; 19 to 1 is one in twenty.
func TestDateToActByCosts(t *testing.T) {
	now := at(t, "2026-05-01T00:00:00Z")
	s, past := used(t)
	usual := one(t, s, past, now)
	require.InDelta(t, 0.1, *usual.Row.ActChance, 1e-12)
	require.Equal(t, *usual.Row.ChangeBefore, *usual.Row.ActBefore)

	dates := map[float64]civil.Date{}
	for ratio, chance := range map[float64]float64{1: 0.5, 4: 0.2, 19: 0.05, 99: 0.01} {
		s.Limits.DryCostRatio = ratio
		got := one(t, s, past, now)
		require.InDelta(t, chance, *got.Row.ActChance, 1e-12)
		// On the date itself the chance is within what is accepted, on the next
		// day it is not.
		require.Less(t, got.ChanceBefore(*got.Row.ActBefore), chance)
		require.GreaterOrEqual(t, got.ChanceBefore(*got.Row.ActBefore+1), chance)
		require.Equal(t, *usual.Row.ChangeBefore, *got.Row.ChangeBefore, "the contract's date stays at the early one")
		dates[ratio] = *got.Row.ActBefore
	}
	require.Less(t, dates[99], dates[19])
	require.Less(t, dates[19], *usual.Row.ActBefore)
	require.Less(t, *usual.Row.ActBefore, dates[4])
	require.Less(t, dates[4], dates[1])

	// A critical machine may count more, never less.
	s.Limits.DryCostRatio, s.Limits.DryCostRatioA = 9, 19
	require.InDelta(t, 0.1, *one(t, s, past, now).Row.ActChance, 1e-12)
	s.Machines[0].Criticality = config.CriticalityA
	require.NoError(t, s.Reindex())
	require.Equal(t, dates[19], *one(t, s, past, now).Row.ActBefore)
	s.Limits.DryCostRatio, s.Limits.DryCostRatioA = 99, 19
	require.Equal(t, dates[99], *one(t, s, past, now).Row.ActBefore)

	lines, err := forecast.Explain(context.Background(), s, past, now, "elev1-head", forecast.Options{})
	require.NoError(t, err)
	require.Contains(t, joined(lines), "Act by: "+dates[99].String()+". Running dry is held to cost 99 times what a change too early does, so up to 1 % chance")
	// Rounds every other Wednesday from 7 January.
	last := dates[99] - (dates[99]-date(t, "2026-01-07"))%14
	require.Contains(t, joined(lines), "The last planned visit up to then is that of "+last.String())
}

// A reservoir that is empty by estimate says since about when: 5000 h at 22 h
// a day on average are 228 days from 1 January, 16 August.
func TestEmptySince(t *testing.T) {
	s, past := used(t)
	got := one(t, s, past, at(t, "2026-09-01T00:00:00Z"))
	require.Equal(t, date(t, "2026-08-16"), *got.Row.EmptySince)
	require.Equal(t, date(t, "2026-09-01"), *got.Row.EmptyP50)
	require.Zero(t, *got.Row.RemainingCM3)
	require.Equal(t, 1.0, got.ChanceBefore(date(t, "2026-09-01")))
	require.Equal(t, int(date(t, "2026-08-16")-*got.Row.PlannedEmpty), *got.Row.DriftDays)
	require.Less(t, *got.Row.ActBefore, date(t, "2026-09-01"))
	lines, err := forecast.Explain(context.Background(), s, past, at(t, "2026-09-01T00:00:00Z"), "elev1-head", forecast.Options{})
	require.NoError(t, err)
	require.Contains(t, joined(lines), "Empty since about 2026-08-16, by estimate.")
	require.Contains(t, joined(lines), "h since it ran empty")
	require.Contains(t, joined(lines), "Act by: now.")
	require.Nil(t, one(t, s, past, at(t, "2026-08-01T00:00:00Z")).Row.EmptySince)
}
