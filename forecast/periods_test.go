package forecast_test

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
	"dwindle/forecast/export"
	"dwindle/forecast/memory"
)

func usageBy(t require.TestingT, s *config.Site, past *memory.Past, by forecast.Period, first, last civil.Date) (out []export.UsagePeriod) {
	require.NoError(t, forecast.UsageBy(context.Background(), s, past, by, first, last, func(u export.UsagePeriod) error {
		out = append(out, u)
		return nil
	}))
	return out
}

func deliveryBy(t require.TestingT, s *config.Site, past *memory.Past, by forecast.Period, first, last civil.Date) (out []export.DeliveryPeriod) {
	require.NoError(t, forecast.DeliveryBy(context.Background(), s, past, by, first, last, last.End(s.Location()), func(d export.DeliveryPeriod) error {
		out = append(out, d)
		return nil
	}))
	return out
}

// Weeks begin on Monday and go over the end of a year: 31 December 2026 is a
// Thursday of ISO week 53. Months are as long as they are; the first and last
// period end where the dates do.
func TestPeriodsAreCivil(t *testing.T) {
	s := plant(t, "Europe/Berlin")
	past := memory.New(s.Location())
	run(past, "elev1", date(t, "2026-02-10"), date(t, "2027-01-20"), 10)
	past.Seal()
	ends := func(list []export.UsagePeriod) (out []string) {
		for _, u := range list {
			out = append(out, u.From.String()+" "+u.To.String())
		}
		return out
	}
	require.Equal(t, []string{"2026-12-23 2026-12-27", "2026-12-28 2027-01-03", "2027-01-04 2027-01-06"},
		ends(usageBy(t, s, past, forecast.ByWeek, date(t, "2026-12-23"), date(t, "2027-01-06"))))
	months := usageBy(t, s, past, forecast.ByMonth, date(t, "2026-01-15"), date(t, "2026-05-02"))
	require.Equal(t, []string{"2026-02-01 2026-02-28", "2026-03-01 2026-03-31", "2026-04-01 2026-04-30", "2026-05-01 2026-05-02"}, ends(months))
	require.InDelta(t, 190, *months[0].RunHours, 1e-9)
	require.InDelta(t, 310*0.025, *months[1].CommandedCM3, 1e-9)
	require.InDelta(t, 19.0/28, months[0].Seen, 1e-12, "of the 28 days of February 19 were seen")
	require.InDelta(t, 1, months[1].Seen, 1e-12, "with the hour that the change to summer time takes")
	require.Nil(t, months[1].DeliveredCM3, "nothing is measured")
	require.Nil(t, months[1].Pulses)
	days := usageBy(t, s, past, forecast.ByDay, date(t, "2026-03-28"), date(t, "2026-03-30"))
	require.Equal(t, []string{"2026-03-28 2026-03-28", "2026-03-29 2026-03-29", "2026-03-30 2026-03-30"}, ends(days))

	rows := deliveryBy(t, s, past, forecast.ByMonth, date(t, "2026-01-15"), date(t, "2026-05-02"))
	require.Len(t, rows, 4)
	require.InDelta(t, 310*0.025, *rows[1].PlannedCM3, 1e-9)
	require.InDelta(t, 1, *rows[1].PlanRatio, 1e-9, "commanded by planned, where nothing is measured")
	require.Equal(t, "none", rows[1].Evidence)
	require.Zero(t, rows[1].Resolved)
	require.Nil(t, rows[1].Ratio)
}

