package config_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/config"
)

func TestNearestSettings(t *testing.T) {
	list := &config.DispenserModel{RunStepsCM3Per100h: []float64{8, 0.5, 2, 1, 4}} // any order
	span := &config.DispenserModel{RunRangeCM3Per100h: &config.Range{From: 0.2, To: 20, Step: 0.1}}
	uneven := &config.DispenserModel{PulseRangeCM3: &config.Range{From: 0.1, To: 1, Step: 0.4}} // 0.1, 0.5, 0.9
	for _, c := range []struct {
		model               *config.DispenserModel
		pacing              config.Pacing
		wanted, below, over float64
		has                 bool
	}{
		{list, config.PacingRun, 3, 2, 4, false},
		{list, config.PacingRun, 2, 2, 2, true},
		{list, config.PacingRun, 0.1, 0.5, 0.5, false},
		{list, config.PacingRun, 9, 8, 8, false},
		{span, config.PacingRun, 4.25, 4.2, 4.3, false},
		{span, config.PacingRun, 0.3, 0.3, 0.3, true}, // 0.2+0.1 is not 0.3 in binary
		{span, config.PacingRun, 19.9, 19.9, 19.9, true},
		{span, config.PacingRun, 20, 20, 20, true},
		{span, config.PacingRun, 20.05, 20, 20, false},
		{span, config.PacingRun, 0.1, 0.2, 0.2, false},
		{uneven, config.PacingPulse, 0.95, 0.9, 0.9, false}, // 1 is not a step from 0.1
		{uneven, config.PacingPulse, 0.6, 0.5, 0.9, false},
	} {
		below, over, ok := c.model.Nearest(c.pacing, c.wanted)
		require.True(t, ok)
		require.Equal(t, c.below, below, "below %g", c.wanted)
		require.Equal(t, c.over, over, "over %g", c.wanted)
		require.Equal(t, c.has, c.model.Has(c.pacing, c.wanted), "%g", c.wanted)
	}
	_, _, ok := list.Nearest(config.PacingPulse, 1)
	require.False(t, ok)
	slowest, ok := list.Slowest(config.PacingRun)
	require.True(t, ok)
	require.Equal(t, 0.5, slowest)
}

func TestEverySettingOfARangeIsOne(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		step := float64(rapid.IntRange(1, 500).Draw(t, "step")) / 100
		from := float64(rapid.IntRange(1, 1000).Draw(t, "from")) / 100
		n := rapid.IntRange(0, 1000).Draw(t, "steps")
		k := rapid.IntRange(0, n).Draw(t, "which")
		at := func(k float64) float64 { return math.Round((from+k*step)*100) / 100 }
		m := &config.DispenserModel{RunRangeCM3Per100h: &config.Range{From: from, To: at(float64(n)), Step: step}}
		require.True(t, m.Has(config.PacingRun, at(float64(k))))
		between := at(float64(k)) + 0.4*step
		require.False(t, m.Has(config.PacingRun, between))
		if k < n {
			below, over, ok := m.Nearest(config.PacingRun, between)
			require.True(t, ok)
			require.InDelta(t, at(float64(k)), below, 1e-9)
			require.InDelta(t, at(float64(k+1)), over, 1e-9)
		}
	})
}

func TestDesignations(t *testing.T) {
	// The form of DIN 51502 and of ISO 6743-9, from memory; no grease is meant.
	for _, good := range []string{"KP2K-20", "K3K-20", "KPF2K-20", "KPHC1-2N-40", "KFK2U-20", "GP00K-30", "ISO-L-XBCEA 2", "L-XCCFB2"} {
		require.True(t, config.KnownDesignation(good), good)
	}
	for _, bad := range []string{"", "KP7K-20", "KP2Z-20", "KP2K20C", "kp2k-20", "L-XZZZZ 2", "grease"} {
		require.False(t, config.KnownDesignation(bad), bad)
	}
}
