package duty

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/config"
)

// The window sums must equal the definition: one plus twice the
// autocorrelations with weights falling linearly over the window.
func TestPersistenceIsTheLinearWindowSum(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	const n = 200
	history := make([]Day, n)
	x := 0.0
	for i := range history {
		x = 0.7*x + r.NormFloat64()
		history[i] = Day{Type: config.DayType(i % 7), Amount: math.Max(0, 10+x), Seen: 1}
	}
	var m Model
	for k := range m.mean {
		m.mean[k], m.noise[k] = 10, 2
	}
	res := make([]float64, n)
	var squares, sum float64
	for i, d := range history {
		res[i] = (d.Amount - 10) / math.Sqrt2
		squares += res[i] * res[i]
	}
	for lag := 1; lag < persistenceDays; lag++ {
		for i := lag; i < n; i++ {
			sum += (1 - float64(lag)/persistenceDays) * res[i] * res[i-lag]
		}
	}
	want := 1 + 2*sum/squares*n/(n+30)
	require.Greater(t, want, 2.0, "the example is persistent")
	require.InDelta(t, want, persistenceOf(history, &m), 1e-9)
}

func TestPersistenceOfIndependentDaysIsNearOne(t *testing.T) {
	mean := 0.0
	for seed := range uint64(200) {
		r := rand.New(rand.NewPCG(seed, 1))
		history := make([]Day, 200)
		for i := range history {
			history[i] = Day{Type: config.DayType(i % 7), Amount: 12 + r.NormFloat64(), Seen: 1}
		}
		mean += persistenceOf(history, fitted(history)) / 200
	}
	require.InDelta(t, 1.08, mean, 0.08, "never below one, so a little above it on average")
}

// fitted has plain means and unit noise.
func fitted(history []Day) *Model {
	var m Model
	sum := 0.0
	for _, d := range history {
		sum += d.Amount / float64(len(history))
	}
	for k := range m.mean {
		m.mean[k], m.noise[k] = sum, 1
	}
	return &m
}

func persistenceOf(history []Day, m *Model) float64 {
	var kind []config.DayType
	var amount []float64
	var seen []float32
	for _, d := range history {
		kind, amount, seen = append(kind, d.Type), append(amount, d.Amount), append(seen, float32(d.Seen))
	}
	return persistence(kind, amount, seen, m)
}
