package score

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"math"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/duty"
)

func backtest(ctx context.Context, name string, series []Series, o Options) (Set, error) {
	out, err := Backtest(ctx, name, series, o)
	return out.Set(), err
}

func TestPassage(t *testing.T) {
	s := Series{Days: []duty.Day{
		{Amount: 4, Seen: 1}, {Amount: 0, Seen: 1}, {Amount: 3, Seen: 0.75}, {Type: config.ShutdownType}, {Amount: 4, Seen: 1}, {Seen: 0}, {Amount: 9, Seen: 1},
	}}
	for budget, want := range map[float64]float64{2: 0.5, 4: 1, 5: 2.25, 8: 3, 9: 4.25} {
		got, ok := s.Passage(0, budget)
		require.True(t, ok)
		require.InDelta(t, want, got, 1e-12, "budget %g", budget)
	}
	_, ok := s.Passage(0, 13)
	require.False(t, ok, "the truth runs over a day that was not seen")
	_, ok = s.Passage(6, 10)
	require.False(t, ok, "the data end first")
}

func TestAheadContinuesWithWeekdays(t *testing.T) {
	s := Series{First: civil.New(2026, 6, 3), Days: make([]duty.Day, 2), After: []config.DayType{config.HolidayType}} // a Wednesday
	s.Days[1].Type = config.ShutdownType
	require.Equal(t, []config.DayType{config.ShutdownType, config.HolidayType, config.Saturday, config.Sunday, config.Monday}, s.Ahead(1, 4+1)[:5])
	s.After = nil
	require.Equal(t, config.Friday, s.Ahead(1, 2)[1])
}

func TestSameFiguresForAnyNumberOfWorkers(t *testing.T) {
	var want []byte
	for _, workers := range []int{1, 2, 8} {
		r, err := Simulation(context.Background(), 12, Options{Seed: 5, Workers: workers, Follow: 4})
		require.NoError(t, err)
		got, err := json.Marshal([]any{r, Summarise(r...)})
		require.NoError(t, err)
		if want == nil {
			want = got
		}
		require.Equal(t, string(want), string(got), "%d workers", workers)
	}
	r, err := Simulation(context.Background(), 12, Options{Seed: 6, Follow: 4})
	require.NoError(t, err)
	other, err := json.Marshal([]any{r, Summarise(r...)})
	require.NoError(t, err)
	require.NotEqual(t, string(want), string(other), "another seed, other figures")
}

func TestStopsWhenAsked(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	_, err := Simulation(ctx, 5, Options{})
	require.ErrorIs(t, err, context.Canceled)
}

func TestCasesAreCounted(t *testing.T) {
	week := [7]float64{8, 8, 8, 8, 8, 0, 0}
	s := Series{Name: "mill", First: civil.New(2026, 6, 1), Plan: &duty.Plan{PerWeek: 40}}
	for i := range 100 {
		s.Days = append(s.Days, duty.Day{Type: config.DayType(i % 7), Amount: week[i%7], Seen: 1})
	}
	idle := Series{Name: "spare", First: s.First, Days: make([]duty.Day, 100)}
	set, err := backtest(context.Background(), "two", []Series{s, idle}, Options{Tau: []float64{10, 60}})
	require.NoError(t, err)
	// Origins 28, 35 ... 98: 11 of them. Ten days of budget are over by day 90
	// from 28 ... 84 (9 origins: 84 + 12 days = 96); sixty days from 28 and 35.
	require.Equal(t, 1, set.Series)
	require.Equal(t, 22, set.Cases+set.LeftOut)
	require.Equal(t, 11, set.Cases)
	require.Len(t, set.Models, 9, "a plan for all series that count: plan has its line")
	l, ok := set.Line("dwindle")
	require.True(t, ok)
	require.InDelta(t, 0, l.MAEOverT, 0.03)
	s.Plan = nil
	set, err = backtest(context.Background(), "two", []Series{s}, Options{Tau: []float64{10, 60}})
	require.NoError(t, err)
	require.Len(t, set.Models, 8)
	for _, l := range set.Models {
		require.InDelta(t, 1, l.Coverage80+l.BelowP10+l.AboveP90, 1e-12)
	}
}