// Sums over periods are those of the days, whatever is known of them, and a
// period of which nothing is known has no row.
func TestPeriodsAddUpDays(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		s := plant(t, "Europe/Berlin")
		s.Dispensers = append(s.Dispensers, config.Dispenser{ID: "d2", Model: "m",
			Settings: []config.Setting{{ValidFrom: date(t, "2025-01-01"), Pacing: config.PacingRun, CM3Per100h: 1}}})
		require.NoError(r, s.Reindex())
		past := memory.New(s.Location())
		first, last := date(t, "2026-03-01"), date(t, "2026-05-20")
		for d := first; d <= last; d++ {
			if rapid.IntRange(0, 9).Draw(r, "known") > 2 {
				past.AddDay("elev1", reading.Run, d, rapid.Float64Range(0, 24).Draw(r, "hours"))
			}
		}
		if rapid.Bool().Draw(r, "swapped") {
			past.AddFact(reading.Fact{ID: "w", Kind: reading.FactSwap, Point: "elev1-head", OldDevice: "d1", Device: "d2",
				At: first.Start(s.Location()).Add(time.Duration(rapid.IntRange(1, 80*24).Draw(r, "hour")) * time.Hour)})
		}
		if rapid.Bool().Draw(r, "set") {
			v := 4.0
			past.AddFact(reading.Fact{ID: "s", Kind: reading.FactSetting, Device: "d1", Pacing: "run", CM3Per100h: &v,
				At: first.Start(s.Location()).Add(time.Duration(rapid.IntRange(1, 80*24).Draw(r, "hour")) * time.Hour)})
		}
		past.Seal()
		by := rapid.SampledFrom([]forecast.Period{forecast.ByDay, forecast.ByWeek, forecast.ByMonth}).Draw(r, "by")
		days := usageOf(t, s, past, first.String(), last.String())
		type key struct {
			dispenser string
			date      civil.Date
		}
		once := map[key]bool{}
		var hours, told, seen float64
		for _, d := range days {
			require.False(r, once[key{d.Dispenser, d.Date}], "a day has one row")
			once[key{d.Dispenser, d.Date}] = true
			hours += *d.RunHours
			told += *d.CommandedCM3
		}
		var hoursBy, toldBy float64
		for _, u := range usageBy(r, s, past, by, first, last) {
			require.LessOrEqual(r, u.From, u.To)
			require.True(r, u.Seen > 0 && u.Seen <= 1)
			hoursBy += *u.RunHours
			toldBy += *u.CommandedCM3
			seen += u.Seen * float64(u.To-u.From+1)
		}
		require.InDelta(r, hours, hoursBy, 1e-6)
		require.InDelta(r, told, toldBy, 1e-6)
		var toldAt float64
		for _, d := range deliveryBy(r, s, past, by, first, last) {
			toldAt += *d.CommandedCM3
		}
		require.InDelta(r, told, toldAt, 1e-6)
	})
}

// A month with a gauge: the readings within it take themselves out of the sum,
// so that it is as good as two readings. What cannot be resolved is empty, and
// where a part of the period is missing the ratio is of the rest.
func TestDeliveredOfPeriods(t *testing.T) {
	s := gauged(t, 0.5, 0.3, config.EvidenceMeasured)
	past := memory.New(s.Location())
	past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
	past.AddFact(reading.Fact{ID: "c2", Kind: reading.FactChange, Point: "elev1-head", At: at(t, "2026-03-10T12:00:00Z")})
	r := rand.New(rand.NewPCG(5, 5))
	left := 125.0
	for d := date(t, "2026-01-01"); d <= date(t, "2026-05-31"); d++ {
		past.AddDay("elev1", reading.Run, d, 20) // 0.5 cm3 a day by command
		if d < date(t, "2026-05-01") {
			left -= 0.8 * 0.5 // the line is blocked in May
		}
		if d == date(t, "2026-03-10") {
			left = 125
		}
		if d != date(t, "2026-02-12") { // a day without a level
			past.AddLevel("d1", d.End(s.Location()).Add(-time.Minute), reading.LevelCM3, left+0.1*r.NormFloat64())
		}
	}
	rows := deliveryBy(t, s, past.Seal(), forecast.ByMonth, date(t, "2026-01-01"), date(t, "2026-05-31"))
	require.Len(t, rows, 5)
	require.Nil(t, rows[0].DeliveredCM3, "what the first day used is not known")
	require.InDelta(t, 30.0/31, rows[0].Resolved, 1e-12)
	require.InDelta(t, 0.8, *rows[0].Ratio, 4**rows[0].RatioSD)
	require.InDelta(t, 0.8*14, *rows[1].DeliveredCM3, 0.5, "a day without a level in between does not matter")
	require.InDelta(t, 1, rows[1].Resolved, 1e-12)
	require.InDelta(t, 14, *rows[1].PlannedCM3, 1e-9)
	require.InDelta(t, *rows[1].DeliveredCM3/14, *rows[1].PlanRatio, 1e-9)
	require.Nil(t, rows[2].DeliveredCM3, "the reservoir was changed")
	require.Nil(t, rows[2].PlanRatio, "nothing is made up in its place")
	require.InDelta(t, 30.0/31, rows[2].Resolved, 1e-12)
	require.InDelta(t, 0.8, *rows[2].Ratio, 4**rows[2].RatioSD)
	require.InDelta(t, 0, *rows[4].DeliveredCM3, 0.5, "nothing went out, which is known and not empty")
	require.InDelta(t, 0, *rows[4].Ratio, 4**rows[4].RatioSD)
	require.Equal(t, "measured", rows[4].Evidence)
	// The difference of two levels good to hypot(0.5/sqrt 12, 0.3) cm3 each
	// (uniform within the scale, and the noise) on 0.5 x 31 cm3.
	require.InDelta(t, 0.4706/15.5, *rows[4].RatioSD, 1e-3)

	days := deliveryBy(t, s, past, forecast.ByDay, date(t, "2026-04-01"), date(t, "2026-04-07"))
	require.Len(t, days, 7)
	for _, d := range days {
		require.Nil(t, d.DeliveredCM3, "0.4 cm3 is less than the gauge can tell")
		require.Nil(t, d.Ratio)
		require.InDelta(t, 1, d.Resolved, 1e-12)
	}
	usage := usageBy(t, s, past, forecast.ByMonth, date(t, "2026-01-01"), date(t, "2026-05-31"))
	for i := range usage {
		require.Equal(t, rows[i].DeliveredCM3, usage[i].DeliveredCM3)
	}
}

