package unit_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/config/unit"
)

// near is the rounding of the published or calculated figure.
func near(t *testing.T, want, got float64, decimals int) {
	t.Helper()
	require.InDelta(t, want, got, 0.5*math.Pow10(-decimals)+1e-12)
}

func TestEmptyInMonthsOfRunning(t *testing.T) {
	// 100*V/(N*730.5), worked out by hand to three decimals for every pair.
	months := []float64{1, 2, 3, 6, 9, 12, 18, 24}
	for volume, rates := range map[float64][]float64{
		60:  {8.214, 4.107, 2.738, 1.369, 0.913, 0.684, 0.456, 0.342},
		125: {17.112, 8.556, 5.704, 2.852, 1.901, 1.426, 0.951, 0.713},
		250: {34.223, 17.112, 11.408, 5.704, 3.803, 2.852, 1.901, 1.426},
	} {
		for i, n := range months {
			near(t, rates[i], unit.RateOfMonths(volume, n), 3)
		}
	}
}

func TestRates(t *testing.T) {
	require.Equal(t, 730.5, unit.HoursPerMonth)

	// A 22220 at 1000 rpm that wants 4.6 cm3/100 h, worked out by hand.
	near(t, 2717.4, unit.RunHoursOfReservoir(125, 4.6), 1)
	near(t, 113.2, unit.DaysOfRunHours(unit.RunHoursOfReservoir(125, 4.6), 24), 1)
	near(t, 169.8, unit.DaysOfRunHours(unit.RunHoursOfReservoir(125, 4.6), 16), 1)
	near(t, 46, unit.PulsesPer100h(4.6, 0.1), 9)
	near(t, 2.174, unit.RunHoursPerPulse(4.6, 0.1), 3)
	near(t, 10.87, unit.RunHoursPerPulse(4.6, 0.5), 2)

	// 125 cm3 at 2.5 cm3/100 h, worked out by hand.
	near(t, 5000, unit.RunHoursOfReservoir(125, 2.5), 9)
	near(t, 208.33, unit.DaysOfRunHours(5000, 24), 2)
	near(t, 312.5, unit.DaysOfRunHours(5000, 16), 9)
	near(t, 30.85, unit.CM3OfRunHours(2.5, 1234), 9)
	near(t, 94.15, 125-unit.CM3OfRunHours(2.5, 1234), 9)
	near(t, 0.6, unit.CM3PerDay(2.5, 24), 9)

	// 45 g every 1600 h, a motor manual's row, at 0.9 g/cm3: worked out by hand.
	dose := unit.CM3FromGrams(45, 0.9)
	near(t, 50, dose, 9)
	near(t, 3.125, unit.RateCM3Per100h(dose, 1600), 9)
	near(t, 8000, unit.RunHoursOfReservoir(250, 3.125), 9)

	// A 6310 (50x110x27) at 1500 rpm: 0.005*110*27 = 14.85 g are 16.5 cm3, every
	// 10*(14e6/(1500*sqrt 50) - 4*50) = 11199.33 h; worked out by hand.
	small := unit.RateCM3Per100h(unit.CM3FromGrams(14.85, 0.9), 11199.33)
	near(t, 0.1473, small, 4)
	near(t, 67.87, unit.RunHoursPerPulse(small, 0.1), 2)
	near(t, 40725, unit.RunHoursOfReservoir(60, small), 0)
}

func TestConversions(t *testing.T) {
	// NIST Special Publication 811, appendix B.8, 2008.
	near(t, 29.57353, unit.CM3PerUSFluidOunce, 5)
	near(t, 4.928922, unit.CM3PerUSTeaspoon, 6)
	near(t, 0.01601846, unit.GPerCM3PerLbPerFt3, 8)
	near(t, 14.5038, unit.PSIPerBar, 4)
}

func TestGramsAndVolumesAreInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cm3 := rapid.Float64Range(0.01, 1000).Draw(t, "cm3")
		rho := rapid.Float64Range(unit.MinDensityGPerCM3, unit.MaxDensityGPerCM3).Draw(t, "density")
		require.InEpsilon(t, cm3, unit.CM3FromGrams(unit.GramsFromCM3(cm3, rho), rho), 1e-12)
	})
}

func TestAPulseTrainFeedsTheRate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rate := rapid.Float64Range(0.01, 100).Draw(t, "rate")
		q := rapid.Float64Range(0.01, 10).Draw(t, "cm3 per pulse")
		require.InEpsilon(t, rate, unit.PulsesPer100h(rate, q)*q, 1e-12)
		require.InEpsilon(t, 100, unit.PulsesPer100h(rate, q)*unit.RunHoursPerPulse(rate, q), 1e-12)
	})
}

func TestParseQuantities(t *testing.T) {
	for text, want := range map[string]float64{
		"125 cm3": 125, "60ml": 60, "1.5 CCM": 1.5, " 2 in3 ": 2 * 16.387064, "0.25 l": 250, "12": 12, "3 cm³": 3, "1 fl oz": 231 * 16.387064 / 128,
	} {
		got, err := unit.ParseVolume(text)
		require.NoError(t, err, text)
		require.InDelta(t, want, got, 1e-9, text)
	}
	for text, want := range map[string]float64{"45 g": 45, "1 oz": 28.349523125, "0.2kg": 200, "1 lb": 453.59237, "7": 7} {
		got, err := unit.ParseMass(text)
		require.NoError(t, err, text)
		require.InDelta(t, want, got, 1e-9, text)
	}
	for text, want := range map[string]float64{"2.1 cm3/100h": 2.1, "2.1 cm3 / 100 h": 2.1, "0.02 ml/h": 2, "3": 3} {
		got, err := unit.ParseRate(text)
		require.NoError(t, err, text)
		require.InDelta(t, want, got, 1e-9, text)
	}
}

func TestParseQuantitiesRefuses(t *testing.T) {
	for _, text := range []string{"", "cm3", "2,5 cm3", "45 g", "-1 cm3", "1e3 cm3", "NaN", "inf", "1..2", "5 cm3/100h", "+ 3 gallons"} {
		_, err := unit.ParseVolume(text)
		require.ErrorContains(t, err, "want a number", text)
	}
	_, err := unit.ParseMass("3 cm3")
	require.ErrorContains(t, err, `mass "3 cm3"`)
	_, err = unit.ParseRate("2 cm3/day")
	require.ErrorContains(t, err, "cm3/100h")
}

func FuzzParseQuantities(f *testing.F) {
	for _, seed := range []string{"125 cm3", "2.1 cm3/100h", "45g", "-", "9e999", "\xff"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		for _, parse := range []func(string) (float64, error){unit.ParseVolume, unit.ParseMass, unit.ParseRate} {
			v, err := parse(text)
			require.False(t, math.IsNaN(v) || math.IsInf(v, 0) || v < 0)
			if err != nil {
				require.Zero(t, v)
			}
		}
	})
}
