package score

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"

	"dwindle/config/civil"
	"dwindle/forecast/internal/parallel"
)

// MostDays is how far the calendar is known unless [Options.Horizon] says
// otherwise: no case may last longer.
const MostDays = 400

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
	// horizon. 0 means [MostDays].
	Horizon int
	// Seed drives the methods that draw. The same seed gives the same figures
	// for any number of workers.
	Seed uint64
	// Workers bounds parallelism over series; 0 means one per processor.
	Workers int
	// Follow is how many cases, drawn from all, are followed to their end with
	// forecasts renewed every week: see [Path]. 0 means none; each costs as much
	// as some ten cases.
	Follow int
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
		o.Horizon = MostDays
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
// runs over days that were not seen, count as unfinished. It returns the
// context's error when stopped.
func Backtest(ctx context.Context, name string, series []Series, o Options) (Outcomes, error) {
	o = o.withDefaults()
	out := Outcomes{Name: name, Series: make([]string, len(series)), Units: make([]string, len(series)), Models: make([]string, len(o.Forecasters))}
	for i := range series {
		out.Series[i], out.Units[i] = series[i].Name, series[i].Unit
	}
	for i, f := range o.Forecasters {
		out.Models[i] = f.Name()
	}
	var err error
	if o.Forecasters, err = learnt(ctx, series, o); err != nil {
		return Outcomes{}, fmt.Errorf("scoring %s: %w", name, err)
	}
	out.Calibrations = make([]string, len(o.Forecasters))
	for i, f := range o.Forecasters {
		if c, ok := f.(Calibrated); ok {
			out.Calibrations[i] = c.Calibration()
		}
	}
	parts := make([]part, len(series))
	err = parallel.Do(ctx, len(series), o.Workers, func(i int) { parts[i].backtest(&series[i], i, o) })
	if err != nil {
		return Outcomes{}, fmt.Errorf("scoring %s: %w", name, err)
	}
	// The order of the series keeps the figures bit-identical for any number
	// of workers.
	for i := range parts {
		out.Cases = append(out.Cases, parts[i].cases...)
		out.Unfinished = append(out.Unfinished, parts[i].unfinished...)
	}
	if out.Paths, err = follow(ctx, series, out.Cases, o); err != nil {
		return Outcomes{}, fmt.Errorf("following reservoirs of %s: %w", name, err)
	}
	return out, nil
}

// learnt is the list of forecasters after those that learn have done so.
func learnt(ctx context.Context, series []Series, o Options) ([]Forecaster, error) {
	out := slices.Clone(o.Forecasters)
	for i, f := range out {
		l, ok := f.(Learner)
		if !ok {
			continue
		}
		learned, err := l.Learn(ctx, series, o)
		if err != nil {
			return nil, fmt.Errorf("%s learning from the set: %w", f.Name(), err)
		}
		out[i] = learned
	}
	return out, nil
}

// part is what one series gives.
type part struct {
	cases      []Outcome
	unfinished []Unfinished
}

func (t *part) backtest(s *Series, number int, o Options) {
	if s.Origin > 0 {
		t.from(s, s.Origin, number, o)
		return
	}
	for origin := o.First; origin < len(s.Days) && (o.Last <= 0 || origin <= o.Last); origin += o.Every {
		t.from(s, origin, number, o)
	}
}

// from adds the cases of one origin.
func (t *part) from(s *Series, origin, number int, o Options) {
	if origin > len(s.Days) || !s.Enough(origin) {
		return
	}
	trailing := s.Trailing(origin)
	if !(trailing > 0) {
		return
	}
	first, firstUnfinished := len(t.cases), len(t.unfinished)
	var budgets []float64 // of the unfinished
	addCase := func(size, budget float64) {
		truth, ok := s.Passage(origin, budget)
		if !ok || !(truth > 0) || truth > float64(o.Horizon) {
			t.unfinished = append(t.unfinished, Unfinished{
				Series: int32(number), Origin: int32(origin), Size: float32(size),
				After: math.Min(s.Watched(origin), float64(o.Horizon)), Chance: make([]float32, len(o.Forecasters)),
			})
			budgets = append(budgets, budget)
			return
		}
		t.cases = append(t.cases, Outcome{
			Series: int32(number), Origin: int32(origin), Size: float32(size),
			Budget: budget, Truth: truth, Said: make([]Said, len(o.Forecasters)),
		})
	}
	if o.Spans == nil {
		for _, tau := range o.Tau {
			addCase(tau, tau*trailing)
		}
	} else {
		for _, span := range o.Spans {
			if budget, ok := s.Used(origin, span); ok {
				addCase(float64(span), budget)
			}
		}
	}
	cases, unfinished := t.cases[first:], t.unfinished[firstUnfinished:]
	if len(cases)+len(unfinished) == 0 {
		return
	}
	past := knownAt(s, origin, number, o.Horizon)
	for i, f := range o.Forecasters {
		past.Random = caseRandom(o.Seed, number, origin)
		forecast := f.Fit(past)
		for j := range cases {
			c := &cases[j]
			if forecast == nil {
				c.Said[i].None = true
				continue
			}
			c.Said[i] = judge(forecast(c.Budget), c.Truth, float64(o.Horizon))
		}
		for j := range unfinished {
			u := &unfinished[j]
			u.Chance[i] = -1
			if forecast != nil {
				u.Chance[i] = float32(forecast(budgets[j]).Chance(u.After))
			}
		}
	}
}

// caseRandom seeds what draws by the case alone.
func caseRandom(seed uint64, number, origin int) *rand.Rand {
	return rand.New(rand.NewPCG(seed^uint64(number)*0x9e3779b97f4a7c15, uint64(origin)))
}

// knownAt is what was known on a day.
func knownAt(s *Series, origin, number, horizon int) Past {
	return Past{
		Series: number, Today: s.First + civil.Date(origin),
		Days: s.Days[:origin], Ahead: s.Ahead(origin, horizon), Scales: s.Scales(origin, horizon), Plan: s.Plan, MaxPerDay: s.MaxPerDay,
	}
}
