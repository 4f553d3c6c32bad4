package depletion_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/forecast/depletion"
)

// Uptime per day of an alternating renewal process with exponential times
// (2 U^2 L^2/(U+L)^3): runs of 50 and stops of 5 days give a variance of
// 0.7513, 30 and 10 give 2.8125.
func TestRenewalVariance(t *testing.T) {
	require.InDelta(t, 0.7513, depletion.RenewalVariance(1.0/50, 5), 5e-5)
	require.InDelta(t, 2.8125, depletion.RenewalVariance(1.0/30, 10), 1e-12)
}

func evenMixture(perDay, sd float64, days int, stops depletion.Stops) depletion.Mixture {
	m := evenLaw(perDay, sd, days)
	m.Stops = stops
	return m
}

// playedStop draws what the law of a stop's length says: Least days and a
// geometric number more.
func playedStop(r *rand.Rand, least int, extra float64) float64 {
	return float64(least) + math.Floor(math.Log(1-r.Float64())/math.Log(1-1/(1+extra)))
}

// The law with stops against 40,000 machines that really stop. Rate and lengths
// are known as good as exactly, as from a million stops.
func TestLawWithStopsAgainstSimulation(t *testing.T) {
	const perDay, runs, exact = 10.0, 40_000, 1e6
	for _, one := range []struct {
		budget, rate float64
		least        int
		extra        float64
	}{{100, 1.0 / 50, 2, 5}, {450, 1.0 / 50, 2, 5}, {450, 1.0 / 20, 2, 10}, {1200, 1.0 / 100, 3, 4}} {
		stops := depletion.Stops{Begun: exact, Exposure: exact / one.rate, Ended: exact, Extra: exact * one.extra, Least: one.least, Horizon: 500}
		law := evenMixture(perDay, 0, 500, stops)
		b := depletion.Budget{Mean: one.budget}
		r := rand.New(rand.NewPCG(uint64(one.budget), 7))
		running := one.budget / perDay
		times := make([]float64, runs)
		for i := range times {
			lost := 0.0
			for at := r.ExpFloat64() / one.rate; at < running; at += r.ExpFloat64() / one.rate {
				lost += playedStop(r, one.least, one.extra)
			}
			times[i] = running + lost
		}
		slices.Sort(times)
		lo, mid, hi := law.Range(b)
		for _, q := range []struct{ p, got float64 }{{0.1, lo}, {0.5, mid}, {0.9, hi}} {
			require.InDelta(t, times[int(q.p*runs)], q.got, 1.01, "P%g of %+v", 100*q.p, one)
		}
		for _, at := range []float64{running, running + 5.5, running + 20, running + 60} {
			n, _ := slices.BinarySearch(times, at+1e-9)
			require.InDelta(t, float64(n)/runs, law.Chance(at, b), 4*math.Sqrt(0.25/runs), "by day %g of %+v", at, one)
		}
	}
}

func TestAStopGoingOnPutsTheEndOff(t *testing.T) {
	b := depletion.Budget{Mean: 100}
	stops := depletion.Stops{Begun: 3.25, Exposure: 300, Ended: 5, Extra: 20, Least: 2, Horizon: 300}
	running := evenMixture(10, 2, 300, stops)
	stops.Now = true
	stopped := evenMixture(10, 2, 300, stops)
	_, before, _ := running.Range(b)
	_, after, _ := stopped.Range(b)
	require.Greater(t, after, before+1)
	require.Less(t, after, before+stops.Length()+2)
}

func TestWithoutStopsTheLawIsThatOfTheCurves(t *testing.T) {
	b := depletion.Budget{Mean: 100}
	plain := evenLaw(10, 2, 300)
	rare := evenMixture(10, 2, 300, depletion.Stops{Begun: 1e-9, Exposure: 1e9, Ended: 2, Extra: 6, Least: 2, Horizon: 300})
	p1, p2, p3 := plain.Range(b)
	r1, r2, r3 := rare.Range(b)
	require.InDeltaSlice(t, []float64{p1, p2, p3}, []float64{r1, r2, r3}, 1e-6)
	require.Equal(t, 100.0, plain.MeanAt(10))
}

func TestLawsWithStopsAreLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		stops := depletion.Stops{
			Begun:    rapid.Float64Range(0.1, 30).Draw(t, "begun"),
			Exposure: rapid.Float64Range(50, 1000).Draw(t, "exposure"),
			Ended:    rapid.Float64Range(2, 30).Draw(t, "ended"),
			Extra:    rapid.Float64Range(0, 300).Draw(t, "extra"),
			Least:    rapid.IntRange(0, 4).Draw(t, "least"),
			Now:      rapid.Bool().Draw(t, "now"),
			Horizon:  730,
		}
		law := evenMixture(rapid.Float64Range(1, 20).Draw(t, "a day"), rapid.Float64Range(0, 10).Draw(t, "sd"), 730, stops)
		b := depletion.Budget{Mean: rapid.Float64Range(1, 2000).Draw(t, "budget"), Var: rapid.Float64Range(0, 400).Draw(t, "variance")}
		last := 0.0
		for day := 0.0; day < 730; day += 9.7 {
			p := law.Chance(day, b)
			require.GreaterOrEqual(t, p, last-1e-9)
			require.LessOrEqual(t, p, 1.0)
			last = p
		}
		times := law.Times([]float64{0.1, 0.5, 0.9}, b, nil)
		require.IsNonDecreasing(t, times)
		if t50 := times[1]; !math.IsInf(t50, 1) && t50 > 0 {
			require.GreaterOrEqual(t, law.Chance(t50, b), 0.5-1e-6)
			require.LessOrEqual(t, law.Chance(math.Max(0, t50-0.01), b), 0.5+0.2)
		}
		for _, short := range []int{0, 3} {
			empty := law.Times([]float64{0.5}, depletion.Budget{Mean: float64(-short)}, nil)
			require.Equal(t, []float64{0}, empty)
		}
	})
}
