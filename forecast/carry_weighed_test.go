package forecast_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/forecast"
	"dwindle/forecast/memory"
)

// weighedAtChange is a past without a level sensor: 20 h a day, 0.5 cm3, and a
// change on 1 April, at which the old reservoir was weighed as given.
func weighedAtChange(t testing.TB, s *config.Site, edit func(*reading.Fact)) *memory.Past {
	past := memory.New(s.Location())
	run(past, "elev1", date(t, "2025-12-01"), date(t, "2026-06-30"), 20)
	past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
	c := change(at(t, "2026-04-01T00:00:00Z"), 125)
	c.ID = "c2"
	edit(&c)
	past.AddFact(c)
	return past.Seal()
}

// What was weighed in the old reservoir is measured evidence for all that went
// out of it, in cm3 or in grams by the lubricant's density (0.9 g/cm3): after 90
// days 45 cm3 were commanded; 89 left are 36 out, 0.8 of the command. The factor
// goes on over the change with 0.05 more.
func TestWeighedResidualCarriesTheFactor(t *testing.T) {
	s := plant(t, "UTC")
	now := at(t, "2026-04-02T00:00:00Z")
	none := one(t, s, weighedAtChange(t, s, func(*reading.Fact) {}), now)
	require.InDelta(t, 1, *none.Row.DeliveryFactor, 1e-9, "nothing says otherwise")

	cm3, grams := 89.0, 89*0.9
	byVolume := one(t, s, weighedAtChange(t, s, func(f *reading.Fact) { f.ResidualCM3 = &cm3 }), now)
	byMass := one(t, s, weighedAtChange(t, s, func(f *reading.Fact) { f.ResidualG = &grams }), now)
	require.InDelta(t, *byVolume.Row.DeliveryFactor, *byMass.Row.DeliveryFactor, 1e-12)
	require.Equal(t, byVolume.Row.EmptyP50, byMass.Row.EmptyP50)
	// By arithmetic: prior 1 ± 0.05 as nothing else is measured at this site,
	// evidence 36/45 with sd sqrt(2.5^2 + 1.25^2 + 0.0025*45)/45 = 0.063:
	// 1 - 0.2*0.05^2/(0.05^2+0.063^2) = 0.92.
	e := (2.5*2.5 + 1.25*1.25 + 0.0025*45) / (45 * 45)
	want := 1 - 0.2*0.0025/(0.0025+e)
	require.InDelta(t, want, *byVolume.Row.DeliveryFactor, 0.01)
	sd := math.Sqrt(0.0025*e/(0.0025+e) + 0.05*0.05)
	require.InDelta(t, sd, *byVolume.Row.DeliveryFactorSD, 0.01)
	require.Greater(t, *byVolume.Row.EmptyP50, *none.Row.EmptyP50)
	// Without a density grams say nothing.
	s.Lubricants[0].DensityGPerCM3 = 0
	require.InDelta(t, 1, *one(t, s, weighedAtChange(t, s, func(f *reading.Fact) { f.ResidualG = &grams }), now).Row.DeliveryFactor, 1e-9)
}

// A swap between the fills, or in the middle of one, brings another pump: what
// was known of the old one does not count for it.
func TestSwapForgetsThePump(t *testing.T) {
	cm3 := 89.0
	swap := func(past *memory.Past, when string) *memory.Past {
		past.AddFact(reading.Fact{ID: "w", Kind: reading.FactSwap, Point: "elev1-head", Device: "d2", OldDevice: "d1", At: at(t, when)})
		return past.Seal()
	}
	s := gauged(t, 1.25, 0.6, config.EvidenceMeasured)
	s.Dispensers = append(s.Dispensers, config.Dispenser{ID: "d2", Model: "m", Settings: s.Dispensers[0].Settings})
	require.NoError(t, s.Reindex())

	past := weighedAtChange(t, s, func(f *reading.Fact) { f.ResidualCM3 = &cm3 })
	require.Less(t, *one(t, s, past, at(t, "2026-04-10T00:00:00Z")).Row.DeliveryFactor, 0.95)
	got := one(t, s, swap(past, "2026-04-05T00:00:00Z"), at(t, "2026-04-10T00:00:00Z"))
	require.Equal(t, "d2", got.Device)
	require.InDelta(t, 1, *got.Row.DeliveryFactor, 1e-9)

	// Half of it went out by the first pump; the second delivers all.
	mid := gauge(t, s, 41, 1.25, 0.6, always(0.5))
	before := one(t, s, mid, at(t, "2026-03-01T00:00:00Z"))
	require.Equal(t, forecast.Under, before.Delivery.Verdict)
	left := *before.Row.RemainingCM3
	swap(mid, "2026-03-01T00:00:00Z")
	after := one(t, s, mid, at(t, "2026-03-05T00:00:00Z"))
	require.InDelta(t, 1, *after.Row.DeliveryFactor, 1e-9)
	require.InDelta(t, left-4*0.5, *after.Row.RemainingCM3, 0.5)
	require.NotEqual(t, forecast.Under, after.Delivery.Verdict, after.Delivery.Why)
	require.Equal(t, at(t, "2026-03-01T00:00:00Z"), after.Delivery.From)
	require.Less(t, *after.Row.EmptyP50, *before.Row.EmptyP50)
}

// Grams become cm3 by the lubricant's density, percents by the usable volume;
// the same reservoir seen three ways gives the same forecast.
func TestLevelsInAnyUnit(t *testing.T) {
	s := gauged(t, 1.25, 0.6, config.EvidenceMeasured)
	rows := map[reading.Quantity]forecast.Row{}
	for q, k := range map[reading.Quantity]float64{reading.LevelCM3: 1, reading.LevelGrams: 0.9, reading.LevelPercent: 0.8} {
		past := memory.New(s.Location())
		past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
		for d := date(t, "2026-01-01"); d <= date(t, "2026-03-31"); d++ {
			past.AddDay("elev1", reading.Run, d, 20)
			past.AddLevel("d1", d.End(s.Location()), q, k*(125-0.45*float64(d-date(t, "2026-01-01")+1)))
		}
		rows[q] = one(t, s, past.Seal(), at(t, "2026-04-01T00:00:00Z")).Row
	}
	require.InDelta(t, 125-0.45*90, *rows[reading.LevelCM3].RemainingCM3, 0.5)
	for _, q := range []reading.Quantity{reading.LevelGrams, reading.LevelPercent} {
		require.InDelta(t, *rows[reading.LevelCM3].RemainingCM3, *rows[q].RemainingCM3, 1e-9)
		require.InDelta(t, *rows[reading.LevelCM3].DeliveryFactor, *rows[q].DeliveryFactor, 1e-9)
		require.Equal(t, rows[reading.LevelCM3].EmptyP50, rows[q].EmptyP50)
	}
}
