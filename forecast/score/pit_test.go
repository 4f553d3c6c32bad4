package score

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestPITHistogram(t *testing.T) {
	// One series of 100 cases; R 4.2.2, chisq.test: 7.6, p .5749034239.
	h := PITHistogram([][pitBins]float64{{14, 8, 10, 10, 5, 9, 11, 10, 15, 8}})
	require.InDelta(t, .14, h.Shares[0], 1e-12)
	require.InDelta(t, 7.6, h.ChiSquare, 1e-12)
	require.Equal(t, 1.0, h.Design)
	require.InDelta(t, .5749034239, h.P, 1e-9)
	require.Equal(t, Histogram{P: 1, Design: 1}, PITHistogram(nil))
	for pit, bin := range map[float64]int{0: 0, .0999: 0, .1: 1, .95: 9, 1: 9} {
		require.Equal(t, bin, pitBin(pit))
	}
}

// Series that repeat one case m times are worth one case: the design effect
// is m, and even bins are seldom called uneven.
func TestPITHistogramKnowsThatSeriesRepeatThemselves(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 15))
	const m, series, rounds = 6, 200, 400
	rejected, naive := 0.0, 0.0
	design := 0.0
	for range rounds {
		rows := make([][pitBins]float64, series)
		for i := range rows {
			rows[i][r.IntN(pitBins)] = m
		}
		h := PITHistogram(rows)
		design += h.Design / rounds
		if h.P < .05 {
			rejected++
		}
		if h.ChiSquare > 16.919 { // R qchisq(.95, 9)
			naive++
		}
	}
	require.InDelta(t, m, design, .1)
	require.InDelta(t, .05, rejected/rounds, .03)
	require.Greater(t, naive/rounds, .9)
}
