package decode

import (
	"errors"
	"math"
	"math/big"
	"regexp"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"dwindle/config/mapping"
	"dwindle/config/unit"
)

// How a number in a text is read. The text is the whole value; one rule or
// another must take all of it, else it is refused and never guessed at.
//
//  1. Around it blanks of any width, zero bytes, marks of byte order and one
//     pair of quotes mean nothing. Full-width digits and signs are digits and
//     signs; the minus of typography is a minus.
//  2. A sign, digits, at most one decimal sign, an exponent (e, E, or x10^).
//     Leading zeros are those of an hour meter.
//  3. Digits may stand in groups of three, parted by blanks (ISO 80000-1:2022,
//     section 7.3), by apostrophes, or by whichever of point and comma is not
//     the decimal sign.
//  4. With both point and comma the later one is the decimal sign. One that
//     stands twice parts groups. A single point is the decimal sign. A single
//     comma is, unless it could part a group as well, as in 1,234: that is
//     refused. Where the mapping says which is the decimal sign, it is, and the
//     other parts groups.
//  5. Behind it may stand a unit of the closed list in config/unit; several
//     with falling units of time add up, as in 125 h 30 min.
//  6. A time may be a clock text: 125:30:00 is h:mm:ss. 125:30 could be h:mm or
//     min:ss and is read only where the unit is given, as h:mm or h:mm:ss. It
//     may also be a duration of ISO 8601, such as PT125H30M.
//
// Hexadecimal, fractions, ranges and words are no numbers.

// quantity is a number in a text, with its unit where it names one.
type quantity struct {
	text   string   // decimal, as JSON writes it, but for leading zeros and plus
	exact  *big.Rat // instead of text: worked out of several
	symbol string
}

var (
	errNoNumber  = errors.New("is no plain number")
	errAmbiguous = errors.New("could be a decimal comma or thousands; give decimal: in the mapping")
	errUnit      = errors.New("holds a unit that is not known")
	errClock     = errors.New("could be hours or minutes; give unit: h:mm in the mapping")
)

// longestNumber bounds the texts that are looked at, bytes.
const longestNumber = 64

// readNumber reads a number in a text. decimals is point, comma or empty, sent
// the unit that the mapping gives.
func readNumber(text, decimals, sent string) (quantity, error) {
	if len(text) > 4*longestNumber {
		return quantity{}, errNoNumber
	}
	text = ordinary(text)
	if text == "" || len(text) > longestNumber {
		return quantity{}, errNoNumber
	}
	if strings.Contains(text, ":") {
		return readClock(text, sent)
	}
	if q, ok := readDuration(text); ok {
		return q, nil
	}
	q, rest, err := leadingNumber(text, decimals)
	if err != nil || rest == "" {
		return q, err
	}
	symbol, rest := leadingUnit(rest)
	u, known := mapping.FindUnit(symbol)
	if !known && likeUnit(symbol) {
		return quantity{}, errUnit
	} else if !known {
		return quantity{}, errNoNumber
	}
	q.symbol = symbol
	if rest == "" {
		return q, nil
	}
	return addTimes(q, u, rest, decimals)
}

// ordinary writes a text with ordinary characters and without what means
// nothing around it.
func ordinary(text string) string {
	text = strings.TrimFunc(text, blank)
	if n := len(text); n > 2 && (text[0] == '"' || text[0] == '\'') && text[n-1] == text[0] {
		text = strings.TrimFunc(text[1:n-1], blank)
	}
	return strings.Map(func(r rune) rune {
		switch {
		case r >= '\uFF01' && r <= '\uFF5E': // full-width forms of ASCII
			return r - 0xFF01 + '!'
		case r == '\u2212' || r == '\uFE63': // minus sign, small hyphen-minus
			return '-'
		case r == '\u2019' || r == '\u02BC': // apostrophes
			return '\''
		case unicode.IsSpace(r): // no-break, thin, figure and ideographic spaces among them
			return ' '
		}
		return r
	}, text)
}

var power = regexp.MustCompile(`^ ?(?:[x*×·] ?10\^|[eE])([+-]?[0-9]{1,4})`)

