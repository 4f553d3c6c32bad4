package drift_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/forecast/drift"
)

// sums runs a pair over standardised samples and gives both sums after each.
func sums(k float64, z []float64) (high, low []float64) {
	p := drift.Pair{Design: drift.Design{K: k}}
	for _, x := range z {
		p.Add(x)
		high, low = append(high, p.High.C), append(low, p.Low.C)
	}
	return high, low
}

// first is the first sample, from 1, at which a series passes a limit.
func first(series []float64, h float64) int {
	for i, v := range series {
		if v > h {
			return i + 1
		}
	}
	return 0
}

func scaled(data []float64, mean, sd float64) []float64 {
	out := make([]float64, len(data))
	for i, x := range data {
		out[i] = (x - mean) / sd
	}
	return out
}

// NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.3: target 325,
// k = 0.3175 and h = 4.1959 in units of the data.
func TestHandbookCumulativeSums(t *testing.T) {
	data := []float64{
		324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
		324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
	}
	high, low := sums(0.3175, scaled(data, 325, 1))
	require.InDeltaSlice(t, []float64{0, 0, 0, 0, 0.0325, 0, 0, 0, 0, 0, 0, 0, 3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035}, high, 1e-9)
	require.InDeltaSlice(t, []float64{0, 0.0075, 0, 0.3325, 0, 0, 0.5575, 0.715, 0.1725, 0.255, 0.3125, 0, 0, 0, 0, 0, 0, 0, 0, 0}, low, 1e-9)
	require.Equal(t, 14, first(high, 4.1959))
	require.Zero(t, first(low, 4.1959))
}

// D. C. Montgomery, Introduction to Statistical Quality Control, the example of
// the chapter on cumulative sums: mean 10, sd 1, k = 0.5, h = 5.
var montgomery = []float64{
	9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08,
	9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52,
}

func TestMontgomerySequence(t *testing.T) {
	high, low := sums(0.5, scaled(montgomery, 10, 1))
	require.InDeltaSlice(t, []float64{
		0, 0, 0, 1.16, 2.82, 2.50, 0.04, 1.00, 0, 0, 0, 0.97, 0.98, 0, 0,
		0, 0.12, 0, 0, 0.34, 0.74, 0, 1.79, 2.79, 2.89, 3.47, 3.35, 4.47, 5.28, 5.30,
	}, high, 1e-9)
	require.InDeltaSlice(t, []float64{
		0.05, 1.56, 1.77, 0, 0, 0, 1.46, 0, 0.30, 0, 0.47, 0, 0, 0.10, 0, 0.13, 0, 0, 0.98, 0, 0, 0.17, 0,
	}, low[:23], 1e-9)
	require.Equal(t, 29, first(high, 5))

	// The sum was last 0 at sample 22, so that the shift began with the 23rd,
	// and its size is k + C / N.
	m := drift.Watch([]drift.Design{{K: 0.5, H: 5}})
	for i, z := range scaled(montgomery, 10, 1) {
		m.Add(z, 1)
		require.Equal(t, i >= 28, m.Alarm().Sign != 0, "sample %d", i+1)
	}
	a := m.Alarm()
	require.Equal(t, 1, a.Sign)
	require.Equal(t, 30-22, a.Since)
	require.InDelta(t, 0.5+5.30/8, a.Size, 1e-9)
}

// J. M. Lucas, R. B. Crosier, Fast initial response for CUSUM quality-control
// schemes, Technometrics 24, 1982: k = 0.5, h = 5, head start h/2.
func TestHeadStart(t *testing.T) {
	z := []float64{0.8, 1.9, 1.4, 2.0, 1.1, 0.7, 2.6}
	high, _ := sums(0.5, z)
	require.InDeltaSlice(t, []float64{0.3, 1.7, 2.6, 4.1, 4.7, 4.9, 7.0}, high, 1e-9)
	require.Equal(t, 7, first(high, 5))

	p := drift.Pair{Design: drift.Design{K: 0.5, H: 5}}
	p.Reset(0.5)
	for i, want := range []float64{2.8, 4.2, 5.1} {
		p.Add(z[i])
		require.InDelta(t, want, p.High.C, 1e-9)
		require.Equal(t, i == 2, p.Alarm().Sign == 1)
	}
}

// The flow of the Nile at Aswan from 1871, the data set Nile of R; mean and sd
// of its first 20 years. The lower sum with k = 0.5 passes 5 in 1902 with
// 5.656286 (computed with R 4.2.2). The river fell with the years from 1899 on.
func TestNile(t *testing.T) {
	nile := []float64{
		1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
		1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694,
	}
	z := scaled(nile, 1070.85, 143.85566)
	_, low := sums(0.5, z)
	require.Equal(t, 32, first(low, 5))
	require.InDelta(t, 5.656286, low[31], 1e-5)
	m := drift.Watch([]drift.Design{{K: 0.5, H: 5}})
	for _, x := range z {
		m.Add(x, 1)
	}
	a := m.Alarm()
	require.Equal(t, -1, a.Sign)
	require.Equal(t, 1898, 1870+len(nile)-a.Since, "the last year before the change")
	require.Negative(t, a.Size)
}

// NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.4: weight 0.3,
// start 50, s = 2.0539, L = 3; no signal. The handbook prints the limits that the
// average reaches in time, 52.5884 and 47.4115.
func TestHandbookMovingAverage(t *testing.T) {
	data := []float64{52, 47, 53, 49.3, 50.1, 47, 51, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}
	want := []float64{
		50.6, 49.52, 50.564, 50.1848, 50.1594, 49.2116, 49.7481, 49.8537, 50.2576, 50.3303,
		50.1112, 49.3578, 49.5205, 50.0543, 49.378, 49.9246, 50.7272, 51.2291, 51.9403, 51.9882,
	}
	e := drift.EWMA{Weight: 0.3, L: 3}
	for i, z := range scaled(data, 50, 2.0539) {
		require.Zero(t, e.Add(z), "sample %d", i+1)
		require.InDelta(t, want[i], 50+2.0539*e.Value, 6e-5)
	}
	require.InDelta(t, 52.5884, 50+2.0539*e.Limit(), 1e-4)
}

// The same chapter of Montgomery's book: weight 0.1, L = 2.7; the average passes
// its limit of 10.6187 at sample 29 with 10.64682.
func TestMontgomeryMovingAverage(t *testing.T) {
	e := drift.EWMA{Weight: 0.1, L: 2.7}
	for i, z := range scaled(montgomery, 10, 1) {
		sign := e.Add(z)
		switch i + 1 {
		case 1:
			require.InDelta(t, 9.945, 10+e.Value, 1e-9)
		case 2:
			require.InDelta(t, 9.7495, 10+e.Value, 1e-9)
		case 28:
			require.Zero(t, sign)
		case 29:
			require.InDelta(t, 10.64682, 10+e.Value, 1e-5)
			require.InDelta(t, 10.6187, 10+e.Limit(), 1e-3)
			require.Equal(t, 1, sign)
		}
	}
}

// What a chart says does not depend on the unit of what it watches, and turned
// over it says the opposite.
func TestTurnedOverTheChartSaysTheOpposite(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		z := rapid.SliceOfN(rapid.Float64Range(-6, 6), 1, 200).Draw(t, "z")
		unit := math.Ldexp(1, rapid.IntRange(-8, 8).Draw(t, "unit"))
		a, b := drift.Watch([]drift.Design{{0.5, 5}, {0.25, 8}}), drift.Watch([]drift.Design{{0.5, 5}, {0.25, 8}})
		for _, x := range z {
			a.Add(x, 1)
			b.Add(-(x*unit)/unit, 3)
			p, q := a.Alarm(), b.Alarm()
			require.Equal(t, p.Sign, -q.Sign)
			require.Equal(t, p.Since, q.Since)
			require.Equal(t, p.Size, -q.Size)
		}
	})
}

func TestDaysWithoutCommandAreNotCounted(t *testing.T) {
	m := drift.Watch([]drift.Design{{0.5, 5}})
	for range 10 {
		m.Add(1, 1)
	}
	before := m.Charts[0]
	for range 50 {
		m.Add(4, 0)
	}
	require.Equal(t, before, m.Charts[0])
	m.Add(1, 1)
	require.NotEqual(t, before, m.Charts[0])
}

func TestAChangeBeginsAnew(t *testing.T) {
	m := drift.Watch([]drift.Design{{0.5, 5}, {0.25, 8}})
	for range 40 {
		m.Add(2, 1)
	}
	require.Equal(t, 1, m.Alarm().Sign)
	m.Reset(0)
	require.Equal(t, drift.Watch([]drift.Design{{0.5, 5}, {0.25, 8}}), m)
	m.Reset(0.5)
	require.Zero(t, m.Alarm().Sign, "a head start alone is no alarm")
}

// One reading decides nothing, however far off; nor does one that is no number.
func TestOneReadingAloneIsNoAlarm(t *testing.T) {
	m := drift.Watch(drift.Budget{PerYear: 0.1, Samples: 52}.Limits(1))
	require.Less(t, m.Charts[0].H, 3.0, "a sparse chart's limit is within one reading's reach")
	m.Add(1000, 1)
	require.Zero(t, m.Alarm().Sign)
	m.Add(math.NaN(), 1)
	require.Zero(t, m.Alarm().Sign)
	m.Reset(0)
	m.Add(1000, 1)
	m.Add(2, 1)
	require.Equal(t, 1, m.Alarm().Sign)
}
