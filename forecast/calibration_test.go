package forecast_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
	"dwindle/forecast/memory"
)

// Ranges of points that nobody measures hold the truth about as often as they
// say, where pumps differ as those of the measured points do.
func TestRangesOfUnmeasuredPoints(t *testing.T) {
	s := plant(t, "UTC")
	s.Machines, s.Points, s.Dispensers = nil, nil, nil
	past, r := memory.New(s.Location()), rand.New(rand.NewPCG(3, 9))
	first, now := date(t, "2026-01-01"), date(t, "2026-04-11")
	truth := map[string]civil.Date{}
	for k := range 160 {
		id := fmt.Sprintf("p%03d", k)
		measured := k < 40
		s.Machines = append(s.Machines, config.Machine{ID: "m" + id, Area: "tower"})
		s.Points = append(s.Points, config.Point{ID: id, Machine: "m" + id, Lubricant: "grease", Reservoir: "r125", Plan: config.Plan{DoseCM3Per100h: 5, HoursPerWeek: 98}})
		d := config.Dispenser{ID: "d" + id, Model: "m", Point: id, Settings: []config.Setting{{ValidFrom: first, Pacing: config.PacingRun, CM3Per100h: 5}}}
		if measured {
			d.Channels = []config.ChannelInfo{{Kind: "level", Evidence: config.EvidenceMeasured, StepCM3: 1.25, SDCM3: 0.6}}
		}
		s.Dispensers = append(s.Dispensers, d)
		volume := 125.0
		past.AddFact(reading.Fact{ID: "c" + id, Kind: reading.FactChange, Point: id, At: first.Start(time.UTC), VolumeCM3: &volume})
		left, factor := 125+2.5*r.NormFloat64(), 0.97+0.03*r.NormFloat64()
		for d := first; left > 0 && d < first+400; d++ {
			hours := 14 * (1 + 0.2*r.NormFloat64())
			left -= hours * 0.05 * factor
			truth[id] = d
			if d < now {
				past.AddDay("m"+id, reading.Run, d, hours)
				if measured {
					past.AddLevel("d"+id, d.End(time.UTC).Add(-time.Minute), reading.LevelCM3, left+0.7*r.NormFloat64())
				}
			}
		}
	}
	require.NoError(t, s.Reindex())
	fleet, err := forecast.Pass(context.Background(), s, past.Seal(), now.Start(time.UTC), forecast.Options{})
	require.NoError(t, err)
	held, n := 0, 0
	for _, st := range fleet.States[40:] {
		require.Empty(t, st.Row.Withheld)
		n++
		if d := truth[st.Row.Point]; d >= *st.Row.EmptyP10 && d <= *st.Row.EmptyP90 {
			held++
		}
	}
	share := float64(held) / float64(n)
	t.Logf("%d of %d in P10-P90; factor %.3f ± %.3f", held, n, *fleet.States[40].Row.DeliveryFactor, *fleet.States[40].Row.DeliveryFactorSD)
	require.InDelta(t, 0.825, share, 0.075)
	lines, err := forecast.Explain(context.Background(), s, past, now.Start(time.UTC), "p050", forecast.Options{})
	require.NoError(t, err)
	require.Contains(t, fmt.Sprint(lines), "the spread of this site's")
}
