package config

import "math"

// maxSteps bounds the settings that a range can stand for.
const maxSteps = 100_000

// equalSettings is how closely two settings agree that are the same: decimal
// fractions and counted steps leave errors near 1e-15.
const equalSettings = 1e-9

// Nearest finds the settings that the model really has next to a wanted one,
// in cm3 per 100 h for pacing run and in cm3 for pulse: the largest not above
// it and the smallest not below it. Where there is none on a side both are the
// same. ok is false where the model has no settings for the pacing.
func (m *DispenserModel) Nearest(pacing Pacing, wanted float64) (below, over float64, ok bool) {
	list, r := m.RunStepsCM3Per100h, m.RunRangeCM3Per100h
	if pacing == PacingPulse {
		list, r = m.PulseStepsCM3, m.PulseRangeCM3
	}
	low, high := math.Inf(-1), math.Inf(1)
	consider := func(x float64) {
		if x <= wanted*(1+equalSettings) {
			low = math.Max(low, x)
		}
		if x >= wanted*(1-equalSettings) {
			high = math.Min(high, x)
		}
	}
	for _, x := range list {
		consider(x)
	}
	if r != nil && r.Step > 0 && r.From <= r.To {
		last := math.Floor((r.To-r.From)/r.Step + equalSettings)
		k := math.Floor((wanted-r.From)/r.Step + equalSettings)
		for _, n := range []float64{0, k, k + 1, last} {
			consider(roundDecimals(r.From + math.Min(math.Max(n, 0), last)*r.Step))
		}
	}
	switch {
	case math.IsInf(low, 0) && math.IsInf(high, 0):
		return 0, 0, false
	case math.IsInf(low, 0):
		low = high
	case math.IsInf(high, 0):
		high = low
	}
	return low, high, true
}

// Has says that the model can be set to a value.
func (m *DispenserModel) Has(pacing Pacing, setting float64) bool {
	below, over, ok := m.Nearest(pacing, setting)
	return ok && (math.Abs(below-setting) <= equalSettings*setting || math.Abs(over-setting) <= equalSettings*setting)
}

// Slowest is the smallest setting that the model has for a pacing.
func (m *DispenserModel) Slowest(pacing Pacing) (float64, bool) {
	_, over, ok := m.Nearest(pacing, math.SmallestNonzeroFloat64)
	return over, ok
}

// roundDecimals removes the error that a multiple of a decimal step carries.
func roundDecimals(x float64) float64 { return math.Round(x*1e9) / 1e9 }
