package reservoir_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/forecast/reservoir"
)

// What a fill leaves to the next says how loud its sensor was beside its
// declaration; a line that blocks, or a wild level now and then, is no noise.
func TestASensorLouderThanDeclared(t *testing.T) {
	for _, c := range []struct {
		name          string
		noise         float64 // declared is 1
		blocked, wild bool
		least, most   float64
	}{
		{name: "as declared", noise: 1, least: 1, most: 1.15},
		{name: "as declared, blocks", noise: 1, blocked: true, least: 1, most: 1.3},
		{name: "as declared, wild levels", noise: 1, wild: true, least: 1, most: 1.5},
		{name: "twice as loud", noise: 2, least: 2, most: 3.6},
	} {
		var sum float64
		const fills = 40
		for i := range uint64(fills) {
			r := rand.New(rand.NewPCG(71, i))
			left := 125.0
			var steps []reservoir.Step
			for day := range 80 {
				if !c.blocked || day < 50 {
					left--
				}
				level := left + c.noise*r.NormFloat64()
				if c.wild && r.IntN(20) == 0 {
					level = 125 * r.Float64()
				}
				steps = append(steps, reservoir.Step{Commanded: 1, HasLevel: true, Level: math.Round(level/1.25) * 1.25, Scale: 1.25, Noise: 1})
			}
			tr := reservoir.Follow(reservoir.Params{Capacity: 125, FillSD: 2, Scatter: 0.0025, FactorSD: 0.1}, steps)
			loud := reservoir.Carry(tr, reservoir.Judge(tr, 0)).Loud
			require.GreaterOrEqual(t, loud, 1.0)
			sum += loud
		}
		require.GreaterOrEqual(t, sum/fills, c.least, c.name)
		require.LessOrEqual(t, sum/fills, c.most, c.name)
	}
}

// Where a sensor is 1.6 times as noisy as declared, sound points are blamed more
// often, but not day after day.
func TestLoudSensorsBlameSeldom(t *testing.T) {
	wrong, days := 0, 0
	for i := range 30 {
		r := rand.New(rand.NewPCG(72, uint64(i)))
		left := 300.0
		var steps []reservoir.Step
		p := reservoir.Params{Capacity: 300, FillSD: 3, Scatter: 0.0025, FactorSD: 0.1}
		was := false
		for range 200 {
			left--
			level := math.Round((left+1.6*r.NormFloat64())/1.25) * 1.25
			steps = append(steps, reservoir.Step{Commanded: 1, HasLevel: true, Level: level, Scale: 1.25, Noise: 1})
			tr := reservoir.Follow(p, steps)
			bad := tr.Low || tr.High
			if bad && !was {
				wrong++
			}
			was = bad
			days++
		}
	}
	require.Less(t, float64(wrong)/float64(days)*365, 1.0, "a point-year")
}
