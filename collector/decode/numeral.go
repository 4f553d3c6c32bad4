package decode

import (
	"errors"
	"math"
	"math/big"
	"strconv"
	"strings"

	"dwindle/config/mapping"
	"dwindle/config/unit"
)

// How a numeric field comes into the unit that it is kept in.

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
	var q quantity
	switch {
	case v.kind == numberValue && !(h.bare && h.decimal == "comma"):
		q.text = string(v.raw)
	case v.kind == numberValue, v.kind == textValue:
		text := v.text
		if v.kind == numberValue {
			text = string(v.raw)
		}
		var err error
		if q, err = readNumber(text, h.decimal, h.unit); err != nil {
			reason := NotANumber
			if errors.Is(err, errUnit) {
				reason = BadUnit
			}
			f.keep(reason, name, "text "+strconv.Quote(clip(text))+" "+err.Error())
			return "", false
		}
		if v.kind == textValue {
			f.coerced++
		}
	default:
		f.keep(NotANumber, name, "a number is expected")
		return "", false
	}
	switch {
	case q.symbol == "" && mapping.ClockUnit(h.unit) && strings.ContainsAny(q.text, ".e"):
		f.keep(NotANumber, name, clip(q.text)+" is no clock text such as 125:30; its decimals could be minutes or parts of an hour")
		return "", false
	case q.symbol == "":
		q.symbol = h.unit
	case h.unit != "" && q.exact == nil && !sameUnit(q.symbol, h.unit):
		f.keep(BadUnit, name, strconv.Quote(clip(v.text))+" names another unit than "+h.unit)
		return "", false
	}
	if q.symbol == "" && h.scale == nil {
		return q.text, true
	}
	return f.convert(name, q, h.scale, exact)
}

func sameUnit(a, b string) bool {
	u, ok := mapping.FindUnit(a)
	w, known := mapping.FindUnit(b)
	return ok && known && u.Same(w)
}

// convert scales a number and tells it in the field's own unit.
func (f *fields) convert(name string, q quantity, scale *big.Rat, exact bool) (string, bool) {
	x, ok := q.exact, q.exact != nil
	if !ok {
		x, ok = decimal(q.text)
	}
	if !ok {
		f.keep(Overflow, name, clip(q.text)+" is too large")
		return "", false
	}
	if scale != nil {
		x.Mul(x, scale)
	}
	if q.symbol != "" && !f.tell(name, x, q.symbol) {
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
		f.keep(Overflow, name, clip(q.text)+" is too large")
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
	case sent.ByDensity(own):
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
