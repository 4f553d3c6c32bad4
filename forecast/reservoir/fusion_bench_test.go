package reservoir_test

import (
	"testing"

	"dwindle/forecast/reservoir"
)

// BenchmarkFusionUpdate measures one predicted stretch and one level taken in.
func BenchmarkFusionUpdate(b *testing.B) {
	e := reservoir.Begin(125, 2.5, 1, 0.1)
	b.ReportAllocs()
	for b.Loop() {
		e.Predict(0.5, 0.00125, 1e-5)
		e.Update(e.Remaining+0.1, 0.5)
	}
}

// BenchmarkFusionCheckpoint measures one step with its gates: what a re-run from
// a checkpoint costs a step.
func BenchmarkFusionCheckpoint(b *testing.B) {
	c := reservoir.Start(gaugeFill)
	s := reservoir.Step{Commanded: 0.5, HasLevel: true, Scale: 1.25, Noise: 0.6}
	b.ReportAllocs()
	for b.Loop() {
		s.Level = c.Remaining - 0.5
		c.Add(gaugeFill, s)
	}
}
