package reservoir_test

import (
	"testing"

	"dwindle/forecast/reservoir"
)

// BenchmarkFusionUpdate is one reading taken in: predict over what was
// commanded, then update with the level. BenchmarkFusionWithin is the same for a
// coarse scale. BenchmarkFusionScalar, the filter of the remaining volume alone,
// is the ratio's base.
func BenchmarkFusionUpdate(b *testing.B) {
	e := reservoir.Begin(125, 2, 1, 0.1)
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		if i%50 == 0 {
			e = reservoir.Begin(125, 2, 1, 0.1)
		}
		e.Predict(2, 0.04, 1e-5)
		e.Update(125-2*float64(i%50+1), 1.13)
	}
}

func BenchmarkFusionWithin(b *testing.B) {
	e := reservoir.Begin(125, 2, 1, 0.1)
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		if i%50 == 0 {
			e = reservoir.Begin(125, 2, 1, 0.1)
		}
		e.Predict(2, 0.04, 1e-5)
		level := 125 - 2*float64(i%50+1)
		if !e.UpdateWithin(level-5, level+7.5, 0.3) {
			b.Fatal("a level that fits was refused")
		}
	}
}

func BenchmarkFusionScalar(b *testing.B) {
	left, variance := 125.0, 4.0
	for i := 0; b.Loop(); i++ {
		if i%50 == 0 {
			left, variance = 125, 4
		}
		left -= 2
		variance += 0.04
		k := variance / (variance + 1.13)
		left += k * (125 - 2*float64(i%50+1) - left)
		variance *= 1 - k
	}
	_ = left
}

// BenchmarkFusionCheckpoint is one step with its gates: what a re-run from a
// checkpoint costs a step.
func BenchmarkFusionCheckpoint(b *testing.B) {
	c := reservoir.Start(gaugeFill)
	s := reservoir.Step{Commanded: 0.5, HasLevel: true, Scale: 1.25, Noise: 0.6}
	b.ReportAllocs()
	for b.Loop() {
		s.Level = c.Remaining - 0.5
		c.Add(gaugeFill, s)
	}
}

// BenchmarkFollow is a whole fill: 100 days with a level each.
func BenchmarkFollow(b *testing.B) {
	var steps []reservoir.Step
	for i := range 100 {
		steps = append(steps, reservoir.Step{Commanded: 1, HasLevel: true, Level: 120 - float64(i+1), Scale: 1.25, Noise: 0.6})
	}
	p := reservoir.Params{Capacity: 120, FillSD: 2, Scatter: 0.0025, FactorSD: 0.1}
	b.ReportAllocs()
	for b.Loop() {
		reservoir.Follow(p, steps)
	}
}
