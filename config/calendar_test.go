package config_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/config"
	"dwindle/config/civil"
)

func date(t testing.TB, text string) civil.Date {
	t.Helper()
	d, err := civil.Parse(text)
	require.NoError(t, err)
	return d
}

func instant(t testing.TB, text string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, text)
	require.NoError(t, err)
	return at
}

func indexed(t testing.TB, s *config.Site) *config.Site {
	t.Helper()
	require.NoError(t, s.Reindex())
	return s
}

func TestDayTypes(t *testing.T) {
	s := indexed(t, &config.Site{
		Zone:     "Europe/Berlin",
		Areas:    []config.Area{{ID: "quay"}, {ID: "tower"}},
		Machines: []config.Machine{{ID: "belt-1", Area: "quay"}, {ID: "fan-1", Area: "tower"}},
		Calendar: config.Calendar{
			Holidays: []config.Holiday{{Date: date(t, "2026-12-25")}, {Date: date(t, "2026-08-04")}},
			Shutdowns: []config.Shutdown{
				{From: date(t, "2026-08-03"), To: date(t, "2026-08-05"), Areas: []string{"quay"}},
				{From: date(t, "2026-09-01"), To: date(t, "2026-09-01"), Machines: []string{"fan-1"}},
				{From: date(t, "2026-10-01"), To: date(t, "2026-10-02")},
			},
		},
	})
	for _, c := range []struct {
		machine, date string
		want          config.DayType
	}{
		{"belt-1", "2026-11-23", config.Monday}, // weekdays by any calendar
		{"belt-1", "2026-11-29", config.Sunday},
		{"belt-1", "2026-12-25", config.HolidayType},
		{"belt-1", "2026-08-02", config.Sunday},
		{"belt-1", "2026-08-03", config.ShutdownType}, // both ends count
		{"belt-1", "2026-08-04", config.ShutdownType}, // stronger than the holiday
		{"belt-1", "2026-08-05", config.ShutdownType},
		{"belt-1", "2026-08-06", config.Thursday},
		{"fan-1", "2026-08-04", config.HolidayType},
		{"fan-1", "2026-08-05", config.Wednesday},
		{"fan-1", "2026-09-01", config.ShutdownType},
		{"belt-1", "2026-09-01", config.Tuesday},
		{"fan-1", "2026-10-02", config.ShutdownType}, // nothing named: the whole site
		{"nobody", "2026-10-02", config.ShutdownType},
		{"nobody", "2026-08-03", config.Monday},
	} {
		require.Equal(t, c.want, s.DayType(c.machine, date(t, c.date)), "%s on %s", c.machine, c.date)
	}
}

func TestNextVisit(t *testing.T) {
	s := indexed(t, &config.Site{
		Zone: "Europe/Berlin",
		Calendar: config.Calendar{Rounds: []config.Round{
			{ID: "quay", Areas: []string{"quay"}, First: date(t, "2026-01-13"), EveryWeeks: 4},
			{ID: "extra", Dates: []civil.Date{date(t, "2026-02-03"), date(t, "2026-06-01")}},
		}},
	})
	for _, c := range []struct{ area, from, want, round string }{
		{"quay", "2025-06-01", "2026-01-13", "quay"}, // before the first
		{"quay", "2026-01-13", "2026-01-13", "quay"}, // on the day
		{"quay", "2026-01-14", "2026-02-03", "extra"},
		{"quay", "2026-02-04", "2026-02-10", "quay"}, // four weeks after the first
		{"quay", "2030-01-01", "2030-01-08", "quay"}, // 52 repetitions later: 2026-01-13 + 1456 days
		{"tower", "2026-02-03", "2026-02-03", "extra"},
		{"tower", "2026-02-04", "2026-06-01", "extra"},
	} {
		v, ok := s.NextVisit(c.area, date(t, c.from))
		require.True(t, ok)
		require.Equal(t, c.want, v.Date.String(), "%s from %s", c.area, c.from)
		require.Equal(t, c.round, v.Round.ID)
	}
	_, ok := s.NextVisit("tower", date(t, "2026-06-02"))
	require.False(t, ok, "no round goes there any more")
}

