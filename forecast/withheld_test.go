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

// Every reason says what is missing and what to do.
func TestWithheldReasons(t *testing.T) {
	full := func(s *config.Site) *memory.Past {
		past := memory.New(s.Location())
		run(past, "elev1", date(t, "2025-10-01"), date(t, "2026-04-30"), 12)
		return past
	}
	filled := func(past *memory.Past) *memory.Past {
		past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
		return past
	}
	for _, c := range []struct {
		name string
		site func(*config.Site)
		past func(*config.Site) *memory.Past
		want []string
	}{
		{"no change", nil, full, []string{"no reservoir change recorded yet", "dwindle change"}},
		{"no dispenser", func(s *config.Site) { s.Dispensers[0].Point = "" }, func(s *config.Site) *memory.Past { return filled(full(s)) },
			[]string{"no dispenser at this point", "dwindle swap"}},
		{"no volume", func(s *config.Site) { s.Points[0].Reservoir = "" }, func(s *config.Site) *memory.Past {
			past := full(s)
			f := change(at(t, "2026-01-01T00:00:00Z"), 0)
			f.VolumeCM3 = nil
			past.AddFact(f)
			return past
		}, []string{"volume put in is not known", "usable_cm3"}},
		{"no setting", func(s *config.Site) { s.Dispensers[0].Settings = nil }, func(s *config.Site) *memory.Past { return filled(full(s)) },
			[]string{"no setting of dispenser d1", "settings:"}},
		{"setting zero", func(s *config.Site) { s.Dispensers[0].Settings[0].CM3Per100h = 0 }, func(s *config.Site) *memory.Past { return filled(full(s)) },
			[]string{"set to zero"}},
		{"setting later than the fill", func(s *config.Site) { s.Dispensers[0].Settings[0].ValidFrom = date(t, "2026-02-01") },
			func(s *config.Site) *memory.Past { return filled(full(s)) }, []string{"for a part of the fill no setting", "2026-01-01"}},
		{"no signal and no plan", func(s *config.Site) { s.Points[0].Plan.HoursPerWeek = 0 },
			func(s *config.Site) *memory.Past { return filled(memory.New(s.Location())) }, []string{"no run signal of machine elev1 seen yet", "hours_per_week"}},
		{"short history and no plan", func(s *config.Site) { s.Points[0].Plan.HoursPerWeek = 0 }, func(s *config.Site) *memory.Past {
			past := filled(memory.New(s.Location()))
			run(past, "elev1", date(t, "2026-03-10"), date(t, "2026-03-14"), 12)
			return past
		}, []string{"only 5 days of use seen, 14 are needed", "hours_per_week"}},
		{"signal lost", nil, func(s *config.Site) *memory.Past {
			past := filled(memory.New(s.Location()))
			run(past, "elev1", date(t, "2025-10-01"), date(t, "2026-01-31"), 12)
			return past
		}, []string{"no run signal of machine elev1 since 2026-02-01", "gateway"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := plant(t, "UTC")
			if c.site != nil {
				c.site(s)
				require.NoError(t, s.Reindex())
			}
			past := c.past(s).Seal()
			now := at(t, "2026-03-15T12:00:00Z")
			got := one(t, s, past, now)
			for _, w := range c.want {
				require.Contains(t, got.Row.Withheld, w)
			}
			require.Nil(t, got.Row.EmptyP50)
			require.Nil(t, got.Row.BeyondDays)
			require.Nil(t, got.ChanceBefore)
			require.NotEmpty(t, got.Delivery.Verdict)
			lines, err := forecast.Explain(context.Background(), s, past, now, "elev1-head", forecast.Options{})
			require.NoError(t, err)
			require.Contains(t, joined(lines), "No forecast")
		})
	}
}

// With a plan, a new machine is forecast from it at once.
func TestPlanRung(t *testing.T) {
	s := plant(t, "UTC")
	past := memory.New(s.Location())
	past.AddFact(change(at(t, "2026-03-10T00:00:00Z"), 125))
	run(past, "elev1", date(t, "2026-03-10"), date(t, "2026-03-14"), 10)
	got := one(t, s, past.Seal(), at(t, "2026-03-15T00:00:00Z"))
	require.Empty(t, got.Row.Withheld)
	require.Equal(t, "plan", got.Row.Basis)
	// 4950 h left at 10 h a day are 495 days.
	require.InDelta(t, float64(date(t, "2026-03-15")+494), float64(*got.Row.EmptyP50), 3)
}

