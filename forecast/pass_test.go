package forecast_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
	"dwindle/forecast/memory"
)

// fleetOf is a site of n points on n/2 machines with half a year of days: shift
// work, missing days, levels on some, settings and changes now and then.
func fleetOf(t testing.TB, n, days int) (*config.Site, *memory.Past, time.Time) {
	t.Helper()
	s := plant(t, "Europe/Berlin")
	s.Machines, s.Points, s.Dispensers = nil, nil, nil
	last := date(t, "2026-06-30")
	first := last - civil.Date(days) + 1
	past := memory.New(s.Location())
	r := rand.New(rand.NewPCG(11, 12))
	for m := range (n + 1) / 2 {
		machine := fmt.Sprintf("m%05d", m)
		s.Machines = append(s.Machines, config.Machine{ID: machine, Area: "tower"})
		base := 5 + 15*r.Float64()
		hours := make([]float64, days)
		for i := range hours {
			d := first + civil.Date(i)
			if d.Weekday() != time.Sunday {
				hours[i] = math.Min(24, math.Max(0, base*(1+0.2*r.NormFloat64())))
			}
			if r.Float64() > 0.03 {
				past.AddDay(machine, reading.Run, d, hours[i])
			}
		}
		for k := range min(2, n-2*m) {
			id := fmt.Sprintf("%s-%d", machine, k)
			s.Points = append(s.Points, config.Point{ID: id, Machine: machine, Lubricant: "grease", Reservoir: "r125", Plan: config.Plan{DoseCM3Per100h: 5, HoursPerWeek: base * 6}})
			s.Dispensers = append(s.Dispensers, config.Dispenser{ID: "d" + id, Model: "m", Point: id,
				Settings: []config.Setting{{ValidFrom: first - 400, Pacing: config.PacingRun, CM3Per100h: 5}},
				Channels: []config.ChannelInfo{{Kind: "level", StepPercent: 2, SDCM3: 0.7}}})
			begin := r.IntN(days / 2)
			volume := 125.0
			past.AddFact(reading.Fact{ID: "c" + id, Kind: reading.FactChange, Device: "d" + id, At: (first + civil.Date(begin)).Start(s.Location()).Add(8 * time.Hour), VolumeCM3: &volume})
			left := 125.0
			for i := begin; i < days; i++ {
				left -= hours[i] * 0.05
				if k == 0 {
					past.AddLevel("d"+id, (first + civil.Date(i)).End(s.Location()).Add(-time.Hour), reading.LevelPercent, math.Max(0, math.Round((left+0.7*r.NormFloat64())/2.5)*2))
				}
			}
		}
	}
	require.NoError(t, s.Reindex())
	return s, past.Seal(), last.Start(s.Location()).Add(15 * time.Hour)
}

func asJSON(t testing.TB, f forecast.Fleet) string {
	t.Helper()
	type row struct {
		Row      forecast.Row
		Delivery forecast.Delivery
	}
	var rows []row
	for _, s := range f.States {
		rows = append(rows, row{s.Row, s.Delivery})
	}
	b, err := json.Marshal(rows)
	require.NoError(t, err)
	return string(b)
}

// The result is the same to the last bit for any number of workers: for a fleet
// that takes more than one wave to learn from, with machines shared by points
// and fills that carry over.
func TestPassSameForAnyWorkers(t *testing.T) {
	s, past, now := fleetOf(t, 1401, 60)
	volume := 125.0
	for i := range s.Points {
		past.AddFact(reading.Fact{ID: "again " + s.Points[i].ID, Kind: reading.FactChange, Point: s.Points[i].ID, At: now.AddDate(0, 0, -9), VolumeCM3: &volume})
	}
	past.Seal()
	want := ""
	for _, n := range []int{1, 2, 8} {
		f, err := forecast.Pass(context.Background(), s, past, now, forecast.Options{Workers: n})
		require.NoError(t, err)
		got := asJSON(t, f)
		if want == "" {
			want = got
			require.Contains(t, got, "empty_p50")
		}
		require.Equal(t, want, got)
	}
}