func TestVisitsComeInTheirRhythm(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		first := civil.Date(rapid.Int32Range(15000, 25000).Draw(t, "first"))
		weeks := rapid.IntRange(1, 60).Draw(t, "weeks")
		from := civil.Date(rapid.Int32Range(14000, 40000).Draw(t, "from"))
		s := &config.Site{Calendar: config.Calendar{Rounds: []config.Round{{ID: "r", First: first, EveryWeeks: weeks}}}}
		v, ok := s.NextVisit("anywhere", from)
		require.True(t, ok)
		step := civil.Date(7 * weeks)
		require.GreaterOrEqual(t, v.Date, max(from, first))
		require.Zero(t, (v.Date-first)%step)
		require.Less(t, v.Date, max(from, first)+step, "none is left out")
		require.Equal(t, first.Weekday(), v.Date.Weekday())
	})
}

func TestSettingInForce(t *testing.T) {
	for _, c := range []struct{ zone, before, from string }{
		// The register's dates are the site's: the setting changes at its midnight.
		{"Europe/Berlin", "2026-05-31T21:59:59Z", "2026-05-31T22:00:00Z"},
		{"America/New_York", "2026-06-01T03:59:59Z", "2026-06-01T04:00:00Z"},
		{"Pacific/Kiritimati", "2026-05-31T09:59:59Z", "2026-05-31T10:00:00Z"},
	} {
		s := indexed(t, &config.Site{Zone: c.zone, Dispensers: []config.Dispenser{{ID: "d-1", Settings: []config.Setting{
			{ValidFrom: date(t, "2026-06-01"), Pacing: config.PacingRun, CM3Per100h: 4},
			{ValidFrom: date(t, "2026-01-01"), Pacing: config.PacingRun, CM3Per100h: 3}, // any order
		}}}})
		got, ok := s.SettingAt("d-1", instant(t, c.before))
		require.True(t, ok)
		require.Equal(t, 3.0, got.CM3Per100h)
		got, ok = s.SettingAt("d-1", instant(t, c.from))
		require.True(t, ok)
		require.Equal(t, 4.0, got.CM3Per100h)
		_, ok = s.SettingAt("d-1", instant(t, "2025-12-30T00:00:00Z"))
		require.False(t, ok, "before the first")
		_, ok = s.SettingAt("d-2", instant(t, c.from))
		require.False(t, ok)
	}
}

func TestSettingOfASkippedDay(t *testing.T) {
	s := indexed(t, &config.Site{Zone: "Pacific/Apia", Dispensers: []config.Dispenser{{ID: "d-1", Settings: []config.Setting{
		{ValidFrom: date(t, "2011-12-29"), CM3Per100h: 3}, {ValidFrom: date(t, "2011-12-30"), CM3Per100h: 4},
	}}}})
	got, _ := s.SettingAt("d-1", instant(t, "2011-12-30T09:59:59Z"))
	require.Equal(t, 3.0, got.CM3Per100h)
	got, _ = s.SettingAt("d-1", instant(t, "2011-12-30T10:00:00Z"))
	require.Equal(t, 4.0, got.CM3Per100h, "from the 31st on, as there was no 30th")
}

func TestSettingIsTheLastBegun(t *testing.T) {
	loc, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	rapid.Check(t, func(t *rapid.T) {
		days := rapid.SliceOfNDistinct(rapid.Int32Range(20000, 20400), 1, 8, rapid.ID).Draw(t, "days")
		d := config.Dispenser{ID: "d-1"}
		for _, day := range days {
			d.Settings = append(d.Settings, config.Setting{ValidFrom: civil.Date(day), CM3Per100h: float64(day)})
		}
		s := &config.Site{Zone: "Europe/Berlin", Dispensers: []config.Dispenser{d}}
		require.NoError(t, s.Reindex())
		at := time.Unix(rapid.Int64Range(19990*86400, 20410*86400).Draw(t, "at"), 0)

		want, today := int32(0), int32(civil.Of(at, loc))
		slices.Sort(days)
		for _, day := range days {
			if day <= today {
				want = day
			}
		}
		got, ok := s.SettingAt("d-1", at)
		require.Equal(t, want != 0, ok)
		if ok {
			require.Equal(t, float64(want), got.CM3Per100h)
		}
	})
}

