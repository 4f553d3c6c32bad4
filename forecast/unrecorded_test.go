package forecast_test

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
	"dwindle/forecast/memory"
)

// refilled is a past of 20 h a day (0.5 cm3) with a fill of 125 cm3 of 1 January
// that is changed to another on a day that nobody records.
func refilled(t testing.TB, s *config.Site, seed uint64, step float64, on civil.Date, to float64, factor func(civil.Date) float64) *memory.Past {
	r := rand.New(rand.NewPCG(seed, 1))
	past := memory.New(s.Location())
	past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
	left := 125.0
	for d := date(t, "2026-01-01"); d <= date(t, "2026-06-30"); d++ {
		if d == on {
			left = to
		}
		past.AddDay("elev1", reading.Run, d, 20)
		left -= 0.5 * factor(d)
		past.AddLevel("d1", d.End(s.Location()).Add(-time.Minute), reading.LevelCM3, math.Round((left+0.6*r.NormFloat64())/step)*step)
	}
	return past
}

// A change that nobody recorded shows in the second level after it: the forecast
// goes on from the new level, the fill stays the recorded one, a notice asks for
// the record, and no delivery verdict comes of the rise. Once it is recorded, the
// notice goes.
func TestUnrecordedChange(t *testing.T) {
	for _, step := range []float64{1.25, 12.5} {
		s := gauged(t, step, 0.6, config.EvidenceMeasured)
		on := date(t, "2026-03-15")
		past := refilled(t, s, 31, step, on, 125, always(1)).Seal()
		for i := range 90 {
			d := on + civil.Date(i)
			got := one(t, s, past, d.End(s.Location()))
			require.NotContains(t, []forecast.Verdict{forecast.Under, forecast.Over, forecast.NotDispensing}, got.Delivery.Verdict, "step %g, day %d: %s", step, i, got.Delivery.Why)
			require.Equal(t, at(t, "2026-01-01T00:00:00Z"), *got.Row.FillStarted)
			require.Equal(t, 125.0, *got.Row.CapacityCM3)
			if i == 0 {
				require.Nil(t, got.Row.LevelRose, "one level decides nothing")
				continue
			}
			require.Equal(t, on, s.Today(*got.Row.LevelRose))
			require.InDelta(t, 125, *got.Row.LevelRoseCM3, 4)
			require.Len(t, got.Row.Notices, 1)
			require.Contains(t, got.Row.Notices[0], "cm3 on 15 Mar without a recorded change: record it with `dwindle change`")
			require.Contains(t, got.Delivery.Why, got.Row.Notices[0])
			require.InDelta(t, 125-0.5*float64(i+1), *got.Row.RemainingCM3, 4)
			require.Empty(t, got.Row.Withheld)
			require.Nil(t, got.Row.DriftDays, "the plan speaks of another fill")
			// 0.5 cm3 a day from what is left.
			require.InDelta(t, float64(d+1)+2*(125-0.5*float64(i+1)), float64(*got.Row.EmptyP50), 25) // of some 250 days
		}
		lines, err := forecast.Explain(context.Background(), s, past, (on + 10).End(s.Location()), "elev1-head", forecast.Options{})
		require.NoError(t, err)
		require.Contains(t, joined(lines), "Note: the level rose to")
		require.Contains(t, joined(lines), "Until the level rose, 37.0 cm3 were commanded and 3")

		past = refilled(t, s, 31, step, on, 125, always(1))
		c := change(on.Start(s.Location()).Add(8*time.Hour), 125)
		c.ID = "c2"
		past.AddFact(c)
		got := one(t, s, past.Seal(), (on + 30).End(s.Location()))
		require.Nil(t, got.Row.LevelRose)
		require.Empty(t, got.Row.Notices)
		require.NotNil(t, got.Row.DriftDays)
	}
}

// Many plants, fine scales and coarse: a change that nobody recorded is found
// within three days, one that was not made is never said.
func TestUnrecordedChangeFleet(t *testing.T) {
	for seed := uint64(910); seed < 930; seed++ {
		step := []float64{0.5, 1.25, 6.25, 12.5}[seed%4]
		s := gauged(t, step, 0.6, config.EvidenceMeasured)
		r := rand.New(rand.NewPCG(seed, 2))
		on := date(t, "2026-03-01") + civil.Date(r.IntN(60))
		to := 125 * (1 + 0.02*r.NormFloat64())
		past := refilled(t, s, seed, step, on, to, always(1)).Seal()
		require.Nil(t, one(t, s, past, on.Start(s.Location())).Row.LevelRose)
		got := one(t, s, past, (on + 2).End(s.Location()))
		require.NotNil(t, got.Row.LevelRose, "seed %d, step %g, %s", seed, step, on)
		require.InDelta(t, float64(on), float64(s.Today(*got.Row.LevelRose)), 1)
		still := refilled(t, s, seed, step, 0, 0, func(d civil.Date) float64 { return map[bool]float64{true: 0, false: 1}[d > on] }).Seal()
		for i := 1; i < 60; i += 7 {
			require.Nil(t, one(t, s, still, (on+civil.Date(i)).End(s.Location())).Row.LevelRose, "blocked since %s, day %d", on, i)
		}
	}
}

