package schema_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/collector/influx/schema"
	"dwindle/collector/reading"
	"dwindle/config/civil"
)

var at = time.Date(2026, 3, 2, 8, 0, 0, 250e6, time.UTC)

// back reads lines and makes a reading of each.
func back(t require.TestingT, lines []byte) (out []reading.Reading) {
	require.NoError(t, schema.Parse(lines, func(r *schema.Record) error {
		got, err := schema.ReadingOf(r)
		out = append(out, got)
		return err
	}))
	return out
}

// idText draws ids that are carried: those of the contract and stranger ones.
func idText() *rapid.Generator[string] {
	return rapid.OneOf(rapid.StringMatching(`[A-Za-z0-9._-]{1,64}`), rapid.StringMatching(`[ -\[\]-~äß油€😀]{1,30}`))
}

// drawn draws a reading as the journal gives it.
func drawn(t *rapid.T) reading.Reading {
	q := rapid.SampledFrom(schema.Quantities()).Draw(t, "quantity")
	when := time.UnixMilli(rapid.Int64Range(time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC).UnixMilli(), time.Date(2199, 12, 31, 0, 0, 0, 0, time.UTC).UnixMilli()).Draw(t, "at")).UTC()
	r := reading.Reading{
		Channel: reading.Channel{Device: idText().Draw(t, "device"), Quantity: q}, At: when,
		Received:   when.Add(time.Duration(rapid.Int64Range(-300_000, 1e11).Draw(t, "lag")) * time.Millisecond),
		FromDevice: rapid.Bool().Draw(t, "own"),
		Flags:      reading.Flags(rapid.Uint32Range(0, 1<<16-1).Draw(t, "flags")) &^ (reading.ReceiveTime | reading.Inexact),
	}
	if !r.FromDevice {
		r.Flags |= reading.ReceiveTime
	}
	if q.Exact() {
		r.Count = rapid.OneOf(rapid.Int64(), rapid.Int64Range(1<<53-3, 1<<53+3), rapid.Int64Range(0, 1000)).Draw(t, "count")
		r.Value = float64(r.Count)
		if r.Count > 1<<53 || r.Count < -1<<53 {
			r.Flags |= reading.Inexact // as the intake does
		}
	} else {
		r.Value = rapid.OneOf(rapid.Float64(), rapid.SampledFrom([]float64{math.Copysign(0, -1), math.MaxFloat64, math.SmallestNonzeroFloat64, 1 << 53, 1e21, 0.1})).Draw(t, "value")
	}
	if q == reading.PulseIncrement {
		r.Key = rapid.OneOf(rapid.StringN(1, 40, 128), rapid.SampledFrom([]string{`"`, `"a"`, `\`, "a\nb", "\x00", "a\r\n\t", `\n`, " "})).Draw(t, "key")
	}
	return r
}

func TestReadingsComeBackToTheLastBit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want, site := drawn(t), idText().Draw(t, "site")
		line, err := schema.Append(nil, site, want)
		require.NoError(t, err)
		require.Equal(t, 1, strings.Count(string(line), "\n"), "one line: %q", line)
		got := back(t, line)
		require.Len(t, got, 1)
		require.Equal(t, want, got[0])
		require.Equal(t, math.Signbit(want.Value), math.Signbit(got[0].Value))
		again, err := schema.Append(nil, site, got[0])
		require.NoError(t, err)
		require.Equal(t, string(line), string(again), "the same again is the same line")
	})
}

// What a device's time rests on follows from its flag, as in the journal.
func TestWhoseTimeItIsFollowsFromTheFlag(t *testing.T) {
	r := hours()
	r.FromDevice = false
	line, err := schema.Append(nil, "terminal", r)
	require.NoError(t, err)
	got := back(t, line)[0]
	require.False(t, got.FromDevice)
	require.Equal(t, reading.ReceiveTime, got.Flags)
	r.FromDevice, r.Flags = true, reading.ReceiveTime|reading.Gap
	line, err = schema.Append(nil, "terminal", r)
	require.NoError(t, err)
	require.Equal(t, reading.Gap, back(t, line)[0].Flags)
}

func TestFactsComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := reading.Fact{
			ID: rapid.StringN(1, 60, 128).Draw(t, "id"), Kind: reading.FactChange,
			Device: rapid.SampledFrom([]string{"", "disp-007", "ä b"}).Draw(t, "device"), Point: "elev1-head",
			At: at.Add(time.Duration(rapid.IntRange(-1e9, 1e9).Draw(t, "ms")) * time.Millisecond), Received: at,
			Note: rapid.String().Draw(t, "note"),
		}
		f.VolumeCM3 = new(rapid.Float64Range(0, 500).Draw(t, "volume"))
		stored := reading.StoredFact{Fact: f, Until: f.At.Add(time.Duration(rapid.IntRange(0, 1e9).Draw(t, "confirmed")) * time.Millisecond), Person: rapid.Bool().Draw(t, "person")}
		line, err := schema.NewEncoder("terminal").StoredFact(nil, &stored)
		require.NoError(t, err)
		n := 0
		require.NoError(t, schema.Parse(line, func(r *schema.Record) error {
			n++
			got, err := schema.FactOf(r)
			require.NoError(t, err)
			f.Note = strings.ToValidUTF8(f.Note, "�")
			require.Equal(t, f, got)
			besides, err := schema.StoredFactOf(r)
			require.NoError(t, err)
			stored.Fact = f
			require.Equal(t, stored, besides)
			return nil
		}))
		require.Equal(t, 1, n)
	})
}

func TestChangeFeedAndCalibrationComeBack(t *testing.T) {
	ch := reading.Channel{Device: "disp-007", Quantity: reading.PulseCount}
	lines, err := schema.AppendRange(nil, "terminal", ch, at, at.Add(time.Hour), at.Add(2*time.Hour+123))
	require.NoError(t, err)
	lines, err = schema.AppendRange(lines, "terminal", reading.Channel{Quantity: schema.FactChannel}, at, at, at.Add(time.Hour))
	require.NoError(t, err)
	var got []schema.Changed
	require.NoError(t, schema.Parse(lines, func(r *schema.Record) error {
		c, err := schema.ChangedOf(r)
		got = append(got, c)
		return err
	}))
	require.Equal(t, []schema.Changed{
		{Channel: ch, From: at, To: at.Add(time.Hour), Sent: at.Add(2*time.Hour + 123)},
		{Channel: reading.Channel{Quantity: schema.FactChannel}, From: at, To: at, Sent: at.Add(time.Hour)},
	}, got)

	want := schema.Calibration{Version: "2026-03-01.2", Learned: civil.New(2026, 3, 1), Stored: at, Body: []byte(`{"a":[1.5,"x\n"]}`)}
	lines, err = schema.AppendCalibration(nil, "terminal", want)
	require.NoError(t, err)
	require.NoError(t, schema.Parse(lines, func(r *schema.Record) error {
		got, err := schema.CalibrationOf(r)
		require.Equal(t, want, got)
		return err
	}))
	_, err = schema.AppendCalibration(nil, "terminal", schema.Calibration{Version: "1", Stored: at, Body: []byte("{")})
	require.ErrorIs(t, err, schema.ErrRefused)
}

func hours() reading.Reading {
	return reading.Reading{Channel: reading.Channel{Device: "elev1", Quantity: reading.RunHours}, At: at, Received: at.Add(time.Second), FromDevice: true, Value: 120.5}
}

func increment(key string, n int64) reading.Reading {
	r := hours()
	r.Device, r.Quantity, r.Key, r.Count, r.Value = "disp-007", reading.PulseIncrement, key, n, float64(n)
	return r
}

func TestLinesAsTheyAreWritten(t *testing.T) {
	lines, err := schema.Append(nil, "terminal", hours())
	require.NoError(t, err)
	lines, err = schema.Append(lines, "terminal", increment("a 1", 3))
	require.NoError(t, err)
	big := increment("", 1<<53+1)
	big.Quantity = reading.PulseCount
	lines, err = schema.Append(lines, "terminal", big)
	require.NoError(t, err)
	want := "run,channel=hours,device=elev1,site=terminal hours=120.5,lag_ms=1000i,flags=0i 1772438400250000000\n" +
		fmt.Sprintf("pulse,channel=pulses,device=disp-007,site=terminal pulses=3,lag_ms=1000i,flags=0i,key=\"a 1\" %d\n", at.UnixNano()+int64(schema.Slot("a 1"))) +
		"pulse,channel=count,device=disp-007,site=terminal count=9.007199254740992e+15,lag_ms=1000i,flags=8192i,exact=9007199254740993i 1772438400250000000\n"
	require.Equal(t, want, string(lines))
}

// FNV-1a, 32 bits, of "a" is e40c292c and of "foobar" bf9cf968 (G. Fowler,
// L. C. Noll, K.-P. Vo, D. Eastlake, "The FNV Non-Cryptographic Hash Algorithm",
// Internet-Draft, 2012, appendix C).
func TestSlots(t *testing.T) {
	require.EqualValues(t, 0xe40c292c%1_000_000, schema.Slot("a"))
	require.EqualValues(t, 0xbf9cf968%1_000_000, schema.Slot("foobar"))
}

func TestWhatIsRefused(t *testing.T) {
	for _, tc := range []struct {
		name string
		make func(r *reading.Reading)
		why  string
	}{
		{"not a number", func(r *reading.Reading) { r.Value = math.NaN() }, "not a finite number"},
		{"infinite", func(r *reading.Reading) { r.Value = math.Inf(-1) }, "not a finite number"},
		{"1970", func(r *reading.Reading) { r.At = time.UnixMilli(37) }, "before 2020"},
		{"just before 2020", func(r *reading.Reading) { r.At = time.Date(2019, 12, 31, 23, 59, 59, 999e6, time.UTC) }, "before 2020"},
		{"ahead", func(r *reading.Reading) { r.At = r.Received.Add(5*time.Minute + time.Millisecond) }, "ahead of when it was received"},
		{"in 2200", func(r *reading.Reading) { r.At = time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC); r.Received = r.At }, "ahead"},
		{"quantity", func(r *reading.Reading) { r.Quantity = "run.metres" }, "no such quantity"},
		{"no quantity", func(r *reading.Reading) { r.Quantity = "" }, "no such quantity"},
		{"key without increment", func(r *reading.Reading) { r.Key = "a" }, "increments have an id"},
		{"increment without key", func(r *reading.Reading) { r.Quantity = reading.PulseIncrement }, "increments have an id"},
		{"key of other bytes", func(r *reading.Reading) { r.Quantity, r.Key = reading.PulseIncrement, "\xff" }, "not text"},
		{"no device", func(r *reading.Reading) { r.Device = "" }, "id is missing"},
		{"long device", func(r *reading.Reading) { r.Device = strings.Repeat("ä", 65) }, "longer than 64"},
		{"line feed", func(r *reading.Reading) { r.Device = "a\nrun,site=x hours=1 1" }, "control characters"},
		{"nul", func(r *reading.Reading) { r.Device = "a\x00" }, "control characters"},
		{"backslash", func(r *reading.Reading) { r.Device = `a\` }, "does not come back"},
		{"other bytes", func(r *reading.Reading) { r.Device = "a\xff" }, "not text"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := hours()
			tc.make(&r)
			before := []byte("x\n")
			out, err := schema.Append(before, "terminal", r)
			require.ErrorIs(t, err, schema.ErrRefused)
			require.ErrorContains(t, err, tc.why)
			require.Equal(t, "x\n", string(out), "nothing of it is written")
		})
	}
	r := hours()
	r.At = r.Received.Add(5 * time.Minute)
	_, err := schema.Append(nil, "terminal", r)
	require.NoError(t, err, "as far ahead as the intake allows")
	_, err = schema.Append(nil, "", hours())
	require.ErrorIs(t, err, schema.ErrRefused)
}

// An encoder goes on after something that it refused.
func TestAnEncoderGoesOn(t *testing.T) {
	e := schema.NewEncoder("terminal")
	good, bad := hours(), hours()
	bad.Value = math.NaN()
	lines, err := e.Reading(nil, &good)
	require.NoError(t, err)
	lines, err = e.Reading(lines, &bad)
	require.Error(t, err)
	lines, err = e.Reading(lines, &good)
	require.NoError(t, err)
	require.Len(t, back(t, lines), 2)
}

// sameSlot finds ids that share a slot: some 1,200 random ones do.
func sameSlot(t *testing.T) (a, b string) {
	seen := map[time.Duration]string{}
	for i := range 100_000 {
		id := fmt.Sprintf("m-%d", i)
		if other, ok := seen[schema.Slot(id)]; ok {
			return other, id
		}
		seen[schema.Slot(id)] = id
	}
	t.Fatal("no two ids of one slot")
	return "", ""
}

func TestTwoIncrementsOfOneNanosecond(t *testing.T) {
	a, b := sameSlot(t)
	list := []reading.Reading{increment(a, 1), increment(b, 2), increment("other", 3)}
	slices.SortFunc(list, reading.Compare)
	write := func(list []reading.Reading) (times []time.Time, lines []byte, moved int) {
		e := schema.NewEncoder("terminal")
		for i := range list {
			var err error
			lines, err = e.Reading(lines, &list[i])
			require.NoError(t, err)
		}
		require.NoError(t, schema.Parse(lines, func(r *schema.Record) error {
			times = append(times, r.Time)
			if key := list[len(times)-1].Key; r.Time.Nanosecond()%1e6 != int(schema.Slot(key)) {
				moved++
			}
			return nil
		}))
		return times, lines, moved
	}
	times, lines, moved := write(list)
	require.Equal(t, list, back(t, lines), "all come back, at their millisecond")
	require.Equal(t, 1, moved, "but one is not at its own nanosecond")
	slices.SortFunc(times, time.Time.Compare)
	require.Len(t, slices.Compact(times), 3, "each has a nanosecond of its own")

	again, _, moved := write(slices.Insert(slices.Clone(list), 1, list[0]))
	require.Equal(t, again[0], again[1], "a repetition is the same point")
	require.Equal(t, 1, moved)
	other := increment(b, 2)
	other.Device = "disp-008"
	_, _, moved = write([]reading.Reading{increment(a, 1), other})
	require.Zero(t, moved, "series do not get in each other's way")
	later := increment(b, 2)
	later.At = later.At.Add(time.Millisecond)
	_, _, moved = write([]reading.Reading{increment(a, 1), later})
	require.Zero(t, moved, "nor do milliseconds")
}

// The last slot's neighbour is the first: a point never leaves its millisecond.
func TestManyIncrementsOfOneMillisecond(t *testing.T) {
	e := schema.NewEncoder("terminal")
	var lines []byte
	times, keys := map[int64]bool{}, map[string]bool{}
	const n = 5000
	for i := range n {
		r := increment(fmt.Sprintf("k%06d", i), 1)
		var err error
		lines, err = e.Reading(lines, &r)
		require.NoError(t, err)
	}
	require.NoError(t, schema.Parse(lines, func(r *schema.Record) error {
		got, err := schema.ReadingOf(r)
		require.True(t, got.At.Equal(at))
		times[r.Time.UnixNano()], keys[got.Key] = true, true
		return err
	}))
	require.Len(t, times, n)
	require.Len(t, keys, n)
}

// A count that was replaced by a smaller one leaves its field exact behind.
func TestAStaleExactCountDoesNotCount(t *testing.T) {
	set := func(flags int64, value float64) (reading.Reading, error) {
		r := &schema.Record{Measurement: "level", Device: "disp-007", Channel: "count_left", Time: at}
		for name, v := range map[string]any{"lag_ms": int64(0), "flags": flags, "exact": int64(1<<53 + 1), "count_left": value} {
			require.NoError(t, r.Set(name, v))
		}
		return schema.ReadingOf(r)
	}
	got, err := set(0, 12)
	require.NoError(t, err)
	require.EqualValues(t, 12, got.Count)
	got, err = set(int64(reading.Inexact), 1<<53)
	require.NoError(t, err)
	require.EqualValues(t, 1<<53+1, got.Count)
	_, err = set(0, 1<<60)
	require.ErrorContains(t, err, "without its field exact")
	_, err = set(0, 1.5)
	require.ErrorContains(t, err, "not whole")
}

func TestRecordsThatDoNotFit(t *testing.T) {
	whole := func() *schema.Record {
		r := &schema.Record{Measurement: "run", Device: "elev1", Channel: "hours", Time: at}
		require.NoError(t, r.Set("hours", 1.5))
		require.NoError(t, r.Set("lag_ms", int64(0)))
		require.NoError(t, r.Set("flags", int64(0)))
		return r
	}
	_, err := schema.ReadingOf(whole())
	require.NoError(t, err)
	r := whole()
	require.NoError(t, r.Set("somebody_elses", true), "others' fields are passed over")
	require.ErrorContains(t, r.Set("hours", int64(3)), "should be a float")
	require.ErrorContains(t, r.Set("flags", 3.0), "should be a integer")
	require.ErrorContains(t, r.Set("key", 3.0), "should be a string")
	for _, lacks := range []string{"hours", "lag_ms", "flags"} {
		r := &schema.Record{Measurement: "run", Device: "elev1", Channel: "hours", Time: at}
		for name, v := range map[string]any{"hours": 1.5, "lag_ms": int64(0), "flags": int64(0)} {
			if name != lacks {
				require.NoError(t, r.Set(name, v))
			}
		}
		_, err := schema.ReadingOf(r)
		require.ErrorContains(t, err, "missing", lacks)
	}
	r = whole()
	r.Channel = "metres"
	_, err = schema.ReadingOf(r)
	require.ErrorContains(t, err, "no such quantity")
	_, err = schema.FactOf(whole())
	require.Error(t, err)
	_, err = schema.ChangedOf(whole())
	require.Error(t, err)
	_, err = schema.CalibrationOf(whole())
	require.Error(t, err)
	_, err = schema.ForwardedOf(whole())
	require.Error(t, err)
}

// shape is what a line has: its tags and fields with their types.
func shape(t *testing.T, lines []byte) map[string]schema.Kind {
	kinds := map[lineprotocol.ValueKind]schema.Kind{lineprotocol.Float: schema.Float, lineprotocol.Int: schema.Integer, lineprotocol.String: schema.Text, lineprotocol.Bool: schema.Boolean}
	out := map[string]schema.Kind{}
	dec := lineprotocol.NewDecoderWithBytes(lines)
	for dec.Next() {
		_, err := dec.Measurement()
		require.NoError(t, err)
		for {
			key, _, err := dec.NextTag()
			require.NoError(t, err)
			if key == nil {
				break
			}
			out[string(key)] = schema.Tag
		}
		for {
			key, v, err := dec.NextField()
			require.NoError(t, err)
			if key == nil {
				break
			}
			if was, ok := out[string(key)]; ok {
				require.Equal(t, was, kinds[v.Kind()], "field %s has one type", key)
			}
			out[string(key)] = kinds[v.Kind()]
		}
		_, err = dec.TimeBytes()
		require.NoError(t, err)
	}
	require.NoError(t, dec.Err())
	return out
}

// full is a row of a daily measurement with everything in it.
func full(m schema.Measurement) map[string]any {
	row := map[string]any{}
	for _, c := range m.Columns {
		switch {
		case c.Name == "site" || c.Name == "channel" || c.Name == "device" || c.Name == "missing" || strings.HasPrefix(c.Name, "days_to_"):
		case c.Unit == "ISO 8601":
			row[c.Name] = "2026-04-01"
		case slices.Contains([]string{"notices", "response", "children", "suppressed_by"}, c.Name):
			row[c.Name] = []string{"one", "two"}
		case c.Kind == schema.Float:
			row[c.Name] = 1
		default:
			row[c.Name] = "word"
		}
	}
	switch m.Name {
	case schema.Usage:
		row["dispenser"] = "disp-007"
	case schema.Alarm:
		row["device"] = "disp-007"
	}
	return row
}

// The table is what is written: nothing more, nothing less, of those types.
func TestTheTableIsWhatIsWritten(t *testing.T) {
	lines := map[string][]byte{}
	add := func(name string, line []byte, err error) {
		require.NoError(t, err, name)
		lines[name] = append(lines[name], line...)
	}
	for _, q := range schema.Quantities() {
		r := hours()
		r.Quantity = q
		if q.Exact() {
			r.Count = 1<<53 + 1
		}
		if q == reading.PulseIncrement {
			r.Key = "a"
		}
		line, err := schema.Append(nil, "terminal", r)
		add(strings.Split(string(q), ".")[0], line, err)
	}
	line, err := schema.AppendFact(nil, "terminal", reading.Fact{ID: "f", Kind: reading.FactSwap, Device: "disp-007", At: at})
	add(schema.Fact, line, err)
	line, err = schema.AppendRange(nil, "terminal", hours().Channel, at, at, at)
	add(schema.Late, line, err)
	line, err = schema.AppendCalibration(nil, "terminal", schema.Calibration{Version: "1", Learned: civil.New(2026, 3, 1), Stored: at, Body: []byte("{}")})
	add(schema.Calibrated, line, err)
	line, err = schema.NewEncoder("terminal").Forwarded(nil, at, at)
	add(schema.Forwarded, line, err)
	for _, m := range schema.Measurements() {
		if m.Daily {
			line, err := schema.AppendDaily(nil, "terminal", m.Name, full(m), civil.New(2026, 3, 2), time.UTC)
			add(m.Name, line, err)
		}
	}
	require.Len(t, lines, len(schema.Measurements()))
	for _, m := range schema.Measurements() {
		want, names := map[string]schema.Kind{}, []string{}
		for _, c := range m.Columns {
			require.NotContains(t, want, c.Name, m.Name)
			require.NotEmpty(t, c.About, "%s %s", m.Name, c.Name)
			want[c.Name] = c.Kind
			if c.Kind == schema.Tag {
				names = append(names, c.Name)
				require.Contains(t, []string{"site", "device", "channel", "point"}, c.Name, "tags are ids of what stays")
			}
			if c.Kind == schema.Float {
				require.NotEmpty(t, c.Unit, "%s %s", m.Name, c.Name)
			}
		}
		require.True(t, slices.IsSorted(names), "%s: tags are written in order", m.Name)
		require.Equal(t, want, shape(t, lines[m.Name]), m.Name)
	}
}

func TestDailyRows(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	type row struct {
		Point        string      `json:"point"`
		Machine      string      `json:"machine"`
		RemainingCM3 *float64    `json:"remaining_cm3,omitempty"`
		EmptyP50     *civil.Date `json:"empty_p50,omitempty"`
		Notices      []string    `json:"notices,omitempty"`
		Withheld     string      `json:"withheld,omitempty"`
	}
	left, empty := 71.25, civil.New(2026, 4, 2)
	// The day after the clocks went forward: 22:00 UTC, not 23:00.
	line, err := schema.AppendDaily(nil, "terminal", schema.Forecast, row{"elev1-head", "elev1", &left, &empty, []string{"a", "b\nc"}, ""}, civil.New(2026, 3, 30), berlin)
	require.NoError(t, err)
	text := string(line)
	require.True(t, strings.HasPrefix(text, `forecast,point=elev1-head,site=terminal date="2026-03-30",machine="elev1",`), text)
	require.Contains(t, text, `,remaining_cm3=71.25,`)
	require.Contains(t, text, `,empty_p50="2026-04-02",days_to_empty_p50=3,`)
	require.Contains(t, text, `,notices="a; b c",`)
	require.Contains(t, text, `,withheld="-",`, "an empty text takes the place of one written before")
	require.NotContains(t, text, `,empty_p10="-",days_to`)
	require.Contains(t, text, `,missing="capacity_cm3 remaining_sd_cm3 `)
	require.Contains(t, text, ` days_to_empty_p10 `)
	require.True(t, strings.HasSuffix(text, fmt.Sprintf(" %d\n", time.Date(2026, 3, 29, 22, 0, 0, 0, time.UTC).UnixNano())), text)

	dispenser, err := schema.AppendDaily(nil, "terminal", schema.Usage, map[string]any{"dispenser": "disp-007", "point": "elev1-head", "machine": "elev1", "date": "2026-03-02", "seen": 1}, civil.New(2026, 3, 2), time.UTC)
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(string(dispenser), `usage,channel=dispenser,device=disp-007,site=terminal date="2026-03-02",point="elev1-head",machine="elev1",seen=1,`), string(dispenser))
	machine, err := schema.AppendDaily(nil, "terminal", schema.Usage, map[string]any{"machine": "elev1", "date": "2026-03-02", "run_hours": 7.5, "seen": 1}, civil.New(2026, 3, 2), time.UTC)
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(string(machine), `usage,channel=machine,device=elev1,site=terminal date="2026-03-02",point="-",machine="elev1",run_hours=7.5,seen=1,`), string(machine))

	// Alarms of one point and day are different points.
	times := map[int64]bool{}
	for _, id := range []string{"a-1", "a-2"} {
		line, err := schema.AppendDaily(nil, "terminal", schema.Alarm, map[string]any{"id": id, "type": "no_telemetry", "gateway": "gw-1"}, civil.New(2026, 3, 2), time.UTC)
		require.NoError(t, err)
		require.NoError(t, schema.Parse(line, func(r *schema.Record) error {
			times[r.Time.UnixNano()] = true
			require.Equal(t, "gw-1", r.Device)
			return nil
		}))
	}
	require.Len(t, times, 2)

	for name, tc := range map[string]struct {
		measurement string
		row         any
		why         string
	}{
		"no such measurement": {"weather", row{}, "no such daily measurement"},
		"readings":            {"run", row{}, "no such daily measurement"},
		"unknown name":        {schema.Forecast, map[string]any{"point": "p", "colour": "red"}, `no field "colour"`},
		"text for a figure":   {schema.Forecast, map[string]any{"point": "p", "duty_per_day": "much"}, "schema says float"},
		"figure for a text":   {schema.Forecast, map[string]any{"point": "p", "basis": 3}, "schema says string"},
		"no point":            {schema.Forecast, map[string]any{"basis": "plan"}, "is missing"},
		"no date":             {schema.Forecast, map[string]any{"point": "p", "empty_p50": "soon"}, "empty_p50"},
		"no object":           {schema.Forecast, []int{1}, "no object"},
		"alarm without id":    {schema.Alarm, map[string]any{"point": "p"}, "id is missing"},
	} {
		t.Run(name, func(t *testing.T) {
			out, err := schema.AppendDaily([]byte("x\n"), "terminal", tc.measurement, tc.row, civil.New(2026, 3, 2), time.UTC)
			require.ErrorIs(t, err, schema.ErrRefused)
			require.ErrorContains(t, err, tc.why)
			require.Equal(t, "x\n", string(out))
		})
	}
}

func TestAReadingAllocatesNothing(t *testing.T) {
	list := []reading.Reading{hours(), increment("b0a6f1", 3), increment(`"q`, 1<<53+1)}
	list[2].At = list[2].At.Add(time.Second)
	e := schema.NewEncoder("terminal")
	buf := make([]byte, 0, 4096)
	got := testing.AllocsPerRun(200, func() {
		buf = buf[:0]
		for i := range list[:2] {
			buf, _ = e.Reading(buf, &list[i])
		}
	})
	require.Zero(t, got)
	require.NotEmpty(t, buf)
}

func BenchmarkReading(b *testing.B) {
	list := []reading.Reading{hours(), increment("b0a6f1", 3)}
	e := schema.NewEncoder("terminal")
	var buf []byte
	b.ReportAllocs()
	for b.Loop() {
		buf = buf[:0]
		for i := range list {
			buf, _ = e.Reading(buf, &list[i])
		}
	}
	b.SetBytes(int64(len(buf)))
}