// A pass for a past time does not see what came later.
func TestPassAsOfPast(t *testing.T) {
	s, past, now := fleetOf(t, 6, 120)
	then := now.AddDate(0, 0, -20)
	cut := memory.New(s.Location())
	ctx := context.Background()
	for i := range s.Machines {
		days, err := past.Days(ctx, s.Machines[i].ID, reading.Run, 0, s.Today(then)-1)
		require.NoError(t, err)
		for _, d := range days {
			cut.AddDay(s.Machines[i].ID, reading.Run, d.Date, d.Amount)
		}
		a, err := past.Amount(ctx, s.Machines[i].ID, reading.Run, s.Today(then).Start(s.Location()), then)
		require.NoError(t, err)
		if a.Known > 0 {
			cut.Add(s.Machines[i].ID, reading.Run, s.Today(then).Start(s.Location()), then, a.Value)
		}
	}
	for i := range s.Dispensers {
		levels, err := past.Levels(ctx, s.Dispensers[i].ID, time.Unix(0, 0), then)
		require.NoError(t, err)
		for _, l := range levels {
			cut.AddLevel(s.Dispensers[i].ID, l.At, l.Quantity, l.Value)
		}
	}
	facts, err := past.Facts(ctx, then)
	require.NoError(t, err)
	for _, f := range facts {
		cut.AddFact(f)
	}
	a, err := forecast.Pass(ctx, s, past, then, forecast.Options{})
	require.NoError(t, err)
	b, err := forecast.Pass(ctx, s, cut.Seal(), then, forecast.Options{})
	require.NoError(t, err)
	require.JSONEq(t, asJSON(t, b), asJSON(t, a))
}

// Whatever the history, what is shown stays within the reservoir, the dates are
// in order, chances are chances, and every row is either a forecast or says why
// not.
func TestPassInvariants(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		s := plant(t, rapid.SampledFrom([]string{"UTC", "Europe/Berlin", "Pacific/Apia", "America/New_York"}).Draw(rt, "zone"))
		s.Dispensers[0].Channels = []config.ChannelInfo{{Kind: "level", StepPercent: rapid.SampledFrom([]float64{0, 2, 10}).Draw(rt, "step"), SDCM3: 0.5}}
		past := memory.New(s.Location())
		first := date(t, "2025-12-20")
		n := rapid.IntRange(0, 120).Draw(rt, "days")
		for i := range n {
			d := first + civil.Date(i)
			if rapid.IntRange(0, 9).Draw(rt, "seen") > 0 {
				past.AddDay("elev1", reading.Run, d, rapid.Float64Range(0, 26).Draw(rt, "hours"))
			}
			if rapid.IntRange(0, 3).Draw(rt, "level") == 0 {
				past.AddLevel("d1", d.Start(s.Location()).Add(time.Duration(rapid.IntRange(0, 22).Draw(rt, "hour"))*time.Hour), reading.LevelPercent, rapid.Float64Range(-20, 130).Draw(rt, "percent"))
			}
		}
		if rapid.Bool().Draw(rt, "changed") {
			past.AddFact(change(first.Start(s.Location()).Add(time.Duration(rapid.IntRange(0, 24*130).Draw(rt, "change"))*time.Hour), rapid.Float64Range(0.1, 300).Draw(rt, "volume")))
		}
		now := first.Start(s.Location()).Add(time.Duration(rapid.IntRange(0, 24*60*140).Draw(rt, "minutes")) * time.Minute)
		f, err := forecast.Pass(context.Background(), s, past.Seal(), now, forecast.Options{Workers: 1})
		require.NoError(rt, err)
		got := f.States[0]
		row := got.Row
		if row.RemainingCM3 != nil {
			require.GreaterOrEqual(rt, *row.RemainingCM3, 0.0)
			most := *row.CapacityCM3
			if row.LevelRose != nil {
				most = max(most, 125) // a full reservoir, which nobody recorded
			}
			require.LessOrEqual(rt, *row.RemainingCM3, most)
			require.False(rt, math.IsNaN(*row.RemainingSDCM3))
			require.GreaterOrEqual(rt, *row.RemainingSDCM3, 0.0)
		}
		require.NotEmpty(rt, got.Delivery.Verdict)
		if row.Withheld != "" {
			require.Nil(rt, row.EmptyP10)
			return
		}
		require.True(rt, row.EmptyP50 != nil || row.BeyondDays != nil)
		if row.EmptyP10 != nil {
			require.GreaterOrEqual(rt, *row.EmptyP10, s.Today(now))
		}
		if row.EmptyP10 != nil && row.EmptyP50 != nil {
			require.LessOrEqual(rt, *row.EmptyP10, *row.EmptyP50)
		}
		if row.EmptyP50 != nil && row.EmptyP90 != nil {
			require.LessOrEqual(rt, *row.EmptyP50, *row.EmptyP90)
		}
		before := 0.0
		for d := s.Today(now); d < s.Today(now)+100; d += 9 {
			c := got.ChanceBefore(d)
			require.True(rt, c >= before && c <= 1, "%v after %v", c, before)
			before = c
		}
		_, err = json.Marshal(row)
		require.NoError(rt, err, "no NaN")
		_, err = json.Marshal(got.Delivery)
		require.NoError(rt, err, "no NaN")
	})
}

