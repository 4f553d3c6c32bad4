package forecast_test

import (
	"context"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
	"dwindle/forecast/memory"
)

// harvests is a year of 10 h a day, with harvests at a multiple of it.
func harvests(t testing.TB, s *config.Site, until string, times map[string]float64) *memory.Past {
	past := memory.New(s.Location())
	for d := date(t, until) - 365; d < date(t, until); d++ {
		h := 10.0
		for i := range s.Calendar.WorkPatterns {
			if w := &s.Calendar.WorkPatterns[i]; d >= w.From && d <= w.To {
				h *= times[w.Name]
			}
		}
		past.AddDay("elev1", reading.Run, d, h)
	}
	return past
}

func explained(t testing.TB, s *config.Site, past *memory.Past, day string) string {
	t.Helper()
	lines, err := forecast.Explain(context.Background(), s, past, date(t, day).Start(s.Location()), "elev1-head", forecast.Options{})
	require.NoError(t, err)
	return strings.Join(lines, "\n")
}

// 5000 h at 10 h a day are 500 days; 46 days at 16 h take 27.6 of them off.
func TestWorkPatternAheadMovesTheDate(t *testing.T) {
	s := plant(t, "Europe/Berlin")
	past := harvests(t, s, "2026-03-01", nil)
	past.AddFact(change(date(t, "2026-03-01").Start(s.Location()), 125))
	past.Seal()
	now := date(t, "2026-03-01").Start(s.Location())
	without := one(t, s, past, now)
	require.Equal(t, date(t, "2026-03-01")+499, *without.Row.EmptyP50)
	require.Equal(t, date(t, "2026-03-01")+499, *without.Row.PlannedEmpty)
	require.NotContains(t, explained(t, s, past, "2026-03-01"), "Work pattern")

	harvest := config.WorkPattern{Name: "harvest", From: date(t, "2026-08-01"), To: date(t, "2026-09-15"), Areas: []string{"tower"}, Load: 1.6}
	hours := harvest
	hours.Load, hours.HoursPerWeek = 0, 112 // of the 70 by plan
	for _, w := range []config.WorkPattern{harvest, hours} {
		s.Calendar.WorkPatterns = []config.WorkPattern{w}
		got := one(t, s, past, now)
		require.InDelta(t, float64(date(t, "2026-03-01")+472), float64(*got.Row.EmptyP50), 1)
		require.Equal(t, date(t, "2026-03-01")+472, *got.Row.PlannedEmpty, "the plan knows it too")
		require.InDelta(t, without.ChanceBefore(date(t, "2026-07-15")), got.ChanceBefore(date(t, "2026-07-15")), 1e-9)
		require.Greater(t, got.ChanceBefore(*got.Row.EmptyP50+5), without.ChanceBefore(*got.Row.EmptyP50+5)+0.3)
		require.Contains(t, explained(t, s, past, "2026-03-01"), "Work pattern: harvest, 2026-08-01 to 2026-09-15: 1.6 times the ordinary use.")
	}

	// One that comes after the fill has ended does not touch it.
	s.Calendar.WorkPatterns = []config.WorkPattern{{Name: "next year", From: date(t, "2027-12-01"), To: date(t, "2027-12-15"), Load: 0.5}}
	require.NotContains(t, explained(t, s, past, "2026-03-01"), "next year")
	require.Equal(t, *without.Row.EmptyP50, *one(t, s, past, now).Row.EmptyP50)

	// Nor does one of another area.
	s.Areas = append(s.Areas, config.Area{ID: "quay"})
	harvest.Areas = []string{"quay"}
	s.Calendar.WorkPatterns = []config.WorkPattern{harvest}
	require.NoError(t, s.Reindex())
	require.Equal(t, without.Row, one(t, s, past, now).Row)
	require.NotContains(t, explained(t, s, past, "2026-03-01"), "Work pattern")

	// Holidays in a harvest stay holidays, shutdowns shutdowns.
	harvest.Areas = nil
	s.Calendar.WorkPatterns = []config.WorkPattern{harvest}
	s.Calendar.Shutdowns = []config.Shutdown{{From: harvest.From, To: harvest.To}}
	require.Equal(t, date(t, "2026-03-01")+499+46, *one(t, s, past, now).Row.PlannedEmpty)
}

