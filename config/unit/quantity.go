package unit

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// ParseVolume reads a volume that a person typed, such as "125 cm3", "60ml" or
// "2 in3", in cm3. A bare number counts as cm3. A mass is refused: it takes a
// density, which belongs to the lubricant.
func ParseVolume(text string) (cm3 float64, err error) {
	return parse(text, "volume", map[string]float64{
		"": 1, "cm3": 1, "cm³": 1, "ccm": 1, "ml": 1, "l": 1000,
		"in3": CM3PerCubicInch, "floz": CM3PerUSFluidOunce,
	}, "cm3, ml, l, in3 or floz (US)")
}

// ParseMass reads a mass such as "45 g" or "1.5 oz", in g. A bare number counts
// as g.
func ParseMass(text string) (grams float64, err error) {
	return parse(text, "mass", map[string]float64{"": 1, "g": 1, "kg": 1000, "oz": GramsPerOunce, "lb": GramsPerPound}, "g, kg, oz or lb")
}

// ParseRate reads a feed rate such as "2.1 cm3/100h", in cm3 per 100
// run-hours. A bare number counts as that. Per day is refused: it takes the
// duty, which belongs to the machine.
func ParseRate(text string) (cm3Per100h float64, err error) {
	return parse(text, "feed rate", map[string]float64{
		"": 1, "cm3/100h": 1, "cm³/100h": 1, "ml/100h": 1, "cm3/h": 100, "ml/h": 100, "in3/100h": CM3PerCubicInch,
	}, "cm3/100h, cm3/h, ml/100h or in3/100h")
}

func parse(text, what string, units map[string]float64, remedy string) (float64, error) {
	squeezed := strings.ToLower(strings.Join(strings.Fields(text), ""))
	cut := len(squeezed)
	for i, r := range squeezed {
		if !strings.ContainsRune("+-.0123456789", r) {
			cut = i
			break
		}
	}
	value, err := strconv.ParseFloat(squeezed[:cut], 64)
	factor, ok := units[squeezed[cut:]]
	value *= factor
	if err != nil || !ok || math.IsInf(value, 0) || value < 0 {
		return 0, fmt.Errorf("%s %q: want a number, with a decimal point, in %s", what, text, remedy)
	}
	return value, nil
}
