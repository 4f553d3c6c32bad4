package forecast_test

import (
	"context"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/forecast"
	"dwindle/forecast/calibration"
	"dwindle/forecast/depletion"
	"dwindle/forecast/memory"
)

// A calibration with wider levels gives a wider range about the same likely
// date, and everything that is said of the range is its: the dates, the chance
// of any date, the basis and the explanation.
func TestForecastsUseTheCalibrationAndSaySo(t *testing.T) {
	s := plant(t, "UTC")
	past := memory.New(s.Location())
	run(past, "elev1", date(t, "2025-10-01"), date(t, "2026-03-31"), 20)
	past.AddFact(change(at(t, "2026-03-01T00:00:00Z"), 60))
	past.Seal()
	now := at(t, "2026-03-16T00:00:00Z")
	states := map[string]forecast.State{}
	for name, levels := range map[string]depletion.Levels{
		"narrow-1": {Low: 0.3, Mid: 0.5, High: 0.7}, "wide-1": {Low: 0.01, Mid: 0.5, High: 0.99},
	} {
		table := calibration.Table{Version: name}
		for kind := range table.Levels {
			for h := range table.Levels[kind] {
				table.Levels[kind][h].Levels = levels
			}
		}
		opt := forecast.Options{Calibration: &table}
		fleet, err := forecast.Pass(context.Background(), s, past, now, opt)
		require.NoError(t, err)
		st := fleet.States[0]
		require.Equal(t, name, st.Row.Calibration)
		require.Equal(t, "mixture "+name, st.Row.Basis)
		states[name] = st
		// The chance of a date belongs to the same law as the dates.
		require.GreaterOrEqual(t, st.ChanceBefore(*st.Row.EmptyP10), 0.1-1e-3)
		require.Less(t, st.ChanceBefore(*st.Row.EmptyP10-1), 0.1+1e-3)
		require.GreaterOrEqual(t, st.ChanceBefore(*st.Row.EmptyP90), 0.9-1e-3)
		require.Less(t, st.ChanceBefore(*st.Row.EmptyP90-1), 0.9+1e-3)
		lines, err := forecast.Explain(context.Background(), s, past, now, st.Row.Point, opt)
		require.NoError(t, err)
		text := strings.Join(lines, "\n")
		require.Contains(t, text, "Calibration "+name)
		require.Contains(t, text, "Tried on its own past: of ")
	}
	narrow, wide := states["narrow-1"].Row, states["wide-1"].Row
	require.Equal(t, *narrow.EmptyP50, *wide.EmptyP50)
	require.Less(t, *wide.EmptyP10, *narrow.EmptyP10)
	require.Greater(t, *wide.EmptyP90, *narrow.EmptyP90)
}
