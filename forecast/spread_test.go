package forecast

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// The spread of true factors comes back from noisy estimates, outliers or not,
// and a few points move the assumption only a little.
func TestLearnSpread(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	var list []sample
	for i := range 200 {
		v := 0.97 + 0.03*r.NormFloat64() + 0.04*r.NormFloat64()
		if i%50 == 0 {
			v = 1.14
		}
		list = append(list, sample{v, 0.04 * 0.04})
	}
	got := learnSpread(list)
	require.InDelta(t, 0.97, got.mean, 0.015)
	require.InDelta(t, 0.03, got.sd, 0.012, "without the estimates' own 4 %")
	require.Equal(t, 200, got.points)
	few := learnSpread(list[1:3])
	require.Equal(t, pumps{mean: 1, sd: priorFactorSD, measured: 2}, few)
	require.Contains(t, few.say(), "as commanded, ± 5 %: assumed, since only 2")
	require.Contains(t, learnSpread(nil).say(), "no measured point of this site says it")
	same := learnSpread([]sample{{1, 1e-4}, {1, 1e-4}, {1, 1e-4}})
	require.InDelta(t, priorFactorSD*math.Sqrt(10.0/13), same.sd, 1e-6)
}
