package calibration

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/depletion"
	"dwindle/forecast/duty"
	"dwindle/forecast/virtual"
)

// today is the day that all fleets of these tests know up to; a Monday.
var today = civil.New(2026, 6, 1)

// machine is one shift of five days with so much noise and drift of its level
// a day; stops begin on a running day with a chance and take a week.
func machine(seed uint64, days int, noise, drift, stops float64) virtual.Series {
	r := rand.New(rand.NewPCG(seed, 11))
	s := virtual.Series{Name: fmt.Sprint(seed), First: today - civil.Date(days), MaxPerDay: 24}
	level, out := 10.0, 0
	for i := range days {
		t := virtual.Weekday(s.First + civil.Date(i))
		amount := 0.0
		level *= math.Exp(drift * r.NormFloat64())
		if t < config.Saturday {
			amount = math.Min(24, math.Max(0, level*(1+noise*r.NormFloat64())))
		}
		if out > 0 {
			out--
			amount = 0
		} else if amount > 0 && r.Float64() < stops {
			out = 6
			amount = 0
		}
		s.Days = append(s.Days, duty.Day{Type: t, Amount: amount, Seen: 1})
	}
	return s
}

func fleet(n, days int, noise, drift, stops float64) []virtual.Series {
	out := make([]virtual.Series, n)
	for i := range out {
		out[i] = machine(uint64(i), days, noise, drift, stops)
	}
	return out
}

func learn(t *testing.T, series []virtual.Series, until civil.Date) *Table {
	t.Helper()
	r, err := Run(context.Background(), series, Options{})
	require.NoError(t, err)
	return r.Learn(until, &Table{})
}

// The ranks that stand for P10 and P90 among n past values are
// floor((n+1)/10) and ceil(9(n+1)/10): 10 and 90 of 99, 20 and 180 of 199, 100
// and 901 of 1000 (split conformal prediction: V. Vovk, A. Gammerman, G.
// Shafer, Algorithmic learning in a random world, 2005).
func TestRanksAreThoseOfConformalPrediction(t *testing.T) {
	for _, c := range []struct{ n, low, high int }{{99, 10, 90}, {199, 20, 180}, {1000, 100, 901}} {
		list := make([]ranked, c.n)
		for i, k := range rand.New(rand.NewPCG(1, 1)).Perm(c.n) {
			list[i] = ranked{pit: float64(k+1) / float64(c.n+1), weight: 1}
		}
		l, n := ranks(list)
		require.InDelta(t, float64(c.n), n, 1e-9)
		require.InDelta(t, float64(c.low), l.Low*float64(c.n+1), 1e-6)
		require.InDelta(t, float64(c.high), l.High*float64(c.n+1), 1e-6)
		require.InDelta(t, float64(c.n+1)/2, l.Mid*float64(c.n+1), 1)
	}
	l, n := ranks(nil)
	require.Equal(t, depletion.Plain, l)
	require.Zero(t, n)
}

func TestTheTableDoesNotDependOnWorkers(t *testing.T) {
	series := fleet(12, 150, 0.2, 0.01, 0.01)
	var want []byte
	for _, workers := range []int{1, 2, 8} {
		r, err := Run(context.Background(), series, Options{Workers: workers})
		require.NoError(t, err)
		got, err := json.Marshal(r.Learn(today, Builtin()))
		require.NoError(t, err)
		if want == nil {
			want = got
		}
		require.Equal(t, string(want), string(got))
	}
}

// What happens after a day must not be seen in the table of that day.
func TestNothingIsLearnedFromLaterDays(t *testing.T) {
	series := fleet(12, 200, 0.2, 0.01, 0.01)
	until := today - 60
	before := learn(t, series, until)
	require.Positive(t, before.Cases)
	r := rand.New(rand.NewPCG(3, 3))
	for i := range series {
		s := &series[i]
		for k := int(until - s.First); k < len(s.Days); k++ {
			s.Days[k].Amount = 24 * r.Float64()
		}
	}
	after := learn(t, series, until)
	require.Equal(t, before.Levels, after.Levels)
	require.Equal(t, before.Fleet.Lean, after.Fleet.Lean)
	for i := range series {
		series[i].Days = series[i].Days[:until-series[i].First]
	}
	cut := learn(t, series, until)
	// Where data end, the last counts of stops are of that day.
	require.Equal(t, before.Fleet.Lean, cut.Fleet.Lean)
	require.Equal(t, before.Cases, cut.Cases)
}

