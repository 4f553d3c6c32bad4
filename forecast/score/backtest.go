package score

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"sync"

	"dwindle/config"
	"dwindle/forecast/duty"
)

// Options say which virtual reservoirs are started. The zero value is the
// standard protocol.
type Options struct {
	// Tau sizes reservoirs: budget = tau x mean duty of the last 28 days, from
	// data before the origin only. nil means 10, 45 and 120 days.
	Tau []float64
	// Spans, if given, sizes them instead by what the next so many days really
	// used, so that the truth is a whole day. It tells forecasters nothing but
	// makes cases comparable over series.
	Spans []int
	// First and Every place rolling origins: the first has so many days of
	// history (0 means 28), then one every so many days (0 means 7). Last, if
	// above 0, is the largest number of days of history.
	First, Every, Last int
	// Horizon is how far the calendar is known; later quantiles count as the
	// horizon. 0 means 400 days.
	Horizon int
	// Seed drives the methods that draw. The same seed gives the same figures
	// for any number of workers.
	Seed uint64
	// Workers bounds parallelism over series; 0 means one per processor.
	Workers int
	// Forecasters to compare; nil means all.
	Forecasters []Forecaster
}

func (o Options) withDefaults() Options {
	if o.Tau == nil {
		o.Tau = []float64{10, 45, 120}
	}
	if o.First <= 0 {
		o.First = 28
	}
	if o.Every <= 0 {
		o.Every = 7
	}
	if o.Horizon <= 0 {
		o.Horizon = 400
	}
	if o.Workers <= 0 {
		o.Workers = runtime.GOMAXPROCS(0)
	}
	if o.Forecasters == nil {
		o.Forecasters = Forecasters()
	}
	return o
}

// Backtest scores all forecasters on all cases of a set of series. A case is
// one virtual reservoir from one origin. Origins with less than
// [duty.MinDays] seen days behind them or no use in the last 28 days are not
// used; cases whose reservoir was not used up when the data end, or whose truth
// runs over days that were not seen, are left out and counted. It returns the
// context's error when stopped.
func Backtest(ctx context.Context, name string, series []Series, o Options) (Set, error) {
	o = o.withDefaults()
	tallies := make([]tally, len(series))
	next := make(chan int)
	var wait sync.WaitGroup
	for range min(o.Workers, max(1, len(series))) {
		wait.Go(func() {
			for i := range next {
				tallies[i] = backtestOne(&series[i], uint64(i), o)
			}
		})
	}
feed:
	for i := range series {
		select {
		case next <- i:
		case <-ctx.Done():
			break feed
		}
	}
	close(next)
	wait.Wait()
	if err := ctx.Err(); err != nil {
		return Set{}, fmt.Errorf("scoring %s: %w", name, err)
	}
	// Summing in the order of the series keeps the figures bit-identical for
	// any number of workers.
	total := newTally(len(o.Forecasters))
	used := 0
	for i := range tallies {
		if tallies[i].cases > 0 {
			used++
		}
		total.merge(&tallies[i])
	}
	return total.set(name, used, o.Forecasters), nil
}

func backtestOne(s *Series, number uint64, o Options) tally {
	t := newTally(len(o.Forecasters))
	if s.Origin > 0 {
		backtestFrom(s, s.Origin, number, o, &t)
		return t
	}
	for origin := o.First; origin < len(s.Days) && (o.Last <= 0 || origin <= o.Last); origin += o.Every {
		backtestFrom(s, origin, number, o, &t)
	}
	return t
}

func backtestFrom(s *Series, origin int, number uint64, o Options, t *tally) {
	if origin > len(s.Days) || !enough(s.Days[:origin]) {
		return
	}
	trailing := s.trailing(origin)
	if !(trailing > 0) {
		return
	}
	var budgets, truths []float64
	addCase := func(budget float64) {
		if truth, ok := s.passage(origin, budget); ok && truth > 0 && truth <= float64(o.Horizon) {
			budgets, truths = append(budgets, budget), append(truths, truth)
		} else {
			t.leftOut++
		}
	}
	if o.Spans == nil {
		for _, tau := range o.Tau {
			addCase(tau * trailing)
		}
	} else {
		for _, span := range o.Spans {
			if budget, ok := s.used(origin, span); ok {
				addCase(budget)
			}
		}
	}
	if len(budgets) == 0 {
		return
	}
	past := Past{Days: s.Days[:origin], Ahead: s.ahead(origin, o.Horizon), Plan: s.Plan, MaxPerDay: s.MaxPerDay}
	for i, f := range o.Forecasters {
		past.Random = rand.New(rand.NewPCG(o.Seed^number*0x9e3779b97f4a7c15, uint64(origin)))
		forecast := f.Fit(past)
		if forecast == nil {
			continue
		}
		for j, b := range budgets {
			t.models[i].add(cap3(forecast(b), float64(o.Horizon)), truths[j])
		}
	}
	t.cases += len(budgets)
}

// used is the cumulative duty of the next days; ok is false where they were not
// all seen or there was none.
func (s *Series) used(origin, span int) (float64, bool) {
	if origin+span > len(s.Days) {
		return 0, false
	}
	sum := 0.0
	for _, d := range s.Days[origin : origin+span] {
		if d.Seen < 1 && d.Type != config.ShutdownType {
			return 0, false
		}
		sum += d.Amount
	}
	return sum, sum > 0
}

func enough(days []duty.Day) bool {
	seen := 0.0
	for _, d := range days {
		if d.Type != config.ShutdownType {
			seen += d.Seen
		}
	}
	return seen >= duty.MinDays
}

func cap3(r Range, horizon float64) Range {
	for i := range r {
		r[i] = math.Min(horizon, math.Max(0, r[i]))
	}
	return r
}
