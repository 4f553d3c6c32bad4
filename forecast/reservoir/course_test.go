package reservoir_test

import (
	"bytes"
	"encoding/binary"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/forecast/reservoir"
)

var gaugeFill = reservoir.Params{Capacity: 125, FillSD: 2.5, Scatter: 0.0025, FactorSD: 0.1}

// anyFill draws the steps of a fill: use, silences, coarse and fine levels, wild
// ones, doses, swaps, and changes that nobody recorded.
func anyFill(t *rapid.T) []reservoir.Step {
	scale := rapid.SampledFrom([]float64{0.5, 1.25, 12.5}).Draw(t, "scale")
	factor := rapid.SampledFrom([]float64{1, 0.5, 0, 2}).Draw(t, "factor")
	left := 125.0
	var out []reservoir.Step
	for range rapid.IntRange(0, 90).Draw(t, "steps") {
		s := reservoir.Step{Commanded: rapid.Float64Range(0, 3).Draw(t, "commanded"), Scale: scale, Noise: 0.6}
		if rapid.IntRange(0, 30).Draw(t, "refill") == 0 {
			left = rapid.Float64Range(5, 125).Draw(t, "to")
		}
		left = math.Max(0, left-s.Commanded*factor)
		s.HasLevel = rapid.IntRange(0, 3).Draw(t, "seen") > 0
		s.Level = math.Round((left+rapid.Float64Range(-1.5, 1.5).Draw(t, "noise"))/scale) * scale
		if rapid.IntRange(0, 15).Draw(t, "wild") == 0 {
			s.Level = rapid.Float64Range(0, 140).Draw(t, "level")
		}
		s.Swapped = rapid.IntRange(0, 40).Draw(t, "swapped") == 0
		if rapid.IntRange(0, 8).Draw(t, "dose") == 0 {
			s.HasDose, s.Dose, s.DoseSD, s.DoseCommand = true, s.Commanded*factor, 0.05, s.Commanded
		}
		out = append(out, s)
	}
	return out
}

// A run that goes on from any checkpoint, stored and read again, gives what a
// run from the start gives, to the bit: late data need a run from the last
// checkpoint before them only. Following the whole fill gives the same filter.
func TestCheckpointGoesOnToTheBit(t *testing.T) {
	t.Logf("a checkpoint takes %d bytes", binary.Size(reservoir.Checkpoint{}))
	rapid.Check(t, func(t *rapid.T) {
		steps := anyFill(t)
		whole := reservoir.Start(gaugeFill)
		cut := rapid.IntRange(0, len(steps)).Draw(t, "cut")
		var stored bytes.Buffer
		for i, s := range steps {
			if i == cut {
				require.NoError(t, binary.Write(&stored, binary.LittleEndian, &whole))
			}
			whole.Add(gaugeFill, s)
		}
		require.Equal(t, whole, reservoir.Follow(gaugeFill, steps).Checkpoint)
		if cut == len(steps) {
			return
		}
		var part reservoir.Checkpoint
		require.NoError(t, binary.Read(&stored, binary.LittleEndian, &part))
		for _, s := range steps[cut:] {
			part.Add(gaugeFill, s)
		}
		require.Equal(t, whole, part)
	})
}

// What is followed agrees with itself: every believed level has its step, gates
// never count below nothing, variances stay variances.
func TestFollowInvariants(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		steps := anyFill(t)
		tr := reservoir.Follow(gaugeFill, steps)
		require.Len(t, tr.Steps, len(tr.Readings))
		seen := 0
		total := 0.0
		for i, s := range steps {
			if total += s.Commanded; i >= tr.Began && s.HasLevel {
				seen++
			}
		}
		require.InDelta(t, total, tr.Commanded, 1e-9)
		require.LessOrEqual(t, len(tr.Readings), seen)
		require.GreaterOrEqual(t, tr.Gated, 0)
		for i, k := range tr.Steps {
			require.GreaterOrEqual(t, k, tr.Began)
			require.Equal(t, steps[k].Level, tr.Readings[i].Level)
			require.True(t, i == 0 || k > tr.Steps[i-1])
		}
		e := tr.Estimate
		require.GreaterOrEqual(t, e.VarR, 0.0)
		require.GreaterOrEqual(t, e.VarF, -1e-12)
		require.LessOrEqual(t, e.Cov*e.Cov, e.VarR*math.Max(0, e.VarF)+1e-6)
		for _, r := range tr.Rises {
			require.Less(t, r.Step, len(steps))
			require.InDelta(t, r.Factor*r.Commanded, r.Delivered, 1e-6)
		}
	})
}

// fillSteps is a fill of 125 cm3 used by 1 cm3 a day, with a level a day; odd
// changes levels, by day.
func fillSteps(days int, scale, noise float64, seed uint64, odd func(day int, level float64) float64) (out []reservoir.Step) {
	r := rand.New(rand.NewPCG(seed, 1))
	for i := range days {
		l := odd(i, 125-float64(i+1)) + noise*r.NormFloat64()
		out = append(out, reservoir.Step{Commanded: 1, HasLevel: true, Level: math.Round(l/scale) * scale, Scale: scale, Noise: noise})
	}
	return out
}