func TestNoCases(t *testing.T) {
	set, err := backtest(context.Background(), "none", []Series{{Name: "short", Days: make([]duty.Day, 3)}, {}}, Options{})
	require.NoError(t, err)
	require.Zero(t, set.Cases)
	var b bytes.Buffer
	require.NoError(t, Report{Sets: []Set{set}}.WriteText(&b, true))
	require.Contains(t, b.String(), "nothing to score")
	_, err = json.Marshal(join("all", nil).Set())
	require.NoError(t, err)
}

func testdata(name string) string { return filepath.Join("..", "..", "testdata", name) }

func TestBikes(t *testing.T) {
	series, err := ReadFile(testdata("bike-rentals-2011-2012.csv"))
	require.NoError(t, err)
	require.Len(t, series, 3)
	for _, s := range series {
		require.Len(t, s.Days, 731, s.Name)
		require.Equal(t, config.HolidayType, s.Days[16].Type, "2011-01-17 was a holiday")
	}
	set, err := backtest(context.Background(), "bikes", series, Options{First: 365, Every: 30})
	require.NoError(t, err)
	require.Equal(t, 3, set.Series)
	require.Greater(t, set.Cases, 80)
	for _, l := range set.Models {
		require.False(t, math.IsNaN(l.PinballOverT), l.Model)
	}
}

func TestReadFileSaysWhichFile(t *testing.T) {
	_, err := ReadFile(testdata("absent.csv"))
	require.ErrorIs(t, err, os.ErrNotExist)
	path := filepath.Join(t.TempDir(), "duty.csv.gz")
	require.NoError(t, os.WriteFile(path, []byte("series,date,duty\n"), 0o600))
	_, err = ReadFile(path)
	require.ErrorContains(t, err, "not a gzip file")
}

// told is a learner whose law tells what it was told.
type told struct{ learnt bool }

type toldLaw Range

func (told) Name() string { return "told" }

func (f told) Fit(p Past) func(float64) Law {
	if !f.learnt {
		return nil
	}
	return func(float64) Law {
		return toldLaw{float64(p.Series), float64(len(p.Days)), float64(p.Today - civil.New(2026, 6, 1))}
	}
}

func (told) Learn(_ context.Context, series []Series, o Options) (Forecaster, error) {
	if len(series) == 0 {
		return nil, errors.New("nothing to learn from")
	}
	return told{learnt: o.Horizon == 400}, nil
}

func (l toldLaw) Range() Range             { return Range(l) }
func (toldLaw) Quantile(p float64) float64 { return 100 * p }
func (toldLaw) Chance(t float64) float64   { return t / 100 }

func TestLearnersLearnBeforeTheFirstCase(t *testing.T) {
	mill := Series{First: civil.New(2026, 6, 1), Days: pastOf(repeat([7]float64{8, 8, 8, 8, 8, 0, 0}, 100)).Days}
	late := Series{First: civil.New(2026, 6, 8), Days: mill.Days}
	o := Options{Tau: []float64{10}, First: 28, Every: 30, Last: 60, Forecasters: []Forecaster{told{}, last28{}}}
	out, err := Backtest(context.Background(), "two", []Series{mill, late}, o)
	require.NoError(t, err)
	var got []Range
	for _, c := range out.Cases {
		require.Equal(t, float32(10), c.Size)
		require.InDelta(t, c.Truth/100, c.Said[0].PIT, 1e-6)
		got = append(got, c.Said[0].Range)
	}
	require.Equal(t, []Range{{0, 28, 28}, {0, 58, 58}, {1, 28, 35}, {1, 58, 65}}, got)
	_, err = Backtest(context.Background(), "none", nil, o)
	require.ErrorContains(t, err, "told learning from the set: nothing to learn from")
}
