package duty_test

import (
	"math/rand/v2"
	"testing"

	"dwindle/config"
	"dwindle/forecast/depletion"
	"dwindle/forecast/duty"
)

// BenchmarkForecast is one point's forecast from 180 days of history over a
// calendar of two years: fit, mixture and three quantiles. BenchmarkLast28 is the
// simplest rule there is, for the ratio.
func BenchmarkForecast(b *testing.B) {
	history, future := benchmarkSite()
	var s duty.Scratch
	var f depletion.Mixture
	b.ReportAllocs()
	for b.Loop() {
		m := duty.Rules{MaxPerDay: 24}.FitWith(&s, history, nil)
		f = m.ForecastInto(f, future, 0.4)
		f.Range(depletion.Budget{Mean: 700, Var: 100})
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "points/s")
}

// BenchmarkForecastCores is the same on all processors, each with its own
// memory: what a pass over a fleet reaches.
func BenchmarkForecastCores(b *testing.B) {
	history, future := benchmarkSite()
	b.RunParallel(func(p *testing.PB) {
		var s duty.Scratch
		var f depletion.Mixture
		for p.Next() {
			m := duty.Rules{MaxPerDay: 24}.FitWith(&s, history, nil)
			f = m.ForecastInto(f, future, 0.4)
			f.Range(depletion.Budget{Mean: 700, Var: 100})
		}
	})
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "points/s")
}

// BenchmarkForecastUntilCores stops where the budget is surely used up, as a
// pass does that knows it.
func BenchmarkForecastUntilCores(b *testing.B) {
	history, future := benchmarkSite()
	b.RunParallel(func(p *testing.PB) {
		var s duty.Scratch
		var f depletion.Mixture
		budget := depletion.Budget{Mean: 700, Var: 100}
		for p.Next() {
			m := duty.Rules{MaxPerDay: 24}.FitWith(&s, history, nil)
			f = m.ForecastUntil(f, future, 0.4, budget)
			f.Range(budget)
		}
	})
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "points/s")
}

// BenchmarkAdd is one more day in a state, the passes over its window shared
// among the days.
func BenchmarkAdd(b *testing.B) {
	history, _ := benchmarkSite()
	s := duty.Rules{MaxPerDay: 24}.State()
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		s.Add(history[i%175])
		i++
	}
}

// BenchmarkModel is a model from a state.
func BenchmarkModel(b *testing.B) {
	history, _ := benchmarkSite()
	s := duty.Rules{MaxPerDay: 24}.State()
	for _, d := range history {
		s.Add(d)
	}
	b.ReportAllocs()
	for b.Loop() {
		s.Model(nil, duty.Fleet{})
	}
}

// BenchmarkStateForecast is what a point costs each night whose state is kept:
// read it, add yesterday, write it, and forecast a known budget.
func BenchmarkStateForecast(b *testing.B) {
	history, future := benchmarkSite()
	kept := duty.Rules{MaxPerDay: 24}.State()
	for _, d := range history {
		kept.Add(d)
	}
	form, err := kept.MarshalBinary()
	if err != nil {
		b.Fatal(err)
	}
	var s duty.State
	var f depletion.Mixture
	budget := depletion.Budget{Mean: 700, Var: 100}
	out := make([]byte, 0, 4096)
	b.ReportAllocs()
	for b.Loop() {
		if err := s.UnmarshalBinary(form); err != nil {
			b.Fatal(err)
		}
		s.Add(history[5])
		out, _ = s.AppendBinary(out[:0])
		f = s.Model(nil, duty.Fleet{}).ForecastUntil(f, future, 0.4, budget)
		f.Range(budget)
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "points/s")
}

// BenchmarkForecastFresh is the same without reuse of memory.
func BenchmarkForecastFresh(b *testing.B) {
	history, future := benchmarkSite()
	b.ReportAllocs()
	for b.Loop() {
		duty.Fit(history, nil).Forecast(future, 0.4).Range(depletion.Budget{Mean: 700, Var: 100})
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "points/s")
}

func BenchmarkLast28(b *testing.B) {
	history, _ := benchmarkSite()
	for b.Loop() {
		var sum, squares float64
		for _, d := range history[len(history)-28:] {
			sum += d.Amount
			squares += d.Amount * d.Amount
		}
		mean := sum / 28
		sd := (squares - sum*mean) / 27
		for _, p := range [3]float64{0.1, 0.5, 0.9} {
			depletion.PosteriorQuantile(p, 700, mean, sd, 28)
		}
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "points/s")
}

func benchmarkSite() ([]duty.Day, []config.DayType) {
	r := rand.New(rand.NewPCG(1, 2))
	history := days(180, shifts)
	for i := range history {
		history[i].Amount *= 0.8 + 0.3*r.Float64()
	}
	return history, ordinary(730, config.Wednesday)
}
