package score

import (
	"math/rand/v2"
	"testing"
)

// BenchmarkForecasters is what each method costs a series: fitted once on 30 to
// 400 days of history, then asked for the range of three budgets, of about 10,
// 45 and 120 days, on the simulator's scenarios in turn. times-dwindle is the
// time over that of our own model in the same run.
func BenchmarkForecasters(b *testing.B) {
	var pasts []Past
	var budgets []float64
	for number := range 8 {
		for _, s := range Scenarios() {
			x := s.Simulate(900, number)
			if use := x.Trailing(x.Origin); use > 0 {
				pasts = append(pasts, knownAt(&x, x.Origin, number, MostDays))
				budgets = append(budgets, use)
			}
		}
	}
	own := 0.0
	for _, f := range Forecasters() {
		if f.Name() == "plan" {
			continue // it learns nothing from a series
		}
		b.Run(f.Name(), func(b *testing.B) {
			b.ReportAllocs()
			i := 0
			for b.Loop() {
				p := pasts[i%len(pasts)]
				p.Random = rand.New(rand.NewPCG(1, 1))
				forecast := f.Fit(p)
				for _, days := range []float64{10, 45, 120} {
					forecast(days * budgets[i%len(pasts)]).Range()
				}
				i++
			}
			each := float64(b.Elapsed().Nanoseconds()) / float64(b.N)
			if f.Name() == ours {
				own = each
			}
			if own > 0 {
				b.ReportMetric(each/own, "times-dwindle")
			}
		})
	}
}
