package forecast_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/forecast"
	"dwindle/forecast/memory"
)

// A dispenser at 2.5 cm3 per 100 h with 125 cm3 lasts 5000 run-hours; after
// 1234 h it has given 30.85 cm3 and 94.15 are left: plain arithmetic.
func TestVolumeByCommand(t *testing.T) {
	s := plant(t, "UTC")
	past := memory.New(s.Location())
	run(past, "elev1", date(t, "2025-10-01"), date(t, "2026-04-30"), 12.34)
	past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
	past.Seal()

	got := one(t, s, past, at(t, "2026-04-11T00:00:00Z")) // 100 days of 12.34 h
	require.Empty(t, got.Row.Withheld)
	require.InDelta(t, 94.15, *got.Row.RemainingCM3, 1e-9)
	require.Equal(t, 125.0, *got.Row.CapacityCM3)
	require.Equal(t, config.EvidenceNone, got.Row.Evidence)
	require.Equal(t, forecast.NotObservable, got.Delivery.Verdict)
	require.InDelta(t, 1, *got.Row.DeliveryFactor, 1e-12)
	// What is left in hours: 94.15 / 0.025 = 3766 h, 305.19 days of 12.34 h.
	require.Equal(t, date(t, "2026-04-11")+305, *got.Row.EmptyP50)
	require.Less(t, *got.Row.EmptyP10, *got.Row.EmptyP50)
	require.Less(t, *got.Row.EmptyP50, *got.Row.EmptyP90)
	require.Equal(t, *got.Row.EmptyP10-1, *got.Row.ChangeBefore)
	// By plan: 5000 h at 10 h a day are 500 days: the last of them is day 500.
	require.Equal(t, date(t, "2026-01-01")+499, *got.Row.PlannedEmpty)
	require.Equal(t, int(*got.Row.EmptyP50-*got.Row.PlannedEmpty), *got.Row.DriftDays)
	// Visits every other Wednesday from 7 January: 15 April is the next.
	require.Equal(t, date(t, "2026-04-15"), *got.Row.NextVisit)
	require.Less(t, *got.Row.ChanceBeforeVisit, 1e-6)
	require.InDelta(t, 12.34, *got.Row.DutyPerDay, 1e-9)
	require.Equal(t, "mixture built-in-1", got.Row.Basis)
	// The assumed 5 % of the factor counts on the 30.85 cm3 dispensed, beside the
	// fill's 2.5 cm3: 2.937 together, and the scatter of doses.
	require.Greater(t, *got.Row.RemainingSDCM3, 2.937)
	require.Less(t, *got.Row.RemainingSDCM3, 3.2)
	// 28 days of 12.34 h at 2.5 cm3 per 100 h, by plan and by setting.
	require.InDelta(t, 28*12.34*0.025, *got.Delivery.PlannedCM3, 1e-9)
	require.InDelta(t, 28*12.34*0.025, *got.Delivery.CommandedCM3, 1e-9)
	require.InDelta(t, 1, *got.Delivery.PlanRatio, 1e-9)
	require.Nil(t, got.Delivery.Ratio)
}

// A setting changed in mid-fill: each stretch counts with the setting then in
// force, exact to the hour of the change.
func TestVolumeSettingChangedInMidFill(t *testing.T) {
	s := plant(t, "UTC")
	past := memory.New(s.Location())
	run(past, "elev1", date(t, "2026-01-01"), date(t, "2026-03-01"), 24)
	past.AddFact(change(at(t, "2026-01-01T06:00:00Z"), 125))
	five := 5.0
	past.AddFact(reading.Fact{ID: "s", Kind: reading.FactSetting, Device: "d1", At: at(t, "2026-01-11T12:00:00Z"), Pacing: "run", CM3Per100h: &five})
	past.Seal()
	got := one(t, s, past, at(t, "2026-01-21T18:00:00Z"))
	// 246 h at 2.5 and 246 h at 5 cm3 per 100 h.
	require.InDelta(t, 125-2.46*2.5-2.46*5, *got.Row.RemainingCM3, 1e-9)
	require.True(t, got.SettingReported)
	require.Equal(t, 5.0, got.Setting.CM3Per100h)
	require.Equal(t, 2.5, got.Registered.CM3Per100h)
}