// leadingNumber reads a number at the beginning of a text and gives what
// stands behind it.
func leadingNumber(text, decimals string) (q quantity, rest string, err error) {
	sign := ""
	if text[0] == '+' || text[0] == '-' {
		if text[0] == '-' {
			sign = "-"
		}
		text = strings.TrimLeft(text[1:], " ")
	}
	end := 0
	for end < len(text) && (isDigit(text[end]) || strings.IndexByte(".,'", text[end]) >= 0 ||
		text[end] == ' ' && end > 0 && isDigit(text[end-1]) && groupFollows(text[end+1:])) {
		end++
	}
	body, err := plainDigits(text[:end], decimals)
	if err != nil {
		return q, "", err
	}
	rest = text[end:]
	if m := power.FindStringSubmatch(rest); m != nil {
		body += "e" + m[1]
		rest = rest[len(m[0]):]
		if rest != "" && isDigit(rest[0]) {
			return q, "", errNoNumber
		}
	}
	q.text = sign + body
	return q, strings.TrimLeft(rest, " "), nil
}

// groupFollows says that just three digits stand next.
func groupFollows(text string) bool {
	return len(text) >= 3 && isDigit(text[0]) && isDigit(text[1]) && isDigit(text[2]) && (len(text) == 3 || !isDigit(text[3]))
}

// plainDigits takes the signs that part groups out of digits and makes the
// decimal sign a point.
func plainDigits(text, decimals string) (string, error) {
	points, commas := strings.Count(text, "."), strings.Count(text, ",")
	decimal := byte('.')
	switch {
	case decimals == "comma":
		decimal = ','
	case decimals == "point" || commas == 0:
		if decimals == "" && points > 1 {
			decimal = 0
		}
	case points > 0:
		if strings.LastIndexByte(text, ',') > strings.LastIndexByte(text, '.') {
			decimal = ','
		}
	case commas > 1:
	default:
		whole, part, _ := strings.Cut(text, ",")
		if len(part) == 3 && len(whole) > 0 && len(whole) <= 3 && whole[0] != '0' {
			return "", errAmbiguous
		}
		decimal = ','
	}
	whole, part := text, ""
	if i := strings.IndexByte(text, decimal); decimal != 0 && i >= 0 {
		whole, part = text[:i], text[i+1:]
	}
	if !allDigits(part) || whole == "" && part == "" {
		return "", errNoNumber
	}
	whole, ok := withoutGroups(whole)
	if !ok {
		return "", errNoNumber
	}
	if whole == "" {
		whole = "0"
	}
	if part != "" {
		whole += "." + part
	}
	return whole, nil
}

func allDigits(text string) bool {
	for i := range len(text) {
		if !isDigit(text[i]) {
			return false
		}
	}
	return true
}

// withoutGroups takes the signs between groups of three digits out. All must
// be the same, and the first group must not be longer or empty.
func withoutGroups(text string) (string, bool) {
	i := strings.IndexAny(text, ".,' ")
	if i < 0 {
		return text, true
	}
	groups := strings.Split(text, text[i:i+1])
	if len(groups[0]) == 0 || len(groups[0]) > 3 || groups[0][0] == '0' {
		return "", false
	}
	for n, g := range groups {
		if !allDigits(g) || n > 0 && len(g) != 3 {
			return "", false
		}
	}
	return strings.Join(groups, ""), true
}

// leadingUnit takes the unit off the beginning of a text: up to the next number.
func leadingUnit(text string) (symbol, rest string) {
	for i := 1; i < len(text); i++ {
		if text[i] == ' ' && i+1 < len(text) && (isDigit(text[i+1]) || text[i+1] == '.') {
			return text[:i], text[i+1:]
		}
		// In 125h30min nothing parts them; the digits of cm3 and h/100 end it.
		if isDigit(text[i]) {
			if _, known := mapping.FindUnit(text[:i]); known && !allDigits(text[i:]) {
				return text[:i], text[i:]
			}
		}
	}
	return text, ""
}