func TestNoUseIsBeyondHorizon(t *testing.T) {
	s := plant(t, "UTC")
	past := memory.New(s.Location())
	past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
	run(past, "elev1", date(t, "2025-10-01"), date(t, "2026-03-31"), 0)
	got := one(t, s, past.Seal(), at(t, "2026-03-15T00:00:00Z"))
	require.Empty(t, got.Row.Withheld)
	require.Nil(t, got.Row.EmptyP50)
	require.Equal(t, 730, *got.Row.BeyondDays)
	require.Equal(t, 125.0, *got.Row.RemainingCM3)
}

// A shutdown ahead moves the date by its length; dates are the site's.
func TestShutdownAheadMovesTheDate(t *testing.T) {
	s := plant(t, "Europe/Berlin")
	past := memory.New(s.Location())
	past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 50))
	run(past, "elev1", date(t, "2025-10-01"), date(t, "2026-04-30"), 20)
	past.Seal()
	now := date(t, "2026-03-15").Start(s.Location())
	open := one(t, s, past, now)
	s.Calendar.Shutdowns = []config.Shutdown{{From: date(t, "2026-03-20"), To: date(t, "2026-03-29"), Areas: []string{"tower"}}}
	shut := one(t, s, past, now)
	require.Equal(t, *open.Row.EmptyP50+10, *shut.Row.EmptyP50)
	require.Equal(t, *open.Row.PlannedEmpty+10, *shut.Row.PlannedEmpty)
	// All shut for good: beyond the horizon, not never and not an error.
	s.Calendar.Shutdowns[0].To = date(t, "2030-01-01")
	require.Equal(t, 730, *one(t, s, past, now).Row.BeyondDays)
}

// Already empty: the dates are today, what is shown is nothing, not less.
func TestAlreadyEmpty(t *testing.T) {
	s := plant(t, "UTC")
	past := memory.New(s.Location())
	past.AddFact(change(at(t, "2025-10-01T00:00:00Z"), 20))
	run(past, "elev1", date(t, "2025-10-01"), date(t, "2026-03-31"), 20)
	got := one(t, s, past.Seal(), at(t, "2026-03-15T12:00:00Z"))
	require.Equal(t, 0.0, *got.Row.RemainingCM3)
	require.Equal(t, date(t, "2026-03-15"), *got.Row.EmptyP10)
	require.Equal(t, date(t, "2026-03-15"), *got.Row.EmptyP50)
	require.Equal(t, date(t, "2026-03-15"), *got.Row.EmptyP90)
	require.Equal(t, 1.0, *got.Row.ChanceBeforeVisit)
}

// A dispenser that reports nothing and a machine without a run signal are
// forecast by the plan: dose per day, pulses per day.
func TestNoRunSignal(t *testing.T) {
	s := plant(t, "UTC")
	no := false
	s.Machines[0].RunSignal = &no
	s.Points[0].Plan = config.Plan{DoseCM3PerDay: 1, PulsesPerDay: 10}
	s.Dispensers[0].Settings = []config.Setting{{ValidFrom: date(t, "2025-01-01"), Pacing: config.PacingPulse, CM3PerPulse: 0.1}}
	require.NoError(t, s.Reindex())
	past := memory.New(s.Location())
	past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 100))
	got := one(t, s, past.Seal(), at(t, "2026-02-20T00:00:00Z"))
	require.Empty(t, got.Row.Withheld)
	require.InDelta(t, 50, *got.Row.RemainingCM3, 1e-6)
	require.InDelta(t, float64(date(t, "2026-04-10")), float64(*got.Row.EmptyP50), 1)
	require.Equal(t, date(t, "2026-04-10"), *got.Row.PlannedEmpty) // 100 days
	require.InDelta(t, 28, *got.Delivery.PlannedCM3, 1e-9)

	counted := memory.New(s.Location())
	counted.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 100))
	for d := date(t, "2026-01-01"); d <= date(t, "2026-03-01"); d++ {
		counted.AddDay("d1", reading.Pulse, d, 10)
	}
	got = one(t, s, counted.Seal(), at(t, "2026-02-20T00:00:00Z"))
	require.InDelta(t, 50, *got.Row.RemainingCM3, 1e-6)
	require.Equal(t, int64(500), *got.Row.CountLeft)
	require.InDelta(t, 0, got.Counted.MissedPulses, 1e-9)
}
