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

// gaugedArea is an area of eight machines with a point and a level each, from
// January to July, 1 cm3 commanded a day; factor is delivered / commanded of a
// point, beside what its pump is off.
func gaugedArea(t *testing.T, seed uint64, step, noise float64, evidence config.Evidence, factor func(point int, d civil.Date) float64) (*config.Site, *memory.Past) {
	t.Helper()
	s := plant(t, "UTC")
	s.Reservoirs[0].NominalCM3, s.Reservoirs[0].UsableCM3 = 250, 250
	point, disp := s.Points[0], s.Dispensers[0]
	point.Plan.DoseCM3Per100h = 5
	disp.Settings = []config.Setting{{ValidFrom: date(t, "2025-01-01"), Pacing: config.PacingRun, CM3Per100h: 5}}
	disp.Channels = []config.ChannelInfo{{Kind: "level", Evidence: evidence, StepCM3: step, SDCM3: noise}}
	s.Points, s.Dispensers, s.Machines = nil, nil, nil
	past := memory.New(s.Location())
	for k := range 8 {
		p, d := point, disp
		m := config.Machine{ID: fmt.Sprintf("tower-%d", k), Area: "tower"}
		p.ID, p.Machine = m.ID+"-head", m.ID
		d.ID, d.Point = fmt.Sprintf("d%d", k), p.ID
		s.Machines, s.Points, s.Dispensers = append(s.Machines, m), append(s.Points, p), append(s.Dispensers, d)
		run(past, m.ID, date(t, "2026-01-01"), date(t, "2026-07-31"), 20)
		volume := 250.0
		past.AddFact(reading.Fact{ID: p.ID, Kind: reading.FactChange, Point: p.ID, At: at(t, "2026-01-01T00:00:00Z"), VolumeCM3: &volume, By: "technician 1"})
		r := rand.New(rand.NewPCG(seed, uint64(k)))
		left, pump := 250.0, 1+0.03*r.NormFloat64()
		for day := date(t, "2026-01-01"); day <= date(t, "2026-07-31"); day++ {
			left -= pump * factor(k, day)
			past.AddLevel(d.ID, day.End(s.Location()).Add(-1), reading.LevelCM3, math.Round((left+noise*r.NormFloat64())/step)*step)
		}
	}
	require.NoError(t, s.Reindex())
	return s, past.Seal()
}

func drifted(st *forecast.State) string {
	for _, n := range st.Row.Notices {
		if strings.HasPrefix(n, "delivery has drifted") {
			return n
		}
	}
	return ""
}

// Wear that creeps is told, as a notice or as the verdict; of the sound points
// beside it nothing is. The verdict is mostly sooner where wear goes past the limit,
// the notice at times where it is slow or ends before.
func TestCreepingWearIsTold(t *testing.T) {
	begin := date(t, "2026-03-01")
	sooner := 0
	for _, end := range []float64{0.8, 0.88} {
		wear := func(point int, d civil.Date) float64 {
			if point != 3 {
				return 1
			}
			return 1 - (1-end)*math.Min(1, math.Max(0, float64(d-begin)/100))
		}
		for seed := uint64(3000); seed < 3006; seed++ {
			s, past := gaugedArea(t, seed, 1.25, 0.6, config.EvidenceMeasured, wear)
			var notice, verdict civil.Date
			for d := begin - 20; d <= begin+120; d += 2 {
				fleet, err := forecast.Pass(context.Background(), s, past, d.End(s.Location()), forecast.Options{})
				require.NoError(t, err)
				for i := range fleet.States {
					st := &fleet.States[i]
					said := drifted(st)
					switch {
					case i != 3:
						require.Empty(t, said, "seed %d, point %d, %s", seed, i, d)
					case st.Delivery.Verdict == forecast.Under:
						require.Empty(t, said, "the verdict says more")
						if verdict == 0 {
							verdict = d
						}
					case said != "" && notice == 0:
						notice = d
						require.Contains(t, said, "delivery has drifted low since about")
						require.Contains(t, said, "look at it on the next round")
					}
				}
			}
			require.True(t, notice > begin || verdict > begin, "to %g, seed %d", end, seed)
			if notice > 0 && (verdict == 0 || notice < verdict) {
				sooner++
			}
			t.Logf("to %g, seed %d: notice on %v, verdict on %v", end, seed, notice, verdict)
		}
	}
	require.Positive(t, sooner)
}

// Cold that the whole area has is the area's: no point gets a notice. Nor does
// one that wears on a coarse scale or by counts alone, where nothing can be charted.
func TestNoDriftIsToldOfWhatIsSharedOrNotSeen(t *testing.T) {
	cold := date(t, "2026-03-01")
	chill := func(_ int, d civil.Date) float64 {
		return 1 - 0.12*math.Min(1, math.Max(0, float64(d-cold)/20))
	}
	wear := func(point int, d civil.Date) float64 {
		if point != 3 {
			return 1
		}
		return 1 - 0.2*math.Min(1, math.Max(0, float64(d-cold)/100))
	}
	for _, c := range []struct {
		name     string
		step     float64
		evidence config.Evidence
		factor   func(int, civil.Date) float64
	}{
		{"cold", 1.25, config.EvidenceMeasured, chill},
		{"coarse", 2.5, config.EvidenceMeasured, wear},
		{"counted", 1.25, config.EvidenceCounted, wear},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, past := gaugedArea(t, 3010, c.step, 0.6, c.evidence, c.factor)
			off := 0
			for d := cold; d <= cold+110; d += 3 {
				fleet, err := forecast.Pass(context.Background(), s, past, d.End(s.Location()), forecast.Options{})
				require.NoError(t, err)
				for i := range fleet.States {
					st := &fleet.States[i]
					require.Empty(t, drifted(st), "%s %s", st.Row.Point, d)
					if r := st.Delivery.Ratio; r != nil && *r < 0.92 {
						off++
					}
				}
			}
			if c.evidence == config.EvidenceMeasured {
				require.Positive(t, off, "the case has to occur for the test to mean anything")
			}
		})
	}
}