// The register's own change of setting takes force at the site's midnight.
func TestVolumeRegisteredSettingChange(t *testing.T) {
	s := plant(t, "Europe/Berlin")
	s.Dispensers[0].Settings = append(s.Dispensers[0].Settings, config.Setting{ValidFrom: date(t, "2026-01-11"), Pacing: config.PacingRun, CM3Per100h: 5})
	past := memory.New(s.Location())
	run(past, "elev1", date(t, "2026-01-01"), date(t, "2026-03-01"), 24)
	past.AddFact(change(at(t, "2026-01-05T23:00:00Z"), 125)) // midnight in Berlin
	past.Seal()
	got := one(t, s, past, at(t, "2026-01-20T23:00:00Z"))
	require.InDelta(t, 125-5*24*0.025-10*24*0.05, *got.Row.RemainingCM3, 1e-9)
}

// A swap in mid-fill: the same reservoir goes on with the new device's setting.
func TestVolumeSwapInMidFill(t *testing.T) {
	s := plant(t, "UTC")
	s.Dispensers = append(s.Dispensers, config.Dispenser{ID: "d2", Model: "m",
		Settings: []config.Setting{{ValidFrom: date(t, "2025-01-01"), Pacing: config.PacingRun, CM3Per100h: 1}}})
	require.NoError(t, s.Reindex())
	past := memory.New(s.Location())
	run(past, "elev1", date(t, "2026-01-01"), date(t, "2026-03-01"), 24)
	past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
	past.AddFact(reading.Fact{ID: "w", Kind: reading.FactSwap, Point: "elev1-head", Device: "d2", OldDevice: "d1", At: at(t, "2026-01-11T00:00:00Z")})
	past.Seal()
	got := one(t, s, past, at(t, "2026-01-21T00:00:00Z"))
	require.Equal(t, "d2", got.Device)
	require.InDelta(t, 125-240*0.025-240*0.01, *got.Row.RemainingCM3, 1e-9)
	// As of the day before the swap the old one is there.
	require.Equal(t, "d1", one(t, s, past, at(t, "2026-01-10T00:00:00Z")).Device)
	// The register already knows the swap: the result is the same.
	s.Dispensers[0].Point, s.Dispensers[1].Point = "", "elev1-head"
	require.NoError(t, s.Reindex())
	again := one(t, s, past, at(t, "2026-01-21T00:00:00Z"))
	require.InDelta(t, *got.Row.RemainingCM3, *again.Row.RemainingCM3, 1e-12)
	// A change that the old device reported stays with the point.
	require.Equal(t, "d1", one(t, s, past, at(t, "2026-01-10T00:00:00Z")).Device)
}

// A change reported by a device belongs to the point at which it is mounted.
func TestVolumeChangeReportedByDevice(t *testing.T) {
	s := plant(t, "UTC")
	past := memory.New(s.Location())
	run(past, "elev1", date(t, "2026-01-01"), date(t, "2026-03-01"), 24)
	f := change(at(t, "2026-01-11T00:00:00Z"), 100)
	f.Point, f.Device = "", "d1"
	past.AddFact(f)
	past.Seal()
	got := one(t, s, past, at(t, "2026-01-21T00:00:00Z"))
	require.InDelta(t, 100-6, *got.Row.RemainingCM3, 1e-9)
}

