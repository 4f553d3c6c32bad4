package forecast_test

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
	"dwindle/forecast/memory"
)

// Grease that stiffens everywhere in an area is told as one thing: its points
// deliver less together; those of another area do not.
func TestPointsOfAnAreaDeliverLessTogether(t *testing.T) {
	s := plant(t, "UTC")
	s.Areas = append(s.Areas, config.Area{ID: "quay"})
	point, disp := s.Points[0], s.Dispensers[0]
	disp.Channels = []config.ChannelInfo{{Kind: "level", Evidence: config.EvidenceMeasured, StepCM3: 1.25, SDCM3: 0.6}}
	s.Points, s.Dispensers, s.Machines = nil, nil, nil
	for i, area := range []string{"tower", "quay"} {
		for k := range 7 {
			p, d := point, disp
			m := config.Machine{ID: fmt.Sprintf("%s-%d", area, k), Area: area}
			p.ID, p.Machine = m.ID+"-head", m.ID
			d.ID, d.Point = fmt.Sprintf("d%d-%d", i, k), p.ID
			s.Machines, s.Points, s.Dispensers = append(s.Machines, m), append(s.Points, p), append(s.Dispensers, d)
		}
	}
	require.NoError(t, s.Reindex())
	cold := date(t, "2026-03-01")
	past := memory.New(s.Location())
	for _, m := range s.Machines {
		run(past, m.ID, date(t, "2026-01-01"), date(t, "2026-04-30"), 20)
	}
	for i, p := range s.Points {
		volume := 125.0
		past.AddFact(reading.Fact{ID: p.ID, Kind: reading.FactChange, Point: p.ID, At: at(t, "2026-01-01T00:00:00Z"), VolumeCM3: &volume, By: "technician 1"})
		r := rand.New(rand.NewPCG(9, uint64(i)))
		left, pump := 125.0, 1+0.03*r.NormFloat64()
		for d := date(t, "2026-01-01"); d <= date(t, "2026-04-30"); d++ {
			f := pump
			if d >= cold && strings.HasPrefix(p.Machine, "tower") {
				f *= 0.75
			}
			left -= 0.5 * f
			past.AddLevel(s.Dispensers[i].ID, d.End(s.Location()).Add(-1), reading.LevelCM3, math.Round((left+0.6*r.NormFloat64())/1.25)*1.25)
		}
	}
	past.Seal()
	look := func(d civil.Date) forecast.Fleet {
		fleet, err := forecast.Pass(context.Background(), s, past, d.End(s.Location()), forecast.Options{})
		require.NoError(t, err)
		return fleet
	}
	require.Empty(t, look(cold-1).Shared)
	found := civil.Date(0)
	for d := cold; d < cold+40 && found == 0; d++ {
		if fleet := look(d); len(fleet.Shared) > 0 {
			found = d
			require.Len(t, fleet.Shared, 1)
			got := fleet.Shared[0]
			require.Equal(t, "tower", got.Area)
			require.True(t, got.Less)
			require.Equal(t, 7, got.Machines)
			require.InDelta(t, float64(cold), float64(got.Since), 10)
		}
	}
	require.NotZero(t, found)
	require.LessOrEqual(t, found-cold, civil.Date(15), "together sooner than one by one")
	fleet := look(cold + 40)
	blamed := 0
	for _, st := range fleet.States {
		if st.Delivery.Verdict == forecast.Under {
			blamed++
			require.Contains(t, st.Row.Machine, "tower")
			require.Contains(t, st.Delivery.Why, "look for a common cause")
		}
	}
	require.Positive(t, blamed)
}