// The gate counts what it passes over, and opens after three alike: all too high
// or all too low. Levels too high and too low by turns are never three alike.
func TestGate(t *testing.T) {
	for name, c := range map[string]struct {
		odd             func(day int, level float64) float64
		gated, reopened int
		left            float64
	}{
		"none":          {func(_ int, l float64) float64 { return l }, 0, 0, 65},
		"one":           {func(d int, l float64) float64 { return shift(l, -40, d == 40) }, 1, 0, 65},
		"two":           {func(d int, l float64) float64 { return shift(l, -40, d == 40 || d == 41) }, 2, 0, 65},
		"fell":          {func(d int, l float64) float64 { return shift(l, -20, d >= 40) }, 0, 1, 45},
		"rose a little": {func(d int, l float64) float64 { return shift(l, 10, d >= 40) }, 0, 1, 75},
		"by turns":      {func(d int, l float64) float64 { return shift(l, 10*float64(1-2*(d%2)), d >= 40 && d < 50) }, 10, 0, 65},
	} {
		tr := reservoir.Follow(gaugeFill, fillSteps(60, 1.25, 0.6, 900, c.odd))
		require.Equal(t, c.gated, tr.Gated, name)
		require.Len(t, tr.Reopened, c.reopened, name)
		require.InDelta(t, c.left, tr.Estimate.Remaining, 1.5, name)
		require.Empty(t, tr.Rises, name)
		if c.reopened > 0 {
			require.Equal(t, 40, tr.Reopened[0].Step, name)
			require.InDelta(t, c.left-65, tr.Reopened[0].Shift, 2, name)
		}
	}
}

// A wild level right behind two of a jump is not the third of it: it would pass
// for the truth, and the return from it for a change.
func TestGateWildLevelInAJump(t *testing.T) {
	tr := reservoir.Follow(gaugeFill, fillSteps(60, 1.25, 0.6, 908, func(d int, l float64) float64 {
		return shift(shift(l, -8, d >= 40), -50, d == 42)
	}))
	require.Len(t, tr.Reopened, 1)
	require.Equal(t, 43, tr.Reopened[0].Step)
	require.Equal(t, 3, tr.Gated)
	require.Empty(t, tr.Rises)
	require.InDelta(t, 57, tr.Estimate.Remaining, 1.5)
}

func shift(l, by float64, on bool) float64 {
	if on {
		return l + by
	}
	return l
}

// A change that nobody recorded is accepted on the second level that shows it,
// and counts from the first; the old fill's record is closed. Full or not, the
// level goes on from what was read.
func TestUnrecordedChange(t *testing.T) {
	for _, scale := range []float64{0.5, 1.25, 12.5} {
		for _, to := range []float64{125, 90} {
			odd := func(d int, l float64) float64 { return shift(l, to-(125-70), d >= 70) }
			all := fillSteps(100, scale, 0.6, 901, odd)
			for n := 70; n <= 100; n += 2 {
				tr := reservoir.Follow(gaugeFill, all[:n])
				if n < 72 {
					require.Empty(t, tr.Rises, "one level decides nothing")
					continue
				}
				require.Len(t, tr.Rises, 1, "scale %g, to %g, %d days", scale, to, n)
				r := tr.Rises[0]
				require.Equal(t, 70, r.Step, "back-dated to the first")
				require.Equal(t, 71, tr.Began)
				near := math.Max(2, 0.6*scale)
				require.InDelta(t, to, r.Level, near)
				require.InDelta(t, 125-71, r.Residual, near)
				require.InDelta(t, 71, r.Commanded, 1e-9)
				require.InDelta(t, 71, r.Delivered, near)
				require.InDelta(t, 1, r.Factor, 0.1)
				require.InDelta(t, to-float64(n-71), tr.Estimate.Remaining, near, "scale %g, to %g, %d days", scale, to, n)
				require.False(t, tr.Low || tr.High, "%+v", tr.Ratio)
				require.Equal(t, scale < 2 && to > 100 || scale > 2 && to > 100, r.Full)
			}
		}
	}
	// Two wild levels that do not agree with each other are no fill.
	wild := fillSteps(100, 1.25, 0.6, 902, func(d int, l float64) float64 {
		switch d {
		case 80:
			return 124
		case 81:
			return 90
		}
		return l
	})
	tr := reservoir.Follow(gaugeFill, wild)
	require.Empty(t, tr.Rises)
	require.Equal(t, 2, tr.Gated)
	require.InDelta(t, 25, tr.Estimate.Remaining, 1.5)
	// A change while the machine stands shows as well.
	still := fillSteps(70, 1.25, 0.6, 903, func(_ int, l float64) float64 { return l })
	for range 5 {
		still = append(still, reservoir.Step{HasLevel: true, Level: 55, Scale: 1.25, Noise: 0.6})
	}
	for range 2 {
		still = append(still, reservoir.Step{HasLevel: true, Level: 125, Scale: 1.25, Noise: 0.6})
	}
	tr = reservoir.Follow(gaugeFill, still)
	require.Len(t, tr.Rises, 1)
	require.Equal(t, 75, tr.Rises[0].Step)
	// A fill that began with less than a full reservoir may be changed to full.
	small := gaugeFill
	small.Capacity, small.Size, small.SizeSD = 60, 125, 2.5
	var part []reservoir.Step
	for i := range 40 {
		l := 60 - float64(i+1)
		if i >= 30 {
			l = 125 - float64(i-29)
		}
		part = append(part, reservoir.Step{Commanded: 1, HasLevel: true, Level: l, Scale: 1.25, Noise: 0.6})
	}
	tr = reservoir.Follow(small, part)
	require.Len(t, tr.Rises, 1)
	require.True(t, tr.Rises[0].Full)
	require.InDelta(t, 115, tr.Estimate.Remaining, 1.5)
}

