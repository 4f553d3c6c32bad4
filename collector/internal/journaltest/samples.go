package journaltest

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"dwindle/collector/decode"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
)

// value is a reading with its own time, received two seconds later.
func value(device string, q reading.Quantity, at time.Time, v float64) reading.Reading {
	r := reading.Reading{Channel: reading.Channel{Device: device, Quantity: q}, At: at, Received: at.Add(2 * time.Second), FromDevice: true, Value: v}
	if q.Exact() {
		r.Count = int64(v)
	}
	return r
}

// counted is a reading of an exact count, flagged as the intake does it.
func counted(device string, q reading.Quantity, at time.Time, n int64) reading.Reading {
	r := value(device, q, at, float64(n))
	r.Count = n
	if n > 1<<53 {
		r.Flags = reading.Inexact
	}
	return r
}

// increment counts pulses under an id.
func increment(device, id string, at time.Time, n int64) reading.Reading {
	r := counted(device, reading.PulseIncrement, at, n)
	r.Key = id
	return r
}

// received gives the same reading as if it had come at another time.
func received(r reading.Reading, at time.Time) reading.Reading {
	r.Received = at
	return r
}

func flagged(r reading.Reading, f reading.Flags) reading.Reading {
	r.Flags |= f
	if f&reading.ReceiveTime != 0 {
		r.FromDevice = false
	}
	return r
}

func one(rs ...reading.Reading) func() []journal.Batch {
	return func() []journal.Batch { return []journal.Batch{batchOf(rs...)} }
}

func each(rs ...reading.Reading) func() []journal.Batch {
	return func() (out []journal.Batch) {
		for _, r := range rs {
			out = append(out, batchOf(r))
		}
		return out
	}
}

func minute(n int) time.Time { return t0.Add(time.Duration(n) * time.Minute) }

// hostile are ids that mean something to whoever takes them for more than
// names: quotes, escapes and interpolation of Flux, marks of line protocol, of
// CSV, of SQL and of JSON, letters that look alike, marks that are not seen. An
// increment's id may be any of them.
var hostile = []string{
	`a"b`, `a\`, `a\\`, `a\"b`, `a'b`, "a`b", `${r.device}`, `$${x}`, `a${`, `") |> drop(columns: ["_value"]) //`,
	`a,b`, `a=b`, `a b`, ` a`, `a `, `,`, `=`, `#a`, `#datatype`, `a;b`, `a|b`, `a/b`, `a%2Fb`, `%00`, `%`, `a\nb`, `a\tb`, `a\ b`, `a\,b`,
	"a\tb", "a\nb", "a\r\nb", "a\rb", "\n", "a\x01b", "a\x7fb", "a\u0085b", "a\u2028b", "\ufeffa", "a\u200bb",
	"'; DROP TABLE reading; --", `{"a":1}`, `null`, `true`, `0`, `-1`, `NaN`, `_value`, `_time`, `error`, `.`, `..`, `*`, `.*`, `^a$`, `(?i)a`,
	"Öl+", "O\u0308l+", "ßẞ", "İi", "Ω\u2126", "発電機", "👩\u200d🔧", "\u202eb", "\U0010ffff", strings.Repeat("long ", 60) + "x",
}

// names are those that a device could have if it came past the intake, which
// takes ASCII letters, digits and three marks: a series of InfluxDB can have
// neither control characters nor a backslash in its name.
func names() (out []string) {
	for _, id := range hostile {
		if !strings.ContainsFunc(id, func(r rune) bool { return r < ' ' || r == 0x7f || r == '\\' }) && utf8.RuneCountInString(id) <= decode.MaxID {
			out = append(out, id)
		}
	}
	return out
}

// flagsEnd is the bit after the last flag.
const flagsEnd = reading.Suspect << 1

// counts are around what a float64 and an int64 can hold.
var counts = []int64{0, 1, 1<<24 + 1, 1<<31 - 1, 1 << 32, 1<<53 - 1, 1 << 53, 1<<53 + 1, 1<<53 + 2, 1<<62 + 1, math.MaxInt64 - 1, math.MaxInt64}

// measures are floats that lose something where they are written carelessly.
var measures = []float64{
	0, math.Copysign(0, -1), 1, -1, 0.1, 0.1 + 0.2, 1.0 / 3, 120.00000000000001, 1e-9, 5e-324, 2.2250738585072014e-308, 1e21, 1e22, 1e23, 123456789012345680,
	1<<53 - 1, 1 << 53, 1<<53 + 2, 1e300, math.MaxFloat64, -math.MaxFloat64, math.Pi, 4.35, 0.000001, 9007199254740993,
}

// lags are from when a reading was to when it came; the intake bounds how far a
// device's clock may be ahead.
var lags = []time.Duration{0, time.Millisecond, -time.Millisecond, -4 * time.Minute, time.Hour, 5 * 365 * 24 * time.Hour}

var times = []time.Time{
	time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2020, 1, 1, 0, 0, 0, 1e6, time.UTC), time.Date(2024, 2, 29, 23, 59, 59, 999e6, time.UTC),
	time.Date(2026, 3, 29, 0, 59, 59, 999e6, time.UTC), time.Date(2026, 3, 29, 1, 0, 0, 0, time.UTC), time.Date(2038, 1, 19, 3, 14, 8, 1e6, time.UTC),
	time.Date(2199, 12, 31, 23, 59, 59, 999e6, time.UTC),
}

var quantities = []reading.Quantity{
	reading.RunRunning, reading.RunHours, reading.RunSeconds, reading.PulseCount, reading.PulseIncrement, reading.DoseCM3, reading.DoseStrokes,
	reading.LevelCM3, reading.LevelPercent, reading.LevelGrams, reading.LevelCountLeft, reading.StatusTempC, reading.StatusBar, reading.StatusVolt, reading.StatusOnline, reading.StatusEveryS,
}

// many gives 20,000 readings of one device: a dense channel, one with a burst
// within a second, increments several to a ms, one with a value in years.
func many() []journal.Batch {
	var rs []reading.Reading
	for i := range 12_000 {
		rs = append(rs, counted("d-1", reading.PulseCount, t0.Add(time.Duration(i)*7*time.Second+time.Duration(i%5)*time.Millisecond), int64(1000+i)))
	}
	for i := range 4_000 {
		rs = append(rs, value("d-1", reading.LevelCM3, minute(200).Add(time.Duration(i)*time.Millisecond), 120-float64(i)/100))
	}
	for i := range 3_996 {
		rs = append(rs, increment("d-1", fmt.Sprintf("%08x", uint32(i)*2654435761), minute(300).Add(time.Duration(i/8)*time.Millisecond), int64(1+i%3)))
	}
	for i := range 4 {
		rs = append(rs, value("d-1", reading.StatusBar, t0.AddDate(i-3, 0, 0), float64(i)))
	}
	var out []journal.Batch
	for some := range slices.Chunk(rs, 5000) {
		out = append(out, batchOf(some...))
	}
	return out
}
