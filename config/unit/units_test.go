package unit_test

import (
	"math/big"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/config/unit"
)

// tell converts a decimal text.
func tell(t testing.TB, x, from, to string) string {
	t.Helper()
	u, ok := unit.Find(from)
	require.True(t, ok, from)
	v, ok := unit.Find(to)
	require.True(t, ok, to)
	require.True(t, u.Convertible(v), "%s %s", from, to)
	r, ok := new(big.Rat).SetString(x)
	require.True(t, ok)
	u.Convert(r, v)
	f, _ := r.Float64()
	return new(big.Float).SetPrec(200).SetFloat64(f).Text('g', 12)
}

func TestUnitsConvert(t *testing.T) {
	// NIST Special Publication 811, appendix B.8, 2008, to the figures given
	// there; the SI ones by definition.
	for _, c := range []struct{ x, from, to, want string }{
		{"0.7", "ml", "cm3", "0.7"}, {"0.0000007", "m3", "cm3", "0.7"}, {"0.0007", "l", "cm3", "0.7"}, {"700", "mm3", "cm3", "0.7"}, {"1", "in3", "cm3", "16.387064"},
		{"1.5", "kg", "g", "1500"}, {"1", "oz", "g", "28.349523125"}, {"1", "lb", "g", "453.59237"},
		{"451800", "s", "h", "125.5"}, {"7530", "min", "h", "125.5"}, {"12550", "h/100", "h", "125.5"}, {"2", "d", "h", "48"}, {"1500", "ms", "s", "1.5"}, {"125.5", "h", "s", "451800"},
		{"0.8", "/", "%", "80"}, {"80", "/100", "%", "80"}, {"0.8", "1", "%", "80"}, {"800", "/1000", "%", "80"},
		{"294.65", "K", "Cel", "21.5"}, {"70.7", "degF", "Cel", "21.5"}, {"-40", "°F", "Cel", "-40"}, {"0", "K", "Cel", "-273.15"},
		{"300000", "Pa", "bar", "3"}, {"300", "kPa", "bar", "3"}, {"0.3", "MPa", "bar", "3"}, {"3000", "hPa", "bar", "3"}, {"1", "psi", "Pa", "6894.75729317"},
		{"3600", "mV", "V", "3.6"}, {"15234", "1", "count", "15234"},
	} {
		require.Equal(t, c.want, tell(t, c.x, c.from, c.to), "%s %s in %s", c.x, c.from, c.to)
	}
}

func TestUnitsThatDoNotFit(t *testing.T) {
	for _, pair := range [][2]string{{"h", "cm3"}, {"g", "cm3"}, {"%", "count"}, {"bar", "V"}, {"Cel", "s"}, {"count", "h"}} {
		u, _ := unit.Find(pair[0])
		v, _ := unit.Find(pair[1])
		require.False(t, u.Convertible(v), pair)
	}
	for _, symbol := range []string{"", "H", "mPa", "MPA", "KG", "parsec", "%RH", "cm", "x"} {
		_, ok := unit.Find(symbol)
		require.False(t, ok, symbol)
	}
	require.False(t, unit.Unit{}.Convertible(unit.Unit{}))
}

// There and back again nothing is lost, whatever the units.
func TestConversionsAreExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := unit.Dimension(rapid.IntRange(int(unit.Volume), int(unit.Count)).Draw(t, "dimension"))
		symbols := unit.Symbols(d)
		u, _ := unit.Find(rapid.SampledFrom(symbols).Draw(t, "from"))
		v, _ := unit.Find(rapid.SampledFrom(symbols).Draw(t, "to"))
		x := big.NewRat(rapid.Int64().Draw(t, "x"), rapid.Int64Range(1, 1_000_000).Draw(t, "over"))
		y := new(big.Rat).Set(x)
		u.Convert(y, v)
		v.Convert(y, u)
		require.Zero(t, x.Cmp(y), "%s %s", u.Symbol, v.Symbol)
		u.ToBase(y)
		u.FromBase(y)
		require.Zero(t, x.Cmp(y))
	})
}
