// Package unit holds the arithmetic of volumes, doses and feed rates. Names
// carry the units; conversions live only here. Functions take positive values;
// for a divisor of zero they give what floating point gives, an infinity, so
// callers check first.
//
// It imports nothing of ours. Start with [RateCM3Per100h], [RunHoursOfReservoir]
// and, for what people type, [ParseVolume].
package unit

// Densities of lubricants in g/cm3. Mineral-oil greases weigh 0.85 to 0.95
// (makers' data sheets); calcium sulfonate complexes reach 1.05, fluorinated
// greases 2.0 (from memory). What lies outside the usual range is more often a
// slip than a grease.
const (
	DefaultDensityGPerCM3 = 0.90
	MinDensityGPerCM3     = 0.75
	MaxDensityGPerCM3     = 2.1
	LowUsualDensity       = 0.85
	HighUsualDensity      = 1.05
)

// HoursPerMonth is the mean month of the Julian year, 365.25*24/12 h. A device
// that is "empty in N months of running" counts running time by it; some
// people take 720 h, 1.4 % less.
const HoursPerMonth = 365.25 * 24 / 12

// Exact by definition (international yard and pound agreement, 1959): an ounce
// is 28.349523125 g, an inch 2.54 cm. The US gallon is 231 cubic inches, a
// fluid ounce its 128th part.
const (
	GramsPerOunce      = 28.349523125
	GramsPerPound      = 453.59237
	CM3PerCubicInch    = 16.387064
	CM3PerUSFluidOunce = 231 * CM3PerCubicInch / 128
	CM3PerUSTeaspoon   = CM3PerUSFluidOunce / 6
	GPerCM3PerLbPerFt3 = GramsPerPound / (1728 * CM3PerCubicInch)
	PSIPerBar          = 14.503773773 // 1e5 Pa over 6894.757293 Pa
)

// CM3FromGrams gives the volume of a mass: m/rho.
func CM3FromGrams(grams, densityGPerCM3 float64) float64 { return grams / densityGPerCM3 }

// GramsFromCM3 gives the mass of a volume: V*rho.
func GramsFromCM3(cm3, densityGPerCM3 float64) float64 { return cm3 * densityGPerCM3 }

// RateCM3Per100h is the feed rate of a dose every so many run-hours:
// 100*V/T, in cm3 per 100 run-hours.
func RateCM3Per100h(doseCM3, everyRunHours float64) float64 { return 100 * doseCM3 / everyRunHours }

// RateOfMonths is the feed rate of a device that empties a volume in so many
// months of running: 100*V/(N*730.5), in cm3 per 100 run-hours.
func RateOfMonths(volumeCM3, monthsOfRunning float64) float64 {
	return 100 * volumeCM3 / (monthsOfRunning * HoursPerMonth)
}

// RunHoursOfReservoir is how many run-hours a volume lasts at a rate:
// 100*V/r.
func RunHoursOfReservoir(volumeCM3, rateCM3Per100h float64) float64 {
	return 100 * volumeCM3 / rateCM3Per100h
}

// DaysOfRunHours is how many calendar days so many run-hours take.
func DaysOfRunHours(runHours, runHoursPerDay float64) float64 { return runHours / runHoursPerDay }

// CM3PerDay is the consumption per calendar day: r/100*h.
func CM3PerDay(rateCM3Per100h, runHoursPerDay float64) float64 {
	return rateCM3Per100h / 100 * runHoursPerDay
}

// CM3OfRunHours is what goes out in so many run-hours: r/100*t.
func CM3OfRunHours(rateCM3Per100h, runHours float64) float64 { return rateCM3Per100h / 100 * runHours }

// PulsesPer100h is how often a pulse-paced dispenser must dose: r/q.
func PulsesPer100h(rateCM3Per100h, cm3PerPulse float64) float64 { return rateCM3Per100h / cm3PerPulse }

// RunHoursPerPulse is the run-hours between two pulses: 100*q/r.
func RunHoursPerPulse(rateCM3Per100h, cm3PerPulse float64) float64 {
	return 100 * cm3PerPulse / rateCM3Per100h
}
