package score

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/duty"
)

// campaigns are one-shift machines with a campaign of 1.6 times the use, as
// planned to within a tenth, that begins 3 to 42 days after the origin and lasts
// 30 to 60 days; half of the machines had one before.
func campaigns(seed uint64, n int) []Series {
	out := make([]Series, n)
	for k := range out {
		r := rand.New(rand.NewPCG(seed, uint64(k)))
		ln := func(mean, cv float64) float64 {
			s := math.Sqrt(math.Log(1 + cv*cv))
			return mean * math.Exp(s*r.NormFloat64()-s*s/2)
		}
		base, cv, really := 5+6*r.Float64(), 0.1+0.25*r.Float64(), ln(1.6, 0.1)
		s := Series{Name: "belt", First: civil.New(2026, 1, 5), Origin: 120 + r.IntN(280), MaxPerDay: 24}
		start := s.Origin + 3 + r.IntN(40)
		end := start + 30 + r.IntN(31)
		before := -1000
		if k%2 == 1 {
			before = r.IntN(s.Origin - 60)
		}
		for d := range s.Origin + 400 {
			day := duty.Day{Type: config.DayType(d % 7), Seen: 1}
			if day.Type < config.Saturday {
				day.Amount = ln(base, cv)
			} else if day.Type == config.Saturday && r.Float64() < 0.15 {
				day.Amount = ln(base/2, cv)
			}
			if d >= start && d < end || d >= before && d < before+45 {
				day.Scale = 1.6
				day.Amount *= really
			}
			day.Amount = math.Min(24, day.Amount)
			s.Days = append(s.Days, day)
		}
		out[k] = s
	}
	return out
}

// A campaign that the calendar knows costs little of the forecast; one that it
// does not know costs much, as planned shutdowns do.
func TestKnownCampaigns(t *testing.T) {
	known := campaigns(3000, 150)
	unknown := make([]Series, len(known))
	for i, s := range known {
		unknown[i] = s
		unknown[i].Days = append([]duty.Day(nil), s.Days...)
		for d := range unknown[i].Days {
			unknown[i].Days[d].Scale = 0
		}
	}
	// The law itself, without a calibration learned from others.
	off := func(list []Series) (miss, bias, late float64) {
		n := 0.0
		for i := range list {
			s := &list[i]
			for _, tau := range []float64{30, 45, 90} {
				b := tau * s.Trailing(s.Origin)
				truth, ok := s.Passage(s.Origin, b)
				if !ok {
					continue
				}
				p := knownAt(s, s.Origin, i, 400)
				m := duty.Rules{MaxPerDay: 24}.Fit(p.Days, nil)
				law := lasting(m.Forecast(p.Ahead, 1, p.Scales...))(b)
				p10, p50 := law.Quantile(0.1), law.Quantile(0.5)
				miss += math.Abs(p50-truth) / truth
				bias += (p50 - truth) / truth
				if truth < p10 {
					late++
				}
				n++
			}
		}
		return miss / n, bias / n, late / n
	}
	with, bias, early := off(known)
	without, _, earlyWithout := off(unknown)
	t.Logf("error of P50 over the time: %.1f %% with, %.1f %% without the calendar; before P10 %.0f %% with, %.0f %% without", 100*with, 100*without, 100*early, 100*earlyWithout)
	require.Less(t, with, without/2.5)
	require.InDelta(t, 0, bias, 0.02)
	require.Less(t, early, 0.2)
}