// A series with an origin is scored after it; nothing of that may teach.
func TestDaysAfterASeriesOriginDoNotTeach(t *testing.T) {
	series := fleet(12, 200, 0.2, 0.01, 0.01)
	for i := range series {
		series[i].Origin = 140
	}
	want := learn(t, series, today-60)
	for i := range series {
		for k := 140; k < 200; k++ {
			series[i].Days[k].Amount = 1
		}
	}
	require.Equal(t, want, learn(t, series, today-60))
}

func TestAFleetTeachesHowOftenItsMachinesStop(t *testing.T) {
	often := learn(t, fleet(30, 200, 0.1, 0, 0.03), today).Fleet.Stops[duty.Shift]
	never := learn(t, fleet(30, 200, 0.1, 0, 0), today).Fleet.Stops[duty.Shift]
	// One running day in 33, five of seven days run, and a week each.
	require.InEpsilon(t, 0.03*5/7*100, often.Begun/often.Exposure*100, 0.35)
	require.InDelta(t, 7-duty.LeastStop, often.Extra/(often.Ended-1), 1.5)
	require.Less(t, never.Begun/never.Exposure, 1.0/2000)
	// A machine that never stopped is foreseen to, in the one fleet.
	one := machine(99, 120, 0.1, 0, 0)
	b := depletion.Budget{Mean: 400}
	late := func(stops duty.StopPrior) float64 {
		f := duty.Fleet{}
		f.Stops[duty.Shift] = stops
		m := duty.Rules{MaxPerDay: 24, Fleet: f}.Fit(one.Days, nil)
		_, _, p90 := m.Forecast(one.Ahead(120, 300), 1).Range(b)
		return p90
	}
	require.Greater(t, late(often), late(never)+3)
}

// Steady machines and wandering ones lean to different members, and the levels
// of a fleet are such that its own past was right.
func TestAFleetTeachesItsLean(t *testing.T) {
	steady := learn(t, fleet(40, 250, 0.15, 0, 0), today)
	wandering := learn(t, fleet(40, 250, 0.05, 0.03, 0), today)
	lean := func(t *Table, g duty.Group) float64 { return t.Fleet.Lean[duty.Shift][g] }
	require.GreaterOrEqual(t, lean(steady, duty.Steady), 0.0)
	require.Less(t, lean(wandering, duty.Steady)-lean(wandering, duty.FastDrift), lean(steady, duty.Steady)-lean(steady, duty.FastDrift)+1e-9)
	require.NotEqual(t, steady.Version, wandering.Version)
	require.Contains(t, steady.Version, "2026-06-01-")
}

// 40 machines teach, 400 others of the same kind are foreseen: eight in ten end
// within the range, at each horizon.
func TestRangesHoldOnMachinesThatDidNotTeach(t *testing.T) {
	kinds := []struct{ noise, drift, stops float64 }{{0.3, 0, 0}, {0.1, 0.02, 0}, {0.1, 0, 0.02}}
	if testing.Short() {
		kinds = kinds[:1]
	}
	for _, kind := range kinds {
		table := learn(t, fleet(60, 300, kind.noise, kind.drift, kind.stops), today)
		var below, above, n float64
		for i := range 400 {
			s := machine(uint64(1000+i), 500, kind.noise, kind.drift, kind.stops)
			const origin = 240
			m := table.Rules(24).Fit(s.Days[:origin], nil)
			ahead := s.Ahead(origin, 400)
			law := table.Law(&m, m.Forecast(ahead, 1), ahead, 1)
			for _, tau := range []float64{10, 45} {
				budget := tau * s.Trailing(origin)
				truth, ok := s.Passage(origin, budget)
				if !ok || budget == 0 {
					continue
				}
				lo, _, hi := law.Range(depletion.Budget{Mean: budget})
				n++
				if truth < lo {
					below++
				}
				if truth > hi {
					above++
				}
			}
		}
		require.Greater(t, n, 600.0)
		// Two horizons of a machine go together: three standard errors of 400.
		const slack = 0.045
		require.InDelta(t, 0.1, below/n, slack, "%+v", kind)
		require.InDelta(t, 0.1, above/n, slack, "%+v", kind)
	}
}