// Ten times the volumes and doses: the same dates.
func TestPassScales(t *testing.T) {
	now := at(t, "2026-03-15T12:00:00Z")
	rows := map[float64]forecast.Row{}
	for _, k := range []float64{1, 10} {
		s := gauged(t, 1.25*k, 0.6*k, config.EvidenceMeasured)
		s.Dispensers[0].Settings[0].CM3Per100h = 2.5 * k
		s.Models[0].CM3PerStroke = 0.25 * k
		s.Points[0].Plan.DoseCM3Per100h = 2.5 * k
		past := memory.New(s.Location())
		past.AddFact(change(at(t, "2026-01-01T00:00:00Z"), 125*k))
		r := rand.New(rand.NewPCG(3, 3))
		for i := range 80 {
			d := date(t, "2026-01-01") + civil.Date(i)
			past.AddDay("elev1", reading.Run, d, 20)
			past.AddLevel("d1", d.End(s.Location()).Add(-time.Minute), reading.LevelCM3, k*(125-0.5*float64(i+1)+0.6*r.NormFloat64()))
		}
		rows[k] = one(t, s, past.Seal(), now).Row
	}
	require.Equal(t, *rows[1].EmptyP10, *rows[10].EmptyP10)
	require.Equal(t, *rows[1].EmptyP90, *rows[10].EmptyP90)
	require.InDelta(t, 10**rows[1].RemainingCM3, *rows[10].RemainingCM3, 1e-6)
}

type broken struct{ *memory.Past }

var errDisk = errors.New("disk gone")

func (broken) Levels(context.Context, string, time.Time, time.Time) ([]reading.Sample, error) {
	return nil, errDisk
}

func TestPassReportsErrorsAndCancels(t *testing.T) {
	s, past, now := fleetOf(t, 9, 60)
	_, err := forecast.Pass(context.Background(), s, broken{past}, now, forecast.Options{})
	require.ErrorIs(t, err, errDisk)
	require.ErrorContains(t, err, "forecast of point")
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	_, err = forecast.Pass(ctx, s, past, now, forecast.Options{})
	require.ErrorIs(t, err, context.Canceled)
	_, err = forecast.Explain(context.Background(), s, past, now, "nowhere", forecast.Options{})
	require.ErrorContains(t, err, `point "nowhere" is not in the site file`)
	empty := &config.Site{ID: "riverside", Zone: "UTC"}
	require.NoError(t, empty.Reindex())
	f, err := forecast.Pass(context.Background(), empty, past, now, forecast.Options{})
	require.NoError(t, err)
	require.Empty(t, f.States)
}

// The pass for a fleet of two points a machine with 180 days of history, half
// of the points with a level a day. The first pass of a run also derives the
// source's days.
func BenchmarkPass(b *testing.B) {
	const points = 1000
	s, past, now := fleetOf(b, points, 180)
	_, err := forecast.Pass(context.Background(), s, past, now, forecast.Options{})
	require.NoError(b, err)
	for _, workers := range []int{1, runtime.GOMAXPROCS(0)} {
		b.Run(fmt.Sprintf("workers=%d", workers), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := forecast.Pass(context.Background(), s, past, now, forecast.Options{Workers: workers}); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(points)*float64(b.N)/b.Elapsed().Seconds(), "points/s")
		})
	}
}
