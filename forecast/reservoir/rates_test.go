package reservoir_test

import (
	"flag"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/forecast/reservoir"
)

var wide = flag.Bool("wide", false, "simulate a larger fleet")

// plantRun simulates one point for some days with a level once a day: refilled
// at a tenth left, delivery factor by day. It calls look with what is known at
// the end of each day.
type plantRun struct {
	capacity, daily, step, noise, dose float64
	factor                             func(day int) float64
	start                              float64 // share of the capacity at the start
}

func (s plantRun) run(r *rand.Rand, days int, look func(day int, j reservoir.Judgement, t reservoir.Track, left float64)) {
	p := reservoir.Params{Capacity: s.capacity, FillSD: 0.015 * s.capacity, Scatter: s.dose * 0.01, FactorSD: 0.1}
	p.Capacity = s.capacity * s.start
	true0 := p.Capacity
	left := true0 * (1 + 0.015*r.NormFloat64())
	var steps []reservoir.Step
	owed := 0.0
	for day := range days {
		told := 0.0
		if day%7 < 6 {
			told = s.daily * (1 + 0.2*r.NormFloat64()) * 7 / 6
		}
		told = math.Max(0, told)
		owed += told
		n := math.Floor(owed / s.dose)
		owed -= n * s.dose
		if n > 0 {
			left -= n * s.dose * s.factor(day) * (1 + 0.1*r.NormFloat64()/math.Sqrt(n))
		}
		left = math.Max(0, left)
		level := math.Round((left+s.noise*r.NormFloat64())/s.step) * s.step
		steps = append(steps, reservoir.Step{Commanded: told, HasLevel: true, Level: math.Max(0, level), Scale: s.step, Noise: s.noise})
		t := reservoir.Follow(p, steps)
		from := 0
		for from < len(t.Readings)-1 && t.Steps[from] < len(steps)-28 {
			from++
		}
		look(day, reservoir.Judge(t, from), t, left)
		if left < 0.1*s.capacity || t.Estimate.Remaining < 0.05*s.capacity {
			steps, owed = nil, 0
			p.Capacity = s.capacity
			p.FillSD = 0.015 * s.capacity
			left = s.capacity * (1 + 0.015*r.NormFloat64())
		}
	}
}

// falseRate counts healthy points with any wrong verdict in so many days.
func falseRate(points, days int, stepPercent, noisePercent float64, seed uint64) (points1, verdictDays int) {
	for i := range points {
		r := rand.New(rand.NewPCG(seed, uint64(i)))
		capacity := []float64{57, 120, 240}[i%3]
		life := 60 + 90*r.Float64()
		f := 1 + 0.03*r.NormFloat64()
		s := plantRun{capacity: capacity, daily: capacity / life, step: stepPercent / 100 * capacity, noise: noisePercent / 100 * capacity,
			dose: 0.25, factor: func(int) float64 { return f }, start: 0.35 + 0.65*r.Float64()}
		bad := 0
		s.run(r, days, func(_ int, j reservoir.Judgement, _ reservoir.Track, _ float64) {
			if j.Under || j.Over || j.NotDispensing {
				bad++
			}
		})
		if bad > 0 {
			points1++
			verdictDays += bad
		}
	}
	return points1, verdictDays
}

type fault struct {
	name   string
	factor float64
	want   func(reservoir.Judgement) bool
}

var faults = []fault{
	{"blocked, any", 0, func(j reservoir.Judgement) bool { return j.Under || j.NotDispensing }},
	{"blocked, not dispensing", 0, func(j reservoir.Judgement) bool { return j.NotDispensing }},
	{"half", 0.5, func(j reservoir.Judgement) bool { return j.Under || j.NotDispensing }},
	{"0.7", 0.7, func(j reservoir.Judgement) bool { return j.Under }},
	{"1.3", 1.3, func(j reservoir.Judgement) bool { return j.Over }},
	{"double", 2, func(j reservoir.Judgement) bool { return j.Over }},
}