// likeUnit says that a text could be a unit, of a list longer than ours.
func likeUnit(symbol string) bool {
	r, _ := utf8.DecodeRuneInString(symbol)
	return (unicode.IsLetter(r) || strings.ContainsRune("%°‰", r)) && !strings.ContainsAny(strings.TrimRight(symbol, "23"), "0123456789_")
}

// addTimes adds further numbers with smaller units of time.
func addTimes(first quantity, u unit.Unit, rest, decimals string) (quantity, error) {
	sum, ok := decimal(first.text)
	if !ok || u.Dimension != unit.Time || strings.HasPrefix(first.text, "-") {
		return quantity{}, errNoNumber
	}
	u.ToBase(sum)
	for rest != "" {
		q, after, err := leadingNumber(rest, decimals)
		if err != nil || after == "" {
			return quantity{}, errNoNumber
		}
		var symbol string
		symbol, rest = leadingUnit(after)
		next, known := mapping.FindUnit(symbol)
		x, ok := decimal(q.text)
		if !known || !ok || x.Sign() < 0 || next.Dimension != unit.Time || !smaller(next, u) {
			return quantity{}, errNoNumber
		}
		next.ToBase(x)
		sum.Add(sum, x)
		u = next
	}
	return quantity{exact: sum, symbol: "s"}, nil
}

// smaller compares two units of time.
func smaller(a, b unit.Unit) bool {
	x, y := big.NewRat(1, 1), big.NewRat(1, 1)
	a.ToBase(x)
	b.ToBase(y)
	return x.Cmp(y) < 0
}

var clockText = regexp.MustCompile(`^([0-9]{1,9}):([0-5]?[0-9])(?::([0-5]?[0-9](?:\.[0-9]{1,9})?))?(?: ?(h|hrs?|hours?|h:mm|h:mm:ss))?$`)

// readClock reads a time that has passed, as a clock would show it.
func readClock(text, sent string) (quantity, error) {
	m := clockText.FindStringSubmatch(text)
	if m == nil {
		return quantity{}, errNoNumber
	}
	if m[3] == "" && m[4] == "" && !mapping.ClockUnit(sent) {
		return quantity{}, errClock
	}
	return quantity{exact: addUp("", m[1], m[2], m[3]), symbol: "s"}, nil
}

// addUp adds days, hours, minutes and seconds up, in s. They were matched, so
// that they are numbers, or empty where they are left out.
func addUp(d, h, m, s string) *big.Rat {
	sum := new(big.Rat)
	for i, part := range [...]string{d, h, m, s} {
		if x, ok := new(big.Rat).SetString(strings.Replace(part, ",", ".", 1)); ok {
			sum.Add(sum, x.Mul(x, big.NewRat([...]int64{86400, 3600, 60, 1}[i], 1)))
		}
	}
	return sum
}

var isoDuration = regexp.MustCompile(`^[Pp](?:([0-9]{1,7})[Dd])?(?:[Tt](?:([0-9]{1,9}(?:[.,][0-9]{1,9})?)[Hh])?(?:([0-9]{1,9}(?:[.,][0-9]{1,9})?)[Mm])?(?:([0-9]{1,12}(?:[.,][0-9]{1,9})?)[Ss])?)?$`)

// readDuration reads a duration of ISO 8601 (ISO 8601-1:2019, section 5.5.2)
// without years and months, whose length is not known.
func readDuration(text string) (quantity, bool) {
	m := isoDuration.FindStringSubmatch(text)
	if m == nil || m[1]+m[2]+m[3]+m[4] == "" {
		return quantity{}, false
	}
	return quantity{exact: addUp(m[1], m[2], m[3], m[4]), symbol: "s"}, true
}

// decimal reads a plain number exactly. Beyond 64 characters, or very near
// zero, it takes what floating point makes of it, so that no number is costly.
func decimal(text string) (*big.Rat, bool) {
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsInf(x, 0) || math.IsNaN(x) {
		return nil, false
	}
	if x == 0 {
		return new(big.Rat), true
	}
	if len(text) > longestNumber || math.Abs(x) < 1e-300 {
		r := new(big.Rat).SetFloat64(x)
		return r, r != nil
	}
	return new(big.Rat).SetString(text)
}
