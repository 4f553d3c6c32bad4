package decode

import (
	"math"
	"math/big"
	"strconv"
	"strings"

	"dwindle/config/mapping"
	"dwindle/config/unit"
)

// numeral gets the text of a numeric field in JSON form, in the field's unit.
// Where it was sent in another unit or is scaled, it is worked out exactly;
// exact says that a whole number is wanted.
func (f *fields) numeral(name string, exact bool) (string, bool) {
	v := f.present(name)
	if v == nil {
		return "", false
	}
	h := f.how
	if h == nil {
		h = &how{}
	}
	var text, symbol string
	switch v.kind {
	case numberValue:
		text = string(v.raw)
	case textValue:
		var ok bool
		if text, symbol, ok = numberText(v.text, h.decimal); !ok {
			f.keep(NotANumber, name, "text "+strconv.Quote(clip(v.text))+" is no plain number")
			return "", false
		}
		f.coerced++
	default:
		f.keep(NotANumber, name, "a number is expected")
		return "", false
	}
	if symbol != "" && h.unit != "" && !sameUnit(symbol, h.unit) {
		f.keep(BadUnit, name, strconv.Quote(clip(v.text))+" names another unit than "+h.unit)
		return "", false
	}
	if symbol == "" {
		symbol = h.unit
	}
	if symbol == "" && h.scale == nil {
		return text, true
	}
	return f.convert(name, text, symbol, h.scale, exact)
}

func sameUnit(a, b string) bool {
	u, ok := mapping.FindUnit(a)
	w, known := mapping.FindUnit(b)
	return ok && known && u.Same(w)
}

// convert scales a number and tells it in the field's own unit.
func (f *fields) convert(name, text, symbol string, scale *big.Rat, exact bool) (string, bool) {
	x, ok := decimal(text)
	if !ok {
		f.keep(Overflow, name, clip(text)+" is too large")
		return "", false
	}
	if scale != nil {
		x.Mul(x, scale)
	}
	if symbol != "" && !f.tell(name, x, symbol) {
		return "", false
	}
	if exact {
		if !x.IsInt() {
			f.keep(NotANumber, name, "it is no whole number, but "+x.FloatString(6))
			return "", false
		}
		return x.Num().String(), true
	}
	y, _ := x.Float64()
	if math.IsInf(y, 0) {
		f.keep(Overflow, name, clip(text)+" is too large")
		return "", false
	}
	return strconv.FormatFloat(y, 'g', -1, 64), true
}

// tell brings x from a unit into the field's own. A mass becomes a volume, or
// the other way round, by the density of the lubricant and nothing else.
func (f *fields) tell(name string, x *big.Rat, symbol string) bool {
	field, _ := mapping.FieldNamed(f.kind + "." + f.prefix + name)
	own, ok := unit.Find(field.Unit)
	sent, known := mapping.FindUnit(symbol)
	switch {
	case !ok || !known:
		f.keep(BadUnit, name, "unit "+strconv.Quote(clip(symbol))+" is not known")
		return false
	case sent.Convertible(own):
		sent.Convert(x, own)
		return true
	case sent.Dimension == unit.Mass && own.Dimension == unit.Volume, sent.Dimension == unit.Volume && own.Dimension == unit.Mass:
		density := new(big.Rat).SetFloat64(f.density)
		if f.density <= 0 || density == nil {
			f.keep(NoDensity, name, "sent in "+symbol+", and the lubricant's density is not known")
			return false
		}
		sent.ToBase(x)
		if sent.Dimension == unit.Mass {
			x.Quo(x, density)
		} else {
			x.Mul(x, density)
		}
		own.FromBase(x)
		return true
	}
	f.keep(BadUnit, name, symbol+" is "+sent.Dimension.String()+", not "+own.Dimension.String())
	return false
}

// decimal reads a number exactly. Beyond 64 characters or an exponent of 400
// it takes what floating point makes of it, so that no number is costly.
func decimal(text string) (*big.Rat, bool) {
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsInf(x, 0) || math.IsNaN(x) {
		return nil, false
	}
	if len(text) > 64 || x != 0 && math.Abs(x) < 1e-300 {
		r := new(big.Rat).SetFloat64(x)
		return r, r != nil
	}
	if x == 0 {
		return new(big.Rat), true
	}
	return new(big.Rat).SetString(text)
}

// numberText reads a number that was sent as text, with a unit behind it or
// without.
func numberText(text, decimals string) (number, symbol string, ok bool) {
	text = strings.TrimSpace(text)
	if plainNumber(text) {
		return text, "", true
	}
	if point, ok := decimalComma(text); ok {
		return point, "", true
	}
	cut := strings.LastIndexAny(text, "0123456789.") + 1
	if cut > 0 && cut < len(text) {
		if number, _, ok = numberText(text[:cut], decimals); ok {
			symbol = strings.TrimSpace(text[cut:])
			_, ok = mapping.FindUnit(symbol)
			return number, symbol, ok
		}
	}
	return "", "", false
}
