package forecast_test

import (
	"context"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
	"dwindle/forecast/memory"
)

// Edge cases of a forecast and where each is tested; those named Edge in
// edges_test.go of a package, the others beside what they are about.
//
//	nothing left                      depletion NothingLeft; TestAlreadyEmpty
//	no use at all                     depletion, duty NoUse; TestNoUseIsBeyondHorizon
//	single active weekday             duty SingleActiveWeekday, TestSingleActiveDayInMixture
//	fewer than seven days             duty FewerDaysThanAWeek; ShortHistory
//	history all shutdown              duty HistoryAllShutdown; HistoryAllShutdown
//	future all shutdown               depletion, duty; TestShutdownAheadMovesTheDate
//	setting changed in mid-fill       TestVolumeSettingChangedInMidFill; SettingChangedInMidFill
//	missing against zero              duty MissingAgainstZero; TestVolumeMissingDays; MissingAgainstZero
//	clock jumps, a day told twice     collector/meter/testdata/count_clock_*.txt, hours_day_told_twice.txt;
//	                                  collector TestDevicesWithAWrongClock...; DayGivenTwice
//	counter reset and rollover        collector/meter/testdata/count_reset*.txt, count_wraps_*.txt, hours_wrap_*.txt
//	more than 24 h in a day           duty MoreThanADayHas; collector/meter/testdata/hours_more_than_wall_time.txt
//	burst after a reconnect           collector BurstAfterReconnect
//	change on the day of the forecast ChangeOnTheForecastDay
//	nothing goes out                  TestVerdictBlocked, TestNoDateFromAFactorThatMayBeNothing; NothingGoesOut
//	shutdown begins at the crossing   depletion ShutdownBeginsAtTheCrossing; ShutdownBeginsAtTheCrossing
//	no scatter                        depletion NoScatter; duty TestConstantDutyIsExact
//	horizon                           depletion Horizon; Horizon
//	leap day, clock change            depletion LeapDay, config/civil, TestVolumeAcrossClockChange; LeapDay, ClockChange

// Fewer days than a week has: by the plan if there is one, else withheld with
// the number of days.
func TestEdgeShortHistory(t *testing.T) {
	s := plant(t, "UTC")
	for n := range 7 {
		past := memory.New(s.Location())
		past.AddFact(change(at(t, "2026-03-08T00:00:00Z"), 125))
		today := date(t, "2026-03-15")
		run(past, "elev1", today-civil.Date(n), today-1, 10)
		past.Seal()
		s.Points[0].Plan.HoursPerWeek = 70
		got := one(t, s, past, today.Start(s.Location()))
		require.Empty(t, got.Row.Withheld, "%d days", n)
		require.Equal(t, "plan", got.Row.Basis)
		require.InDelta(t, float64(today+494), float64(*got.Row.EmptyP50), 15, "%d days", n)
		s.Points[0].Plan.HoursPerWeek = 0
		got = one(t, s, past, today.Start(s.Location()))
		require.NotEmpty(t, got.Row.Withheld, "%d days", n)
		require.Nil(t, got.Row.EmptyP50)
	}
}

func TestEdgeHistoryAllShutdown(t *testing.T) {
	s := plant(t, "UTC")
	s.Calendar.Shutdowns = []config.Shutdown{{From: date(t, "2025-01-01"), To: date(t, "2026-03-14"), Areas: []string{"tower"}}}
	past := memory.New(s.Location())
	past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
	run(past, "elev1", date(t, "2025-01-01"), date(t, "2026-03-14"), 0)
	past.Seal()
	now := at(t, "2026-03-15T00:00:00Z")
	got := one(t, s, past, now)
	require.Empty(t, got.Row.Withheld)
	require.Equal(t, "plan", got.Row.Basis)
	require.Equal(t, 125.0, *got.Row.RemainingCM3)
	// 5000 h at the planned 10 h a day.
	require.InDelta(t, float64(date(t, "2026-03-15")+499), float64(*got.Row.EmptyP50), 1)
	s.Points[0].Plan.HoursPerWeek = 0
	require.Contains(t, one(t, s, past, now).Row.Withheld, "planned shutdown")
}

// The budget counts in the setting of now, the volume already out in those of
// then: 100 h at 2.5 and 100 h at 5 cm3 per 100 h leave 117.5 cm3, which last
// 2350 h at 5.
func TestEdgeSettingChangedInMidFill(t *testing.T) {
	s := plant(t, "UTC")
	s.Dispensers[0].Settings = append(s.Dispensers[0].Settings, config.Setting{ValidFrom: date(t, "2026-03-11"), Pacing: config.PacingRun, CM3Per100h: 5})
	past := memory.New(s.Location())
	run(past, "elev1", date(t, "2025-10-01"), date(t, "2026-03-20"), 10)
	past.AddFact(change(at(t, "2026-03-01T00:00:00Z"), 125))
	got := one(t, s, past.Seal(), at(t, "2026-03-21T00:00:00Z"))
	require.InDelta(t, 117.5, *got.Row.RemainingCM3, 1e-9)
	require.Equal(t, date(t, "2026-03-21")+234, *got.Row.EmptyP50, "day 235 is the last")
}

