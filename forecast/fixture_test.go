package forecast_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
	"dwindle/forecast/memory"
)

// plant is a small site with one point, for a test to change.
func plant(t testing.TB, zone string) *config.Site {
	t.Helper()
	s := &config.Site{
		ID: "riverside", Zone: zone,
		Areas:      []config.Area{{ID: "tower"}},
		Machines:   []config.Machine{{ID: "elev1", Area: "tower"}},
		Lubricants: []config.Lubricant{{ID: "grease", DensityGPerCM3: 0.9}},
		Reservoirs: []config.Reservoir{{ID: "r125", NominalCM3: 125, UsableCM3: 125, FillSDPercent: 2}},
		Models:     []config.DispenserModel{{ID: "m", Pacing: []config.Pacing{config.PacingRun, config.PacingPulse}, CM3PerStroke: 0.25, StrokeSDPercent: 10}},
		Points: []config.Point{{
			ID: "elev1-head", Machine: "elev1", Lubricant: "grease", Reservoir: "r125",
			Plan: config.Plan{DoseCM3Per100h: 2.5, HoursPerWeek: 70},
		}},
		Dispensers: []config.Dispenser{{
			ID: "d1", Model: "m", Point: "elev1-head",
			Settings: []config.Setting{{ValidFrom: date(t, "2025-01-01"), Pacing: config.PacingRun, CM3Per100h: 2.5}},
		}},
		Calendar: config.Calendar{Rounds: []config.Round{{ID: "round", First: date(t, "2026-01-07"), EveryWeeks: 2}}},
	}
	require.NoError(t, s.Reindex())
	return s
}

func date(t testing.TB, text string) civil.Date {
	t.Helper()
	d, err := civil.Parse(text)
	require.NoError(t, err)
	return d
}

func at(t testing.TB, text string) time.Time {
	t.Helper()
	v, err := time.Parse(time.RFC3339, text)
	require.NoError(t, err)
	return v
}

func change(at time.Time, volume float64) reading.Fact {
	return reading.Fact{ID: "change " + at.String(), Kind: reading.FactChange, Point: "elev1-head", At: at, VolumeCM3: &volume, By: "technician 1"}
}

// run adds run-hours, the same every day, spread over the whole day.
func run(past *memory.Past, device string, first, last civil.Date, hours float64) {
	for d := first; d <= last; d++ {
		past.AddDay(device, reading.Run, d, hours)
	}
}

func one(t testing.TB, s *config.Site, past *memory.Past, at time.Time) forecast.State {
	t.Helper()
	f, err := forecast.Pass(context.Background(), s, past, at, forecast.Options{})
	require.NoError(t, err)
	require.Len(t, f.States, len(s.Points))
	return f.States[0]
}
