package score

import (
	"math/rand/v2"
	"testing"

	"dwindle/forecast/virtual"
)

// BenchmarkForecasters is one series of 180 days, fitted once, with one budget
// of about 45 days: what each method costs beside the others.
func BenchmarkForecasters(b *testing.B) {
	s := OneShift.Simulate(1, 1)
	x := make([]float64, 180)
	for i := range x {
		x[i] = s.Days[i].Amount
	}
	p := pastOf(x)
	budget := 45 * virtual.MeanSeen(p.Days)
	for _, f := range Forecasters() {
		if f.Name() == "plan" {
			continue
		}
		b.Run(f.Name(), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				p.Random = rand.New(rand.NewPCG(1, 1))
				f.Fit(p)(budget).Range()
			}
		})
	}
}