// What was commanded is counted between the readings of the level, not from
// midnight to midnight: a gauge that is read at six in the morning says nothing
// about the evening.
func TestRatioIsBetweenReadings(t *testing.T) {
	s := gauged(t, 0.01, 0.01, config.EvidenceMeasured)
	past := memory.New(s.Location())
	past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
	left := 125.0
	for d := date(t, "2026-01-01"); d <= date(t, "2026-02-28"); d++ {
		hours := 4.0
		if d%7 < 2 {
			hours = 20
		}
		past.AddDay("elev1", reading.Run, d, hours)
		past.AddLevel("d1", d.Start(s.Location()).Add(6*time.Hour), reading.LevelCM3, left-0.9*0.025*hours/4)
		left -= 0.9 * 0.025 * hours
	}
	past.Seal()
	for _, by := range []forecast.Period{forecast.ByDay, forecast.ByWeek, forecast.ByMonth} {
		rows := deliveryBy(t, s, past, by, date(t, "2026-01-02"), date(t, "2026-02-28"))
		require.Greater(t, len(rows), 1)
		for _, r := range rows {
			require.InDelta(t, 0.9, *r.Ratio, 1e-9, "%s %s", by, r.From)
			require.InDelta(t, 1, r.Resolved, 1e-12)
		}
	}
}

// A swap ends a stay: its periods end there, and what the old one's gauge said
// is not the new one's.
func TestPeriodsEndWithAStay(t *testing.T) {
	s := gauged(t, 0.1, 0.05, config.EvidenceMeasured)
	s.Dispensers = append(s.Dispensers, config.Dispenser{ID: "d2", Model: "m",
		Settings: []config.Setting{{ValidFrom: date(t, "2025-01-01"), Pacing: config.PacingRun, CM3Per100h: 2.5}},
		Channels: []config.ChannelInfo{{Kind: "dose", Evidence: config.EvidenceMeasured}}})
	require.NoError(t, s.Reindex())
	past := memory.New(s.Location())
	past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125))
	past.AddFact(reading.Fact{ID: "w", Kind: reading.FactSwap, Point: "elev1-head", OldDevice: "d1", Device: "d2", At: at(t, "2026-02-11T12:00:00Z")})
	for d := date(t, "2026-01-01"); d <= date(t, "2026-03-31"); d++ {
		past.AddDay("elev1", reading.Run, d, 20)
		if d <= date(t, "2026-02-11") {
			past.AddLevel("d1", d.Start(s.Location()).Add(10*time.Hour), reading.LevelCM3, 125-0.5*float64(d-date(t, "2026-01-01")))
		} else {
			past.AddDay("d2", reading.Dose, d, 0.45)
		}
	}
	rows := usageBy(t, s, past.Seal(), forecast.ByMonth, date(t, "2026-01-01"), date(t, "2026-03-31"))
	require.Len(t, rows, 4)
	require.Equal(t, "d1 2026-02-01 2026-02-11", rows[1].Dispenser+" "+rows[1].From.String()+" "+rows[1].To.String())
	require.Equal(t, "d2 2026-02-11 2026-02-28", rows[2].Dispenser+" "+rows[2].From.String()+" "+rows[2].To.String())
	require.InDelta(t, 210, *rows[1].RunHours, 1e-9)
	require.InDelta(t, 350, *rows[2].RunHours, 1e-9)
	require.InDelta(t, 1, rows[1].Seen, 1e-9)
	require.Nil(t, rows[1].DeliveredCM3, "what the last half day used is not known")
	require.Nil(t, rows[2].DeliveredCM3, "nor what its first did")
	require.InDelta(t, 31*0.45, *rows[3].DeliveredCM3, 1e-9)
	months := deliveryBy(t, s, past, forecast.ByMonth, date(t, "2026-01-01"), date(t, "2026-03-31"))
	require.Len(t, months, 3)
	require.InDelta(t, 27.0/28, months[1].Resolved, 1e-9, "all but the day of the swap")
	require.InDelta(t, (10*0.5+17*0.45)/13.5, *months[1].Ratio, 1e-9)
	require.InDelta(t, 0.9, *months[2].Ratio, 1e-9)
	// 2 % of 0.9, and a dose of 0.25 at either end (variance of a uniform error
	// 1/12 each) of 15.5 cm3.
	require.InDelta(t, math.Hypot(0.018, 0.25/15.5/math.Sqrt(6)), *months[2].RatioSD, 1e-9)
	for _, d := range deliveryBy(t, s, past, forecast.ByDay, date(t, "2026-03-01"), date(t, "2026-03-31")) {
		require.InDelta(t, 0.45, *d.DeliveredCM3, 1e-9)
		require.Nil(t, d.Ratio, "0.5 cm3 is less than five doses")
		require.Nil(t, d.PlanRatio)
	}
}

