package decode

import (
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestTimesInTexts(t *testing.T) {
	const want = "2026-11-25T07:00:00Z"
	for text, want := range map[string]string{
		"2026-11-25T07:00:00Z": want, "2026-11-25t07:00:00z": want, "2026-11-25 07:00:00Z": want, "2026-11-25T08:00:00+01:00": want, "2026-11-25T08:00:00+0100": want,
		"2026-11-25 08:00:00 +01:00": want, "2026-11-25 08:00:00+01": want, "2026-11-25T07:00Z": want, "20261125T070000Z": want, "20261125T0700Z": want, "2026-11-25T070000Z": want,
		"2026-11-25 07:00:00 UTC": want, "2026/11/25 07:00:00 GMT": want, "2026.11.25 07:00:00Z": want, "2026-11-25, 07:00:00Z": want, "2026-11-25_07:00:00Z": want, "2026-11-25 7:00:00Z": want,
		"2026-11-25T07:00:00.123Z": "2026-11-25T07:00:00.123Z", "2026-11-25T07:00:00,1234567891Z": "2026-11-25T07:00:00.123456789Z", "20261125T070000.5Z": "2026-11-25T07:00:00.5Z",
		"2026-11-25T08:00:00+01:00[Europe/Berlin]": want, "2026-11-25T24:00:00Z": "2026-11-26T00:00:00Z", "2026-12-31T23:59:60Z": "2027-01-01T00:00:00Z",
		"Wed, 25 Nov 2026 08:00:00 +0100": want, "Wed, 25 Nov 2026 07:00:00 GMT": want, "25 Nov 2026 07:00 UT": want, "25-Nov-2026 07:00:00Z": want, "Wed Nov 25 07:00:00 UTC 2026": want,
		"Wed Nov 25 2026 08:00:00 GMT+0100 (Central European Standard Time)": want, "Nov 25, 2026 7:00:00 AM UTC": want, "November 25, 2026, 07:00 PM UTC": "2026-11-25T19:00:00Z",
		"Wednesday, 25-Nov-2026 07:00:00 GMT": want, "/Date(1795590000000)/": want, "/Date(1795590000000+0100)/": want, "2026-11-25T12:30:00+05:30": want,
		// Local ones, as if they were UTC.
		"2026-11-25 07:00:00": "local " + want, "2026-11-25T07:00": "local " + want, "2026-11-25 07:00:00.123": "local 2026-11-25T07:00:00.123Z", "20261125070000": "local " + want,
		"20261125070000123": "local 2026-11-25T07:00:00.123Z", "202611250700": "local " + want, "25-NOV-2026 07:00:00": "local " + want, "Wed Nov 25 07:00:00 2026": "local " + want, "Wed Nov  5 07:00:00 2026": "local 2026-11-05T07:00:00Z",
		"2026-11-25 12:00:00 am": "local 2026-11-25T00:00:00Z", "2026-11-25 12:00:00 p.m.": "local 2026-11-25T12:00:00Z",
		// Guesses and nonsense.
		"25.11.2026 07:00:00": "", "11/25/2026 07:00:00": "", "05-11-2026 07:00": "", "25 Nov 26 07:00 UTC": "", "2026-11-25": "", "07:00:00": "", "2026-11-25T07:00:00 CET": "", "2026-11-25T07:00:00 EST": "",
		"2026-02-29T07:00:00Z": "", "2026-13-01T07:00:00Z": "", "2026-11-31T07:00:00Z": "", "2026-00-10T07:00:00Z": "", "2026-11-25T24:00:01Z": "", "2026-11-25T25:00:00Z": "", "2026-11-25T07:60:00Z": "",
		"2026-11-25T07:00:61Z": "", "2026-11-25 13:00 PM": "", "2026-11-25 00:30 AM": "", "2026-11-25T07:00:00+25:00": "", "2026-11-25T07:00:00Z+01:00": "", "2026-11-25 07:00:00[Europe/Berlin]": "",
		"2026-11/25 07:00": "", "2026-11-25T07:00:00Z tail": "", "2026-11-25T07": "", "/Date(99999999999999999)/": "",
	} {
		at, zoned, ok := readTimeText(text)
		got := ""
		if ok {
			got = at.UTC().Format(time.RFC3339Nano)
			if !zoned {
				got = "local " + got
			}
		}
		require.Equal(t, want, got, text)
	}
}

// The standard library's own layouts come out as they went in.
func TestTimesOfTheStandardLibrary(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	rapid.Check(t, func(t *rapid.T) {
		at := time.Unix(rapid.Int64Range(1_577_836_800, 4_000_000_000).Draw(t, "s"), 0).In(rapid.SampledFrom([]*time.Location{time.UTC, berlin}).Draw(t, "zone"))
		for _, layout := range []string{time.RFC3339, time.RFC3339Nano, time.RFC1123Z, "2006-01-02 15:04:05Z07:00", "20060102T150405Z0700", "02 Jan 2006 15:04:05 -0700", "Mon Jan 2 15:04:05 -0700 2006", "Jan 2, 2006 3:04:05 PM -0700"} {
			got, zoned, ok := readTimeText(at.Format(layout))
			require.True(t, ok && zoned, at.Format(layout))
			require.True(t, got.Equal(at), "%s: %v", at.Format(layout), got)
		}
		local, zoned, ok := readTimeText(at.Format(time.ANSIC))
		require.True(t, ok && !zoned)
		require.Equal(t, at.Format(time.ANSIC), local.Format(time.ANSIC))
	})
}

func TestLocalTimesInAZone(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	for _, c := range []struct{ local, received, want string }{
		{"2026-07-01T12:00:00Z", "2026-07-01T10:00:00Z", "2026-07-01T10:00:00Z"},
		{"2026-12-01T12:00:00Z", "2026-12-01T11:00:00Z", "2026-12-01T11:00:00Z"},
		// 2026-10-25: 03:00 summer time is 02:00 standard time.
		{"2026-10-25T02:30:00Z", "2026-10-25T00:31:00Z", "2026-10-25T00:30:00Z"},
		{"2026-10-25T02:30:00Z", "2026-10-25T01:31:00Z", "2026-10-25T01:30:00Z"},
		{"2026-10-25T01:59:59Z", "2026-10-25T01:31:00Z", "2026-10-24T23:59:59Z"},
		{"2026-10-25T03:00:00Z", "2026-10-25T02:31:00Z", "2026-10-25T02:00:00Z"},
		// 2026-03-29: 02:00 to 03:00 is left out.
		{"2026-03-29T02:30:00Z", "2026-03-29T01:31:00Z", "2026-03-29T01:30:00Z"},
		{"2026-03-29T01:59:59Z", "2026-03-29T01:31:00Z", "2026-03-29T00:59:59Z"},
		{"2026-03-29T03:00:00Z", "2026-03-29T01:31:00Z", "2026-03-29T01:00:00Z"},
	} {
		parse := func(text string) time.Time {
			at, err := time.Parse(time.RFC3339, text)
			require.NoError(t, err)
			return at
		}
		require.Equal(t, c.want, inZone(parse(c.local), berlin, parse(c.received)).UTC().Format(time.RFC3339), c.local+" "+c.received)
	}
}

// An instant told in a zone is found again when it is received soon.
func TestLocalTimesAreFoundAgain(t *testing.T) {
	names := []string{"Europe/Berlin", "America/New_York", "Asia/Kolkata", "Australia/Lord_Howe", "America/St_Johns", "UTC"}
	rapid.Check(t, func(t *rapid.T) {
		zone, err := time.LoadLocation(rapid.SampledFrom(names).Draw(t, "zone"))
		require.NoError(t, err)
		at := time.Unix(rapid.Int64Range(1_577_836_800, 2_500_000_000).Draw(t, "s"), 0).In(zone)
		_, offset := at.Zone()
		delay := time.Duration(rapid.Int64Range(0, 600).Draw(t, "delay")) * time.Second
		got := inZone(at.Add(time.Duration(offset)*time.Second).UTC(), zone, at.Add(delay))
		require.True(t, got.Equal(at), "%v %v", at, got)
	})
}

func TestTimesWithAUnit(t *testing.T) {
	for _, c := range []struct {
		raw, unit string
		from      time.Time
		want      string
		hint      string
	}{
		{raw: "1792999000", unit: "s", want: "07:16:40"},
		{raw: "1792999000.25", unit: "s", want: "07:16:40.25"},
		{raw: "1792999000000", unit: "ms", want: "07:16:40"},
		{raw: "1792999000000000", unit: "us", want: "07:16:40"},
		{raw: "1792999000000000000", unit: "ns", want: "07:16:40"},
		{raw: "1792999000", unit: "ms", hint: "looks like s, not ms"},
		{raw: "1792999000000", unit: "s", hint: "looks like ms, not s"},
		{raw: "37", unit: "s", hint: "not set"},
		{raw: "-10", from: received, want: "07:19:50"},
		{raw: "0", from: received, want: "07:20:00"},
		{raw: "-1500", unit: "ms", from: received, want: "07:19:58.5"},
		{raw: "188", from: received, want: "07:23:08"},
		{raw: "400", from: received, hint: "ahead"},
		{raw: "20261026081640", want: "07:16:40"},
	} {
		berlin, err := time.LoadLocation("Europe/Berlin")
		require.NoError(t, err)
		m, ok := clock{unit: c.unit, from: c.from, zone: berlin}.read(&value{kind: numberValue, raw: []byte(c.raw)}, received)
		require.True(t, ok, c.raw)
		if c.hint != "" {
			require.False(t, m.fromDevice)
			require.Contains(t, m.hint, c.hint)
			continue
		}
		require.True(t, m.fromDevice, c.raw)
		require.Equal(t, c.want, m.at.Format("15:04:05.999"), c.raw)
	}
	m, ok := clock{unit: "s"}.read(&value{kind: numberValue, raw: []byte("1e30")}, received)
	require.True(t, ok)
	require.Contains(t, m.hint, "ahead")
	_, ok = clock{unit: "s"}.read(&value{kind: numberValue, raw: []byte("1e400")}, received)
	require.False(t, ok)
}

func FuzzTime(f *testing.F) {
	for _, text := range []string{"2026-11-25T07:00:00Z", "Wed, 25 Nov 2026 08:00:00 +0100", "20261125070000", "/Date(1)/", "1e9", "-5", "1792999000.5", "24:00", "2026-11-25T07:00:00+01:00[x]", "0a--a--)", "2026-11-25T07:00Z (x) (y)"} {
		f.Add(text, uint8(0), int64(0))
	}
	berlin, err := time.LoadLocation("Europe/Berlin")
	require.NoError(f, err)
	f.Fuzz(func(t *testing.T, text string, how uint8, shift int64) {
		c := clock{unit: []string{"", "s", "ms", "us", "ns"}[how%5]}
		if how&8 > 0 {
			c.zone = berlin
		}
		if how&16 > 0 {
			c.from = received.Add(time.Duration(shift % 1e18))
		}
		for _, v := range []value{{kind: textValue, raw: []byte(strconv.Quote(text)), text: text}, {kind: numberValue, raw: []byte(text)}} {
			m, ok := c.read(&v, received)
			if ok && (m.at.Year() < EarliestYear || m.at.After(received.Add(FutureSlack)) || m.at.Nanosecond()%1e6 != 0 || m.fromDevice && m.raw != "") {
				t.Fatalf("%q: %+v", text, m)
			}
		}
	})
}