// A past harvest that did as stated leaves everything as it would be without.
func TestPastWorkPatternIsNoChange(t *testing.T) {
	s := plant(t, "UTC")
	s.Calendar.WorkPatterns = []config.WorkPattern{{Name: "harvest", From: date(t, "2025-12-01"), To: date(t, "2026-01-31"), Load: 2}}
	now := date(t, "2026-03-01").Start(s.Location())
	row := func(times float64) forecast.Row {
		past := harvests(t, s, "2026-03-01", map[string]float64{"harvest": times})
		past.AddFact(change(now, 125))
		return one(t, s, past.Seal(), now).Row
	}
	known := row(2)
	s.Calendar.WorkPatterns[0].Load = 1
	ordinary, untold := row(1), row(2)
	require.Equal(t, date(t, "2026-03-01")+499, *known.EmptyP50)
	require.Equal(t, ordinary, known)
	require.Less(t, *untold.EmptyP10, *known.EmptyP10, "what nobody told of widens the range")
}

// Pulses that are planned per day come whatever the machine does.
func TestPulsesPerDayHaveNoWorkPattern(t *testing.T) {
	s := plant(t, "UTC")
	s.Points[0].Plan = config.Plan{DoseCM3PerDay: 0.5, PulsesPerDay: 5}
	s.Dispensers[0].Settings = []config.Setting{{ValidFrom: date(t, "2025-01-01"), Pacing: config.PacingPulse, CM3PerPulse: 0.1}}
	past := memory.New(s.Location())
	for d := date(t, "2025-06-01"); d < date(t, "2026-03-01"); d++ {
		past.AddDay("d1", reading.Pulse, d, 5)
	}
	past.AddFact(change(date(t, "2026-03-01").Start(s.Location()), 125))
	past.Seal()
	now := date(t, "2026-03-01").Start(s.Location())
	want := one(t, s, past, now)
	s.Calendar.WorkPatterns = []config.WorkPattern{{Name: "harvest", From: date(t, "2026-02-01"), To: date(t, "2026-05-31"), Load: 1.6}}
	require.Equal(t, want.Row, one(t, s, past, now).Row)
}

// What was seen of a pattern pulls its load: 31 days at 2.4 times instead of the
// stated 1.6 make it 1.6 (1.5 x 31 + 10)/41 = 2.205.
func TestLoadsAreLearned(t *testing.T) {
	for _, c := range []struct {
		name   string
		really float64
		days   int
		taken  string // of the line of the coming one
		note   string
	}{
		{"far more", 2.4, 31, "; over 31 days of it seen so far, 2.4 times; 2.2 is taken.", `Note: in work pattern "harvest" used 50 % more than stated over 31 days`},
		{"far less", 0.8, 31, "; over 31 days of it seen so far, 0.8 times; 0.995 is taken.", `Note: in work pattern "harvest" used 50 % less than stated over 31 days`},
		{"a little more", 1.8, 31, "; over 31 days of it seen so far, 1.8 times; 1.75 is taken.", ""},
		{"far more but not for four weeks", 2.4, 14, "; over 14 days of it seen so far, 2.4 times; 2.07 is taken.", ""},
		{"too few days to learn", 2.4, 9, ".", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := plant(t, "UTC")
			from := date(t, "2025-08-01")
			s.Calendar.WorkPatterns = []config.WorkPattern{
				{Name: "harvest", From: from, To: from + civil.Date(c.days-1), Load: 1.6},
				{Name: "harvest", From: date(t, "2026-08-01"), To: date(t, "2026-09-15"), Load: 1.6},
			}
			past := harvests(t, s, "2026-03-01", map[string]float64{"harvest": c.really})
			past.AddFact(change(date(t, "2026-03-01").Start(s.Location()), 125))
			text := explained(t, s, past.Seal(), "2026-03-01")
			require.Contains(t, text, "Work pattern: harvest, 2026-08-01 to 2026-09-15: 1.6 times the ordinary use"+c.taken)
			if c.note == "" {
				require.NotContains(t, text, "than stated")
			} else {
				require.Contains(t, text, c.note)
			}
		})
	}
}

// In the midst of a campaign that does more than stated the rest of it is not
// counted up twice, by the level and by the load.
func TestInTheMidstOfAWorkPattern(t *testing.T) {
	s := plant(t, "UTC")
	s.Calendar.WorkPatterns = []config.WorkPattern{{Name: "harvest", From: date(t, "2026-02-01"), To: date(t, "2026-05-31"), Load: 1.2}}
	past := harvests(t, s, "2026-03-01", map[string]float64{"harvest": 1.8})
	past.AddFact(change(date(t, "2026-03-01").Start(s.Location()), 125/5000.0*18*60)) // 60 days at 18 h
	got := one(t, s, past.Seal(), date(t, "2026-03-01").Start(s.Location()))
	require.InDelta(t, float64(date(t, "2026-03-01")+60), float64(*got.Row.EmptyP50), 4)
}