func TestEvidence(t *testing.T) {
	d := config.Dispenser{Channels: []config.ChannelInfo{{Kind: "level", Evidence: config.EvidenceCounted, StepPercent: 1}, {Kind: "dose"}}}
	e, ch := d.EvidenceOf("level")
	require.Equal(t, config.EvidenceCounted, e)
	require.Equal(t, 1.0, ch.StepPercent)
	e, _ = d.EvidenceOf("dose")
	require.Equal(t, config.EvidenceCounted, e)

	bare := config.Dispenser{}
	e, _ = bare.EvidenceOf("level")
	require.Equal(t, config.EvidenceMeasured, e)
	e, ch = bare.EvidenceOf("dose")
	require.Equal(t, config.EvidenceCounted, e)
	require.Equal(t, "dose", ch.Kind)
}

func TestToday(t *testing.T) {
	s := indexed(t, &config.Site{Zone: "Europe/Berlin"})
	require.Equal(t, "2026-11-26", s.Today(instant(t, "2026-11-25T23:00:00Z")).String())
	require.Equal(t, "2026-11-25", s.Today(instant(t, "2026-11-25T22:59:59Z")).String())
	require.Error(t, (&config.Site{Zone: "Europe/Atlantis"}).Reindex())
	require.Equal(t, time.UTC, (&config.Site{}).Location())
}

func TestWorkPatterns(t *testing.T) {
	s := indexed(t, &config.Site{
		Zone:     "Europe/Berlin",
		Areas:    []config.Area{{ID: "quay"}, {ID: "tower"}},
		Machines: []config.Machine{{ID: "belt-1", Area: "quay"}, {ID: "fan-1", Area: "tower"}, {ID: "fan-2", Area: "tower"}},
		Points: []config.Point{
			{ID: "a", Machine: "fan-1", Plan: config.Plan{HoursPerWeek: 40}},
			{ID: "b", Machine: "fan-1", Plan: config.Plan{HoursPerWeek: 40}},
			{ID: "c", Machine: "fan-2", Plan: config.Plan{HoursPerWeek: 40}},
			{ID: "d", Machine: "fan-2", Plan: config.Plan{HoursPerWeek: 60}},
		},
		Calendar: config.Calendar{
			Holidays:  []config.Holiday{{Date: date(t, "2026-08-15")}},
			Shutdowns: []config.Shutdown{{From: date(t, "2026-08-20"), To: date(t, "2026-08-21"), Areas: []string{"quay"}}},
			WorkPatterns: []config.WorkPattern{
				{Name: "harvest", From: date(t, "2026-08-01"), To: date(t, "2026-09-15"), Areas: []string{"quay"}, Load: 1.6},
				{Name: "short time", From: date(t, "2027-01-04"), To: date(t, "2027-01-31"), HoursPerWeek: 30},
			},
		},
	})
	for _, c := range []struct {
		machine, date, name string
		load                float64
	}{
		{"belt-1", "2026-07-31", "", 1},
		{"belt-1", "2026-08-01", "harvest", 1.6}, // both ends count
		{"belt-1", "2026-09-15", "harvest", 1.6},
		{"belt-1", "2026-09-16", "", 1},
		{"belt-1", "2026-08-15", "", 1}, // a holiday stays one
		{"belt-1", "2026-08-20", "", 1}, // and a shutdown
		{"fan-1", "2026-08-20", "", 1},  // another area
		{"fan-1", "2027-01-04", "short time", 0.75},
		{"fan-2", "2027-01-04", "short time", 1},  // its plans disagree
		{"belt-1", "2027-01-04", "short time", 1}, // no plan says what is ordinary
		{"unknown", "2026-08-01", "", 1},
	} {
		w := s.WorkPattern(c.machine, date(t, c.date))
		if c.name == "" {
			require.Nil(t, w, "%s on %s", c.machine, c.date)
		} else {
			require.NotNil(t, w, "%s on %s", c.machine, c.date)
			require.Equal(t, c.name, w.Name)
		}
		require.Equal(t, c.load, s.Load(c.machine, date(t, c.date)), "%s on %s", c.machine, c.date)
	}
}