// After a silence of the level the forecast goes on by prediction, and says so
// once what is left is no longer known to a twentieth of the reservoir.
func TestSilentLevelSaysHowUnsure(t *testing.T) {
	s := gauged(t, 1.25, 0.6, config.EvidenceMeasured)
	past := memory.New(s.Location())
	past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
	for d := date(t, "2026-01-01"); d <= date(t, "2026-12-31"); d++ {
		past.AddDay("elev1", reading.Run, d, 20)
		if i := d - date(t, "2026-01-01"); i < 12 {
			past.AddLevel("d1", d.End(s.Location()).Add(-time.Minute), reading.LevelCM3, 125-0.5*float64(i+1))
		}
	}
	past.Seal()
	said := 0
	for d := date(t, "2026-01-13"); d < date(t, "2026-08-20"); d++ {
		got := one(t, s, past, d.End(s.Location()))
		require.NotNil(t, got.Row.EmptyP50, "the forecast stays")
		unsure := *got.Row.RemainingSDCM3 > 0.05*125
		require.Equal(t, unsure, len(got.Row.Notices) > 0, "%s", d)
		if unsure {
			said++
			require.Contains(t, got.Row.Notices[0], "(no level since 12 Jan)")
		}
	}
	require.Positive(t, said)
	// Where nothing is ever measured it says that.
	s.Reservoirs[0].FillSDPercent = 6
	bare := memory.New(s.Location())
	run(bare, "elev1", date(t, "2026-01-01"), date(t, "2026-03-01"), 20)
	bare.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
	got := one(t, s, bare.Seal(), at(t, "2026-02-01T00:00:00Z"))
	require.Len(t, got.Row.Notices, 1)
	require.Contains(t, got.Row.Notices[0], "nothing is measured since the change")
}

// Three levels in a row that do not fit are believed, and said.
func TestJumpOfTheLevelIsSaid(t *testing.T) {
	s := gauged(t, 1.25, 0.6, config.EvidenceMeasured)
	past := memory.New(s.Location())
	past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
	for d := date(t, "2026-01-01"); d <= date(t, "2026-03-31"); d++ {
		past.AddDay("elev1", reading.Run, d, 20)
		l := 125 - 0.5*float64(d-date(t, "2026-01-01")+1)
		if d >= date(t, "2026-02-20") {
			l -= 8
		}
		past.AddLevel("d1", d.End(s.Location()).Add(-time.Minute), reading.LevelCM3, l)
	}
	past.Seal()
	require.Empty(t, one(t, s, past, at(t, "2026-02-20T00:00:00Z")).Row.Notices)
	got := one(t, s, past, at(t, "2026-03-16T00:00:00Z"))
	require.InDelta(t, 125-37-8, *got.Row.RemainingCM3, 1)
	if v := got.Delivery.Verdict; v == forecast.AsPlanned || v == forecast.TooEarly {
		require.Len(t, got.Row.Notices, 1)
		require.Contains(t, got.Row.Notices[0], "about 20 Feb the level fell by 8 cm3")
	} else {
		t.Fatalf("verdict %s: %s", v, got.Delivery.Why)
	}
}

// A display that only counts proves nothing: where it rises without a recorded
// change, the forecast stays and a notice asks.
func TestDisplayThatRoseIsSaid(t *testing.T) {
	s := gauged(t, 1.25, 0.6, config.EvidenceCounted)
	past := refilled(t, s, 32, 1.25, date(t, "2026-03-15"), 125, always(1)).Seal()
	require.Empty(t, one(t, s, past, at(t, "2026-03-15T00:00:00Z")).Row.Notices)
	got := one(t, s, past, at(t, "2026-04-11T00:00:00Z"))
	require.InDelta(t, 125-100*0.5, *got.Row.RemainingCM3, 1e-9)
	require.Nil(t, got.Row.LevelRose)
	require.Contains(t, got.Row.Notices[0], "own display rose to")
	require.Contains(t, got.Row.Notices[0], "on 15 Mar without a recorded change")
}

// A person who weighs once a month is asked at the first weighing that is far
// too high; the second decides.
func TestWeighingFarTooHighIsAsked(t *testing.T) {
	s := plant(t, "UTC")
	past := memory.New(s.Location())
	run(past, "elev1", date(t, "2026-01-01"), date(t, "2026-06-30"), 20)
	past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
	for day, left := range map[string]float64{"2026-02-01": 110, "2026-03-01": 95, "2026-04-01": 121, "2026-05-01": 106} {
		past.AddFact(reading.Fact{ID: day, Kind: reading.FactWeighing, Point: "elev1-head", At: at(t, day+"T08:00:00Z"), CM3: &left})
	}
	past.Seal()
	require.Empty(t, one(t, s, past, at(t, "2026-03-02T00:00:00Z")).Row.Notices)
	got := one(t, s, past, at(t, "2026-04-02T00:00:00Z"))
	require.Nil(t, got.Row.LevelRose)
	require.Contains(t, got.Row.Notices[0], "the newest weighing, 121 cm3 on 1 Apr, is far above")
	require.InDelta(t, 125-91*0.5, *got.Row.RemainingCM3, 3)
	got = one(t, s, past, at(t, "2026-05-02T00:00:00Z"))
	require.Equal(t, date(t, "2026-04-01"), s.Today(*got.Row.LevelRose))
	require.InDelta(t, 106, *got.Row.RemainingCM3, 2)
	require.Len(t, got.Row.Notices, 1)
}

// The consumption of a point does not suffer from a change that nobody recorded,
// nor from a wild level: 0.5 cm3 in 20 h are 2.5 cm3 per 100 h.
func TestTrendsOverAnUnrecordedChange(t *testing.T) {
	for _, on := range []civil.Date{0, date(t, "2026-03-15"), date(t, "2026-05-31"), date(t, "2026-01-03")} {
		s := gauged(t, 1.25, 0.6, config.EvidenceMeasured)
		past := refilled(t, s, 33, 1.25, on, 125, always(1))
		rows, err := forecast.Trends(context.Background(), s, past.Seal(), date(t, "2026-01-01"), date(t, "2026-05-31"))
		require.NoError(t, err)
		require.Equal(t, "delivered", rows[0].Volume)
		require.InDelta(t, 2.5, *rows[0].CM3Per100h, 0.4, "%s", on)
	}
}