func TestASmallFleetStaysWithTheTableBefore(t *testing.T) {
	base := Builtin()
	table := learn(t, fleet(2, 40, 0.1, 0, 0), today)
	require.Equal(t, duty.Lean{}, table.Fleet.Lean)
	r, err := Run(context.Background(), nil, Options{})
	require.NoError(t, err)
	empty := r.Learn(today, base)
	require.Zero(t, empty.Cases)
	for kind := range empty.Levels {
		for h := range empty.Levels[kind] {
			require.InDelta(t, base.Levels[kind][h].Low, empty.Levels[kind][h].Low, 1e-9)
			require.InDelta(t, base.Levels[kind][h].High, empty.Levels[kind][h].High, 1e-9)
		}
	}
	require.Equal(t, base.Fleet, empty.Fleet)
}

func TestTheBuiltinTableIsSound(t *testing.T) {
	b := Builtin()
	require.NotEmpty(t, b.Version)
	require.Greater(t, b.Cases, 10_000)
	for kind := range b.Levels {
		require.NotEmpty(t, KindName(kind))
		for _, c := range b.Levels[kind] {
			require.Less(t, c.Low, c.Mid)
			require.Less(t, c.Mid, c.High)
		}
	}
	text, err := json.Marshal(b)
	require.NoError(t, err)
	again, err := Read(text)
	require.NoError(t, err)
	require.Equal(t, b, again)
}

func TestUnusableTablesAreRefused(t *testing.T) {
	for text, want := range map[string]string{
		`{`:                      "calibration table",
		`{"learned":"tomorrow"}`: "calibration table",
		`{"version":"x","levels":[[{"low":0.5,"mid":0.4,"high":0.9}]]}`: "0 < low < mid < high < 1",
		`{"version":"x","levels":[[{"low":-1,"mid":0.5,"high":0.9}]]}`:  "0 < low < mid < high < 1",
	} {
		_, err := Read([]byte(text))
		require.ErrorContains(t, err, want, text)
	}
}

func FuzzRead(f *testing.F) {
	f.Add(builtin)
	f.Add([]byte(`{"fleet":{"lean":[[1e308]]}}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		table, err := Read(text)
		if err != nil {
			return
		}
		// Whatever was accepted makes ordered ranges.
		m := table.Rules(24).Fit(machine(1, 60, 0.1, 0, 0).Days, nil)
		ahead := make([]config.DayType, 100)
		lo, mid, hi := table.Law(&m, m.Forecast(ahead, 1), ahead, 1).Range(depletion.Budget{Mean: 200})
		if lo > mid || mid > hi {
			t.Fatalf("%g %g %g", lo, mid, hi)
		}
	})
}

func TestRunStopsWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	_, err := Run(ctx, fleet(4, 100, 0.1, 0, 0), Options{})
	require.ErrorIs(t, err, context.Canceled)
}

// All machines of a site change their week together, every few weeks. Then the
// last week says more than anything older, and the fleet learns it; machines
// that keep one habit teach the contrary.
func TestAFleetTeachesWhatTheLastWeekIsWorth(t *testing.T) {
	changing := func(n int) []virtual.Series {
		out := make([]virtual.Series, n)
		for i := range out {
			r := rand.New(rand.NewPCG(uint64(i), 5))
			week := rand.New(rand.NewPCG(77, 5)) // common to all
			s := virtual.Series{Name: fmt.Sprint(i), First: today - 180, MaxPerDay: 24}
			var load [7]float64
			for day := range 180 {
				if day%21 == 0 {
					for k := range load {
						load[k] = 4 + 16*week.Float64()
					}
				}
				s.Days = append(s.Days, duty.Day{Type: virtual.Weekday(s.First + civil.Date(day)), Amount: load[day%7] * (1 + 0.03*r.NormFloat64()), Seen: 1})
			}
			out[i] = s
		}
		return out
	}
	table := learn(t, changing(40), today)
	require.Positive(t, table.Week[duty.RoundTheClock])
	require.Zero(t, learn(t, fleet(40, 180, 0.3, 0, 0), today).Week[duty.Shift])
}