// A setting that changes within a day makes no second row of it.
func TestUsageHasOneRowADay(t *testing.T) {
	s := plant(t, "UTC")
	past := memory.New(s.Location())
	run(past, "elev1", date(t, "2026-01-01"), date(t, "2026-01-10"), 12)
	v := 5.0
	past.AddFact(reading.Fact{ID: "s", Kind: reading.FactSetting, Device: "d1", Pacing: "run", CM3Per100h: &v, At: at(t, "2026-01-05T18:00:00Z")})
	rows := usageOf(t, s, past.Seal(), "2026-01-04", "2026-01-06")
	require.Len(t, rows, 3)
	require.InDelta(t, 12, *rows[1].RunHours, 1e-9)
	require.InDelta(t, 9*0.025+3*0.05, *rows[1].CommandedCM3, 1e-9)
	require.InDelta(t, 1, rows[1].Seen, 1e-9)
}

func TestPlacesFollowSwaps(t *testing.T) {
	s := plant(t, "UTC")
	s.Points = append(s.Points, config.Point{ID: "elev1-boot", Machine: "elev1"})
	s.Dispensers = append(s.Dispensers, config.Dispenser{ID: "d2", Model: "m"}, config.Dispenser{ID: "d3", Model: "m", Point: "elev1-boot"})
	require.NoError(t, s.Reindex())
	past := memory.New(s.Location())
	past.AddFact(reading.Fact{ID: "w1", Kind: reading.FactSwap, Point: "elev1-head", OldDevice: "d1", Device: "d2", At: at(t, "2026-01-05T12:00:00Z")})
	past.AddFact(reading.Fact{ID: "w2", Kind: reading.FactSwap, Point: "elev1-boot", OldDevice: "d3", Device: "d1", At: at(t, "2026-01-07T12:00:00Z")})
	places, err := forecast.NewPlaces(context.Background(), s, past.Seal(), at(t, "2026-01-10T00:00:00Z"))
	require.NoError(t, err)
	require.Equal(t, "elev1-head", places.At("d1", at(t, "2020-01-01T00:00:00Z")))
	require.Equal(t, "elev1-head", places.At("d1", at(t, "2026-01-05T11:59:59Z")))
	require.Empty(t, places.At("d1", at(t, "2026-01-05T12:00:00Z")), "on the shelf")
	require.Equal(t, "elev1-boot", places.At("d1", at(t, "2026-01-07T12:00:00Z")))
	require.Equal(t, "elev1-head", places.At("d2", at(t, "2026-01-07T12:00:00Z")))
	require.Empty(t, places.At("d3", at(t, "2026-01-08T00:00:00Z")))
	require.Empty(t, places.At("nobody", at(t, "2026-01-08T00:00:00Z")))
	head := places.Dispensers(func(id string) bool { return id == "elev1-head" })
	require.Len(t, head, 2)
	require.Equal(t, "d1", head[0][0].Dispenser)
	require.Len(t, head[0], 1)
	require.Equal(t, "d2", head[1][0].Dispenser)
	require.Len(t, head[1], 1)
	of := places.Dispensers(func(id string) bool { return id == "elev1-boot" })
	require.Len(t, of, 2)
	require.Equal(t, "d1", of[0][0].Dispenser)
	require.Len(t, of[0], 1, "only its stay there")
	require.Equal(t, "d3", of[1][0].Dispenser)
}