// Missing is not zero: unseen days count with what is expected, and widen the
// range.
func TestVolumeMissingDays(t *testing.T) {
	s := plant(t, "UTC")
	full, gaps := memory.New(s.Location()), memory.New(s.Location())
	for d := date(t, "2025-11-01"); d <= date(t, "2026-03-01"); d++ {
		full.AddDay("elev1", reading.Run, d, 10)
		if d < date(t, "2026-01-10") || d > date(t, "2026-01-19") {
			gaps.AddDay("elev1", reading.Run, d, 10)
		}
	}
	f := change(at(t, "2026-01-01T00:00:00Z"), 125)
	full.AddFact(f)
	gaps.AddFact(f)
	now := at(t, "2026-02-10T00:00:00Z")
	a, b := one(t, s, full.Seal(), now), one(t, s, gaps.Seal(), now)
	require.InDelta(t, *a.Row.RemainingCM3, *b.Row.RemainingCM3, 1e-6)
	require.GreaterOrEqual(t, *b.Row.RemainingSDCM3, *a.Row.RemainingSDCM3)
	require.InDelta(t, *a.Delivery.PlannedCM3, *b.Delivery.PlannedCM3, 1e-6)
}

// Days on which the clocks change last 23 and 25 hours; a machine that never
// stops runs that long.
func TestVolumeAcrossClockChange(t *testing.T) {
	s := plant(t, "Europe/Berlin")
	past := memory.New(s.Location())
	for d := date(t, "2026-03-01"); d <= date(t, "2026-04-30"); d++ {
		past.AddDay("elev1", reading.Run, d, d.Length(s.Location()).Hours())
	}
	past.AddFact(change(date(t, "2026-03-20").Start(s.Location()), 125))
	past.Seal()
	got := one(t, s, past, date(t, "2026-04-09").Start(s.Location()))
	// 20 civil days, one of 23 h: 479 h.
	require.InDelta(t, 125-479*0.025, *got.Row.RemainingCM3, 1e-9)
}

// A pulse-paced dispenser counts its own pulses; where it reports none, they
// follow from run-hours and the planned pulses.
func TestVolumeByPulses(t *testing.T) {
	s := plant(t, "UTC")
	s.Dispensers[0].Settings = []config.Setting{{ValidFrom: date(t, "2025-01-01"), Pacing: config.PacingPulse, CM3PerPulse: 0.5}}
	s.Points[0].Plan = config.Plan{DoseCM3Per100h: 2.5, HoursPerWeek: 70, PulsesPer100h: 5}
	f := change(at(t, "2026-01-01T00:00:00Z"), 125)
	now := at(t, "2026-01-21T00:00:00Z")

	counted := memory.New(s.Location())
	for d := date(t, "2025-12-01"); d <= date(t, "2026-02-01"); d++ {
		counted.AddDay("d1", reading.Pulse, d, 2)
		counted.AddDay("elev1", reading.Run, d, 50)
	}
	counted.AddFact(f)
	got := one(t, s, counted.Seal(), now)
	require.InDelta(t, 125-20*2*0.5, *got.Row.RemainingCM3, 1e-9)
	require.Equal(t, int64(210), *got.Row.CountLeft) // 105 cm3 at 0.5
	require.Equal(t, config.EvidenceCounted, got.Row.Evidence)
	require.NotNil(t, got.Counted)
	require.InDelta(t, 50, got.Counted.ExpectedPulses, 1e-9) // 20 days x 50 h x 5 / 100 h
	require.InDelta(t, 40, got.Counted.CountedPulses, 1e-9)
	require.InDelta(t, 10, got.Counted.MissedPulses, 1e-9)

	byHours := memory.New(s.Location())
	run(byHours, "elev1", date(t, "2025-12-01"), date(t, "2026-02-01"), 20)
	byHours.AddFact(f)
	got = one(t, s, byHours.Seal(), now)
	require.InDelta(t, 125-20*20*0.05*0.5, *got.Row.RemainingCM3, 1e-9)
	lines, err := forecast.Explain(context.Background(), s, byHours, now, "elev1-head", forecast.Options{})
	require.NoError(t, err)
	require.Contains(t, joined(lines), "taken from the machine's run-hours at 5 pulses per 100 h by plan")
}

func joined(lines []string) string {
	out := ""
	for _, l := range lines {
		out += l + "\n"
	}
	return out
}