// Ten days unseen count with what is expected; ten days seen without use count
// as none, and are expected again.
func TestEdgeMissingAgainstZero(t *testing.T) {
	s := plant(t, "UTC")
	with := func(stop func(*memory.Past, civil.Date)) forecast.State {
		past := memory.New(s.Location())
		past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
		for d := date(t, "2025-10-01"); d < date(t, "2026-03-01"); d++ {
			if d >= date(t, "2026-02-01") && d < date(t, "2026-02-11") {
				stop(past, d)
				continue
			}
			past.AddDay("elev1", reading.Run, d, 10)
		}
		return one(t, s, past.Seal(), at(t, "2026-03-01T00:00:00Z"))
	}
	missing := with(func(*memory.Past, civil.Date) {})
	zero := with(func(p *memory.Past, d civil.Date) { p.AddDay("elev1", reading.Run, d, 0) })
	require.InDelta(t, 125-59*0.25, *missing.Row.RemainingCM3, 1e-6)
	require.InDelta(t, 125-49*0.25, *zero.Row.RemainingCM3, 1e-6)
	require.Greater(t, *missing.Row.RemainingSDCM3, *zero.Row.RemainingSDCM3)
	require.Greater(t, *zero.Row.EmptyP50, *missing.Row.EmptyP50+10)
}

// twice is a source that gives each day twice.
type twice struct{ *memory.Past }

func (s twice) Days(ctx context.Context, device string, kind reading.Kind, first, last civil.Date) ([]reading.Day, error) {
	list, err := s.Past.Days(ctx, device, kind, first, last)
	var out []reading.Day
	for _, d := range list {
		out = append(out, d, d)
	}
	return out, err
}

// A store that gave a day twice must not use up a reservoir twice as fast.
func TestEdgeDayGivenTwice(t *testing.T) {
	s := plant(t, "UTC")
	past := memory.New(s.Location())
	run(past, "elev1", date(t, "2025-10-01"), date(t, "2026-03-20"), 10)
	past.AddFact(change(at(t, "2026-03-01T00:00:00Z"), 125))
	past.Seal()
	now := at(t, "2026-03-21T00:00:00Z")
	want, err := forecast.Pass(t.Context(), s, past, now, forecast.Options{})
	require.NoError(t, err)
	got, err := forecast.Pass(t.Context(), s, twice{past}, now, forecast.Options{})
	require.NoError(t, err)
	require.InDelta(t, 125-20*0.25, *got.States[0].Row.RemainingCM3, 1e-9)
	require.Equal(t, asJSON(t, want), asJSON(t, got))
}

// A reservoir changed this morning: what went out since then is off the new
// one, and an hour before the change the old one still counted.
func TestEdgeChangeOnTheForecastDay(t *testing.T) {
	s := plant(t, "Europe/Berlin")
	past := memory.New(s.Location())
	run(past, "elev1", date(t, "2025-10-01"), date(t, "2026-03-31"), 24)
	morning := date(t, "2026-03-16").Start(s.Location()).Add(9 * time.Hour)
	past.AddFact(change(date(t, "2026-02-01").Start(s.Location()), 125))
	past.AddFact(change(morning, 100))
	past.Seal()

	got := one(t, s, past, morning.Add(6*time.Hour))
	require.True(t, morning.Equal(*got.Row.FillStarted))
	require.InDelta(t, 100-6*0.025, *got.Row.RemainingCM3, 1e-9)
	// 3994 h from 15:00 on: 9 h today, then 166 days of 24 h and an hour more.
	require.InDelta(t, float64(date(t, "2026-03-16")+167), float64(*got.Row.EmptyP50), 1)
	require.NotNil(t, got.Row.PlannedEmpty)

	before := one(t, s, past, morning.Add(-time.Hour))
	require.InDelta(t, 125-(43*24+8)*0.025, *before.Row.RemainingCM3, 1e-9)
	// At the very moment of the change nothing has gone out of it.
	require.InDelta(t, 100, *one(t, s, past, morning).Row.RemainingCM3, 1e-9)
	// Two changes on one day: the last one counts.
	past.AddFact(change(morning.Add(3*time.Hour), 110))
	require.InDelta(t, 110-3*0.025, *one(t, s, past.Seal(), morning.Add(6*time.Hour)).Row.RemainingCM3, 1e-9)
}

// A blocked line is not a reservoir that lasts for ever.
func TestEdgeNothingGoesOut(t *testing.T) {
	s := gauged(t, 1.25, 0.3, config.EvidenceMeasured)
	got := one(t, s, gauge(t, s, 9, 1.25, 0.3, always(0)), at(t, "2026-03-22T00:00:00Z"))
	require.Equal(t, forecast.NotDispensing, got.Delivery.Verdict, got.Delivery.Why)
	require.Contains(t, got.Row.Withheld, "not dispensing")
	require.Nil(t, got.Row.EmptyP50)
	require.Nil(t, got.Row.BeyondDays, "beyond the horizon would say that all is well")
	require.InDelta(t, 125, *got.Row.RemainingCM3, 1.5)
}

