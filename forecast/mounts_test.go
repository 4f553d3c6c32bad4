package forecast_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/forecast"
	"dwindle/forecast/memory"
)

// A dispenser that was mounted elsewhere is gone from where it was, also when
// the register still has it there.
func TestDispenserMovedToAnotherPoint(t *testing.T) {
	s := plant(t, "UTC")
	s.Points = append(s.Points, config.Point{ID: "elev1-boot", Machine: "elev1", Reservoir: "r125"})
	require.NoError(t, s.Reindex())
	past := memory.New(s.Location())
	run(past, "elev1", date(t, "2026-01-01"), date(t, "2026-03-01"), 24)
	past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
	yes := true
	volume := 80.0
	past.AddFact(reading.Fact{ID: "m", Kind: reading.FactCommission, Point: "elev1-boot", Device: "d1", At: at(t, "2026-02-01T00:00:00Z"), VolumeCM3: &volume, Accepted: &yes})
	past.Seal()
	f, err := forecast.Pass(t.Context(), s, past, at(t, "2026-02-11T00:00:00Z"), forecast.Options{})
	require.NoError(t, err)
	require.Empty(t, f.States[0].Device)
	require.Contains(t, f.States[0].Row.Withheld, "no dispenser at this point")
	require.Equal(t, "d1", f.States[1].Device)
	require.InDelta(t, 80-6, *f.States[1].Row.RemainingCM3, 1e-9)
	f, err = forecast.Pass(t.Context(), s, past, at(t, "2026-01-11T00:00:00Z"), forecast.Options{})
	require.NoError(t, err)
	require.Equal(t, "d1", f.States[0].Device)
	require.InDelta(t, 125-6, *f.States[0].Row.RemainingCM3, 1e-9)
}

// A commissioning begins a fill and a trial time; accepting ends the trial, as
// do the days the limits give it.
func TestCommissioning(t *testing.T) {
	s := plant(t, "UTC")
	for _, c := range []struct {
		accepted *bool
		day      string
		want     bool
	}{
		{nil, "2026-01-05", true}, {new(bool), "2026-01-05", true}, {nil, "2026-01-20", false},
		{func() *bool { v := true; return &v }(), "2026-01-05", false},
	} {
		past := memory.New(s.Location())
		run(past, "elev1", date(t, "2026-01-01"), date(t, "2026-03-01"), 24)
		volume := 100.0
		past.AddFact(reading.Fact{ID: "c", Kind: reading.FactCommission, Point: "elev1-head", Device: "d1", At: at(t, "2026-01-02T00:00:00Z"), VolumeCM3: &volume, Accepted: c.accepted})
		got := one(t, s, past.Seal(), date(t, c.day).Start(s.Location()))
		require.Equal(t, c.want, got.InCommissioning)
		require.Equal(t, 100.0, *got.Row.CapacityCM3)
		require.Equal(t, reading.FactCommission, got.LastChange.Kind)
	}
}

// The same setting reported again and again is one setting, in force since the
// first report.
func TestSettingReportedAgain(t *testing.T) {
	s := plant(t, "UTC")
	past := memory.New(s.Location())
	run(past, "elev1", date(t, "2026-01-01"), date(t, "2026-03-01"), 24)
	past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
	three := 3.0
	for i := range 40 {
		d := date(t, "2026-01-06")
		past.AddFact(reading.Fact{ID: string(rune('a' + i)), Kind: reading.FactSetting, Device: "d1", At: d.Start(s.Location()).AddDate(0, 0, i), Pacing: "run", CM3Per100h: &three})
	}
	got := one(t, s, past.Seal(), at(t, "2026-01-21T00:00:00Z"))
	require.Equal(t, at(t, "2026-01-06T00:00:00Z"), got.SettingSince)
	require.InDelta(t, 125-5*24*0.025-15*24*0.03, *got.Row.RemainingCM3, 1e-9)
}