// delays gives the days from a fault's onset to its verdict, sorted; points that
// never get it count with the days there were.
func delays(f fault, points int, stepPercent, noisePercent float64, seed uint64) []int {
	var out []int
	for i := range points {
		r := rand.New(rand.NewPCG(seed, uint64(i)))
		capacity := []float64{57, 120, 240}[i%3]
		life := 60 + 90*r.Float64()
		onset := 40 + r.IntN(40)
		healthy := 1 + 0.03*r.NormFloat64()
		s := plantRun{capacity: capacity, daily: capacity / life, step: stepPercent / 100 * capacity, noise: noisePercent / 100 * capacity, dose: 0.25,
			factor: func(day int) float64 {
				if day >= onset {
					return healthy * f.factor
				}
				return healthy
			}, start: 1}
		found := 120
		s.run(r, onset+120, func(day int, j reservoir.Judgement, _ reservoir.Track, _ float64) {
			if day >= onset && found == 120 && f.want(j) {
				found = day - onset + 1
			}
		})
		out = append(out, found)
	}
	slices.Sort(out)
	return out
}

// Sound points must hardly ever be blamed, and faults must be found while the
// reservoir still says something: every day of a simulated history is judged
// with what was known on it. The bounds leave room around the figures that a
// larger run (-args -wide) prints.
func TestVerdictsRarelyWrongAndSoon(t *testing.T) {
	for _, g := range []struct {
		step, noise float64
		days        map[string]int // the median must not be later
	}{
		{2, 0.6, map[string]int{"blocked, any": 7, "blocked, not dispensing": 10, "half": 9, "0.7": 13, "1.3": 13, "double": 7}},
		{10, 0.6, map[string]int{"blocked, any": 13, "blocked, not dispensing": 38, "half": 19, "0.7": 31, "1.3": 41, "double": 14}},
	} {
		points, faulty := 60, 30
		if *wide {
			points, faulty = 600, 200
		}
		n, d := falseRate(points, 200, g.step, g.noise, 1)
		t.Logf("step %g %%, noise %g %%: %d of %d sound points ever blamed in 200 days (%d point-days)", g.step, g.noise, n, points, d)
		require.LessOrEqual(t, n, points/50)
		for _, f := range faults {
			ds := delays(f, faulty, g.step, g.noise, 2)
			t.Logf("   %-24s found after %d days (median), %d (9 of 10)", f.name, ds[len(ds)/2], ds[len(ds)*9/10])
			require.LessOrEqual(t, ds[len(ds)/2], g.days[f.name], f.name)
		}
	}
}

// What is left must be within its stated error as often as it says, without
// leaning to one side, on fine and on coarse scales.
func TestRemainingIsAsSureAsItSays(t *testing.T) {
	for _, c := range []struct{ step, noise float64 }{{1, 0.5}, {2, 0.6}, {5, 0.6}, {10, 0.6}} {
		n, inside, lean, wide := 0, 0, 0.0, 0.0
		for i := range 60 {
			r := rand.New(rand.NewPCG(9, uint64(i)))
			const capacity = 120.0
			f := 1 + 0.03*r.NormFloat64()
			s := plantRun{capacity: capacity, daily: capacity / (60 + 90*r.Float64()), step: c.step / 100 * capacity, noise: c.noise / 100 * capacity,
				dose: 0.25, factor: func(int) float64 { return f }, start: 0.6 + 0.4*r.Float64()}
			s.run(r, 150, func(day int, _ reservoir.Judgement, t reservoir.Track, left float64) {
				if day < 10 || day%5 != 0 {
					return
				}
				sd := math.Sqrt(t.Estimate.VarR)
				z := (t.Estimate.Remaining - left) / sd
				n++
				lean += z
				wide += sd
				if math.Abs(z) < 1.2816 {
					inside++
				}
			})
		}
		share, bias := float64(inside)/float64(n), lean/float64(n)
		t.Logf("step %g %%: 80 %% interval holds %.2f, mean error %.2f sd, mean sd %.2f cm3", c.step, share, bias, wide/float64(n))
		require.InDelta(t, 0.80, share, 0.10)
		require.InDelta(t, 0, bias, 0.3)
	}
}