// What stands still is no change, however far it is above what the command
// expects: a blocked line, seen again after a silence.
func TestStandingStillIsNoChange(t *testing.T) {
	for _, scale := range []float64{0.5, 1.25, 12.5} {
		steps := fillSteps(120, scale, 0.6, 904, func(d int, l float64) float64 { return math.Max(l, 85) })
		for i := 60; i < 100; i++ {
			steps[i].HasLevel = false
		}
		for n := 60; n <= 120; n++ {
			require.Empty(t, reservoir.Follow(gaugeFill, steps[:n]).Rises, "scale %g, %d days", scale, n)
		}
	}
}

// The pump stays over a change that nobody recorded: a half blocked line is
// still half blocked, and the verdict stands.
func TestUnrecordedChangeKeepsTheVerdict(t *testing.T) {
	steps := fillSteps(130, 1.25, 0.6, 905, func(d int, _ float64) float64 {
		l := 125 - float64(min(d+1, 30)) - 0.5*float64(max(0, d-29))
		return shift(l, 50, d >= 100)
	})
	for n := 102; n <= 130; n++ {
		tr := reservoir.Follow(gaugeFill, steps[:n])
		require.Len(t, tr.Rises, 1)
		j := reservoir.Judge(tr, 0)
		require.True(t, j.Under, "%d days: %+v", n, j)
		require.InDelta(t, 0.5, tr.Estimate.Factor, 3*math.Sqrt(tr.Estimate.VarF))
		require.Less(t, math.Sqrt(tr.Estimate.VarF), 0.25)
	}
}

// A swapped dispenser is another pump on the same reservoir: what is left goes
// on, the factor begins anew, and the old pump's verdict is gone.
func TestSwapBeginsTheFactorAnew(t *testing.T) {
	steps := fillSteps(90, 1.25, 0.6, 906, func(d int, _ float64) float64 {
		return 125 - 0.5*float64(min(d+1, 60)) - float64(max(0, d-59))
	})
	before := reservoir.Follow(gaugeFill, steps[:60])
	require.True(t, before.Low)
	require.InDelta(t, 0.5, before.Estimate.Factor, 0.05)
	steps[60].Swapped = true
	steps[60].HasLevel = false
	at := reservoir.Follow(gaugeFill, steps[:61])
	require.Equal(t, 60, at.Began)
	require.Equal(t, 1.0, at.Estimate.Factor)
	require.InDelta(t, 0.1, math.Sqrt(at.Estimate.VarF), 1e-3)
	require.False(t, at.Low)
	require.InDelta(t, 95-1, at.Estimate.Remaining, 1)
	require.Nil(t, at.Fill.Carried)
	after := reservoir.Follow(gaugeFill, steps)
	require.False(t, after.Low || after.High)
	require.InDelta(t, 1, after.Estimate.Factor, 0.06)
	require.InDelta(t, 65, after.Estimate.Remaining, 1)
	require.InDelta(t, 90, after.Commanded, 1e-9)
}

// Where nothing is measured, the error of the whole life is the factor's: sd(T)
// is sd(factor) x T for any share used, so that of what is left it grows.
func TestDeadReckonedLife(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		used := rapid.Float64Range(0, 0.95).Draw(t, "used")
		sd := rapid.Float64Range(0.005, 0.1).Draw(t, "factor sd")
		n := rapid.IntRange(1, 100).Draw(t, "steps")
		p := reservoir.Params{Capacity: 100, FactorSD: sd}
		var steps []reservoir.Step
		for range n {
			steps = append(steps, reservoir.Step{Commanded: 100 * used / float64(n)})
		}
		e := reservoir.Follow(p, steps).Estimate
		_, variance := e.Budget(0.5)
		// The wander of the factor on the way comes on top, sqrt of 1 % per
		// tenth; 200 is the life in duty units.
		require.GreaterOrEqual(t, math.Sqrt(variance), sd*200*(1-1e-9))
		require.LessOrEqual(t, math.Sqrt(variance), 200*math.Sqrt(sd*sd+0.001*used)*(1+1e-6))
	})
}