// Half of all cases are used up on the evening before a shutdown: the likely
// date is that evening, and the late one lies after the restart.
func TestEdgeShutdownBeginsAtTheCrossing(t *testing.T) {
	s := plant(t, "UTC")
	past := memory.New(s.Location())
	run(past, "elev1", date(t, "2025-10-01"), date(t, "2026-03-31"), 20)
	past.AddFact(change(at(t, "2026-03-01T00:00:00Z"), 19.99)) // 799.6 h, 40 days
	past.Seal()
	now := at(t, "2026-03-16T00:00:00Z") // 25 days left: to the evening of 9 April
	open := one(t, s, past, now)
	require.Equal(t, date(t, "2026-04-09"), *open.Row.EmptyP50)
	s.Calendar.Shutdowns = []config.Shutdown{{From: date(t, "2026-04-10"), To: date(t, "2026-04-23"), Areas: []string{"tower"}}}
	shut := one(t, s, past, now)
	require.Equal(t, *open.Row.EmptyP10, *shut.Row.EmptyP10)
	require.Equal(t, date(t, "2026-04-09"), *shut.Row.EmptyP50)
	require.Equal(t, *open.Row.EmptyP90+14, *shut.Row.EmptyP90)
	require.InDelta(t, shut.ChanceBefore(date(t, "2026-04-10")), shut.ChanceBefore(date(t, "2026-04-23")), 1e-12)
}

// Beyond the horizon there is no date, for each of the three on its own.
func TestEdgeHorizon(t *testing.T) {
	s := plant(t, "UTC")
	past := memory.New(s.Location())
	run(past, "elev1", date(t, "2025-10-01"), date(t, "2026-03-31"), 20)
	past.AddFact(change(at(t, "2026-03-01T00:00:00Z"), 20))
	past.Seal()
	now := at(t, "2026-03-16T00:00:00Z") // likely on day 25
	whole := one(t, s, past, now)
	early := int(*whole.Row.EmptyP10-date(t, "2026-03-16")) + 1
	require.Less(t, early, 25)
	s.Limits.HorizonDays = early
	got := one(t, s, past, now)
	require.Equal(t, *whole.Row.EmptyP10, *got.Row.EmptyP10)
	require.Nil(t, got.Row.EmptyP50)
	require.Nil(t, got.Row.EmptyP90)
	require.Equal(t, early, *got.Row.BeyondDays)
	s.Limits.HorizonDays = 10
	got = one(t, s, past, now)
	require.Nil(t, got.Row.EmptyP10)
	require.Equal(t, 10, *got.Row.BeyondDays)
	require.Empty(t, got.Row.Withheld)
}

// 29 February is a day like any other.
func TestEdgeLeapDay(t *testing.T) {
	for _, c := range []struct{ now, want string }{{"2028-02-20", "2028-02-29"}, {"2028-02-21", "2028-03-01"}, {"2027-02-20", "2027-03-01"}} {
		s := plant(t, "UTC")
		past := memory.New(s.Location())
		today := date(t, c.now)
		run(past, "elev1", today-150, today-1, 24)
		past.AddFact(change((today - 20).Start(s.Location()), 0.6*29.5)) // 0.6 cm3 a day
		got := one(t, s, past.Seal(), today.Start(s.Location()))
		require.Equal(t, c.want, got.Row.EmptyP50.String(), "9.5 days from %s", c.now)
	}
}

// The forecast counts civil days; one of 23 or 25 hours is one day. On such a
// day itself, what is left of it is a part of its own length.
func TestEdgeClockChange(t *testing.T) {
	s := plant(t, "Europe/Berlin")
	for _, c := range []struct {
		name, now string
		hours     int // of the clock that have passed today
	}{
		{"spring ahead", "2026-03-20", 0}, {"autumn ahead", "2026-10-20", 0}, {"no change ahead", "2026-06-20", 0},
		{"on the day of 23 hours", "2026-03-29", 12}, {"on the day of 25 hours", "2026-10-25", 12},
	} {
		past := memory.New(s.Location())
		today := date(t, c.now)
		run(past, "elev1", today-150, today+1, 20)
		start := today.Start(s.Location()).In(s.Location())
		now := time.Date(start.Year(), start.Month(), start.Day(), c.hours, 0, 0, 0, s.Location())
		past.AddFact(change((today - 10).Start(s.Location()), 0.5*30.5)) // 0.5 cm3 a day
		got := one(t, s, past.Seal(), now)
		require.Equal(t, today+20, *got.Row.EmptyP50, "%s: 20.5 days from the start of today", c.name)
		gone := float64(now.Sub(start)) / float64(today.Length(s.Location()))
		require.InDelta(t, 0.5*(20.5-gone), *got.Row.RemainingCM3, 1e-6, c.name)
		require.False(t, math.IsNaN(*got.Row.DutyPerDay))
		require.InDelta(t, 20, *got.Row.DutyPerDay, 0.01, c.name)
	}
}
