package unit

import (
	"math/big"
	"slices"
	"strings"
)

// Dimension is what a unit measures.
type Dimension uint8

// The dimensions. Units of different ones never convert; a mass becomes a
// volume only with the density of its lubricant.
const (
	NoDimension Dimension = iota
	Volume
	Mass
	Time
	Ratio
	Temperature
	Pressure
	Voltage
	Count
)

// String names the dimension.
func (d Dimension) String() string {
	return [...]string{"nothing", "a volume", "a mass", "a time", "a ratio", "a temperature", "a pressure", "a voltage", "a count"}[d]
}

// Unit is one of a closed list. A value x in it is (x+Offset)*Factor in the
// base unit of its dimension: cm3, g, s, 1, Cel, Pa, V, count.
type Unit struct {
	Symbol    string
	Dimension Dimension
	factor    *big.Rat
	offset    *big.Rat // nil: 0
}

// Definition of the units: exact, by the SI (BIPM, The International System
// of Units, 9th edition, 2019); inch, ounce and pound by the yard and pound
// agreement of 1959; psi is the pound-force per square inch with standard
// gravity, rounded to 1e-9 Pa. The first symbol is the one that is printed;
// those of RFC 8428 and RFC 8798 are among them where they have one.
var units = []struct {
	dimension Dimension
	factor    string
	offset    string
	symbols   string
}{
	{Volume, "1", "", "cm3 cm³ ccm cc ml mL"},
	{Volume, "1/1000", "", "mm3 mm³ ul uL µl µL μl μL"},
	{Volume, "1000", "", "l L dm3 dm³"},
	{Volume, "1000000", "", "m3 m³"},
	{Volume, "16.387064", "", "in3 in³"},
	{Mass, "1", "", "g"},
	{Mass, "1/1000", "", "mg"},
	{Mass, "1000", "", "kg"},
	{Mass, "28.349523125", "", "oz"},
	{Mass, "453.59237", "", "lb"},
	{Time, "1", "", "s sec secs second seconds"},
	{Time, "1/1000", "", "ms"},
	{Time, "1/1000000", "", "us µs μs"},
	{Time, "60", "", "min mins minute minutes"},
	{Time, "3600", "", "h hr hrs hour hours Std"},
	{Time, "86400", "", "d day days"},
	{Time, "36", "", "h/100"}, // hundredths of an hour: hour meters with two decimals and no point
	{Time, "360", "", "h/10"},
	{Ratio, "1/100", "", "% /100 percent pct"},
	{Ratio, "1/1000", "", "‰ /1000"},
	{Ratio, "1", "", "/"},
	{Temperature, "1", "", "Cel °C ℃ degC C"},
	{Temperature, "1", "-273.15", "K"},
	{Temperature, "5/9", "-32", "degF °F ℉ F"},
	{Pressure, "1", "", "Pa"},
	{Pressure, "100000", "", "bar"},
	{Pressure, "100", "", "hPa mbar"},
	{Pressure, "1000", "", "kPa"},
	{Pressure, "1000000", "", "MPa"},
	{Pressure, "6894.757293168", "", "psi"},
	{Voltage, "1", "", "V"},
	{Voltage, "1/1000", "", "mV"},
	{Count, "1", "", "count counts 1 pulses strokes pcs"},
}

var bySymbol = func() map[string]Unit {
	out := map[string]Unit{}
	for _, u := range units {
		symbols := strings.Fields(u.symbols)
		unit := Unit{Symbol: symbols[0], Dimension: u.dimension, factor: rational(u.factor)}
		if u.offset != "" {
			unit.offset = rational(u.offset)
		}
		for _, s := range symbols {
			out[s] = unit
		}
	}
	return out
}()

func rational(text string) *big.Rat {
	r, ok := new(big.Rat).SetString(text)
	if !ok {
		return new(big.Rat) // the table is tested
	}
	return r
}

// Find gives a unit by one of its symbols, case counts: mPa is no MPa.
func Find(symbol string) (Unit, bool) {
	u, ok := bySymbol[symbol]
	return u, ok
}

// Symbols lists the first symbol of each unit of a dimension.
func Symbols(d Dimension) (out []string) {
	for _, u := range units {
		if u.dimension == d {
			out = append(out, strings.Fields(u.symbols)[0])
		}
	}
	return slices.Clip(out)
}

// Same says that the units are one.
func (u Unit) Same(v Unit) bool { return u.Symbol == v.Symbol }

// Convertible says that a value in u can be told in v. "1" counts as a ratio,
// too.
func (u Unit) Convertible(v Unit) bool {
	return u.Dimension != NoDimension && (u.Dimension == v.Dimension || u.Dimension == Count && v.Dimension == Ratio)
}

// ByDensity says that a value in u can be told in v once a density is known: one
// is a mass, the other a volume.
func (u Unit) ByDensity(v Unit) bool {
	return u.Dimension == Mass && v.Dimension == Volume || u.Dimension == Volume && v.Dimension == Mass
}

// Convert tells a value in u in v, exactly; x is changed. The units must be
// Convertible.
func (u Unit) Convert(x *big.Rat, v Unit) {
	u.ToBase(x)
	v.FromBase(x)
}

// ToBase tells a value in u in the base unit of its dimension; x is changed.
func (u Unit) ToBase(x *big.Rat) {
	if u.offset != nil {
		x.Add(x, u.offset)
	}
	x.Mul(x, u.factor)
}

// FromBase is the inverse of ToBase.
func (u Unit) FromBase(x *big.Rat) {
	x.Quo(x, u.factor)
	if u.offset != nil {
		x.Sub(x, u.offset)
	}
}
