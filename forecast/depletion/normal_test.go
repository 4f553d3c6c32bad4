package depletion

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestNormalTableIsTheNormalDistribution(t *testing.T) {
	last := 0.0
	for i := -100_000; i <= 100_000; i++ {
		x := float64(i) * 1e-4
		got := normalCDF(x)
		require.InDelta(t, 0.5*math.Erfc(-x/math.Sqrt2), got, 1e-10, "at %g", x)
		require.GreaterOrEqual(t, got, last, "it falls at %g", x)
		last = got
	}
	require.Zero(t, normalCDF(math.Inf(-1)))
	require.Equal(t, 1.0, normalCDF(math.Inf(1)))
	require.True(t, math.IsNaN(normalCDF(math.NaN())))
}
