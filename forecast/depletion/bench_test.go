package depletion_test

import (
	"testing"

	"dwindle/forecast/depletion"
)

// BenchmarkRange is P10, P50 and P90 of one curve over two years, used up after
// some 300 days; BenchmarkRangeMixture of six; BenchmarkClosedForm the same three
// by the closed form of equal days, for the ratio.
func BenchmarkRange(b *testing.B) {
	for _, c := range []struct {
		name string
		df   float64
	}{{"normal", 0}, {"student", 57.3}} {
		b.Run(c.name, func(b *testing.B) {
			curve := steady(10, 25, 730)
			curve.DF = c.df
			b.ReportAllocs()
			for b.Loop() {
				curve.Range(depletion.Budget{Mean: 3000, Var: 400})
			}
		})
	}
}

func BenchmarkRangeMixture(b *testing.B) {
	var m depletion.Mixture
	for k := range 6 {
		m.Curves = append(m.Curves, steady(9.5+0.2*float64(k), 25, 730))
		m.Weights = append(m.Weights, 1.0/6)
	}
	b.ReportAllocs()
	for b.Loop() {
		m.Range(depletion.Budget{Mean: 3000, Var: 400})
	}
}

func BenchmarkClosedForm(b *testing.B) {
	for b.Loop() {
		for _, p := range [3]float64{0.1, 0.5, 0.9} {
			depletion.PosteriorQuantile(p, 3000, 10, 5, 60)
		}
	}
}

func BenchmarkInverseGaussian(b *testing.B) {
	g := depletion.FirstPassage(3000, 10, 5)
	b.Run("CDF", func(b *testing.B) {
		for b.Loop() {
			g.CDF(290)
		}
	})
	b.Run("Quantile", func(b *testing.B) {
		for b.Loop() {
			g.Quantile(0.1)
		}
	})
}
