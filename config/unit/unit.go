// Package unit holds the arithmetic of volumes, doses and feed rates. Names
// carry the units; conversions live only here.
//
// It imports nothing of ours. Start with [RateCM3Per100h] and
// [RunHoursOfReservoir].
package unit

// Densities of lubricants in g/cm3. Mineral-oil greases weigh 0.85 to 0.95
// (from memory; makers' data sheets agree); fluorinated ones reach 2.0. What
// lies outside the usual range is more often a slip than a grease.
const (
	DefaultDensityGPerCM3 = 0.90
	MinDensityGPerCM3     = 0.75
	MaxDensityGPerCM3     = 2.1
	LowUsualDensity       = 0.85
	HighUsualDensity      = 1.05
)
const HoursPerMonth = 730.5
