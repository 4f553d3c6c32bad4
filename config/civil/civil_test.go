package civil_test

import (
	"encoding/json"
	"testing"
	"time"
	_ "time/tzdata" // the tests must not depend on the machine's zones

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/config/civil"
)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	loc, err := time.LoadLocation(name)
	require.NoError(t, err)
	return loc
}

func date(t testing.TB, text string) civil.Date {
	t.Helper()
	d, err := civil.Parse(text)
	require.NoError(t, err)
	return d
}

// Transitions after the IANA time zone database, files europe, southamerica,
// northamerica, australasia and asia.
func TestDaysOnWhichTheClocksChange(t *testing.T) {
	for _, c := range []struct {
		zone, date, start, length string
	}{
		{"Europe/Berlin", "2026-03-29", "2026-03-28T23:00:00Z", "23h"},
		{"Europe/Berlin", "2026-10-25", "2026-10-24T22:00:00Z", "25h"},
		{"Europe/Berlin", "2026-11-25", "2026-11-24T23:00:00Z", "24h"},
		{"America/Sao_Paulo", "2018-11-04", "2018-11-04T03:00:00Z", "23h"}, // midnight is skipped
		{"America/Sao_Paulo", "2018-02-17", "2018-02-17T02:00:00Z", "25h"}, // 23:00 comes twice
		{"America/Havana", "2026-11-01", "2026-11-01T04:00:00Z", "25h"},    // midnight comes twice
		{"America/Havana", "2026-03-08", "2026-03-08T05:00:00Z", "23h"},    // midnight is skipped
		{"Asia/Beirut", "2021-03-28", "2021-03-27T22:00:00Z", "23h"},       // midnight is skipped
		{"Australia/Lord_Howe", "2026-10-04", "2026-10-03T13:30:00Z", "23h30m"},
		{"Australia/Lord_Howe", "2026-04-05", "2026-04-04T13:00:00Z", "24h30m"},
		{"Pacific/Apia", "2011-12-29", "2011-12-29T10:00:00Z", "24h"},
		{"Pacific/Apia", "2011-12-30", "2011-12-30T10:00:00Z", "0s"}, // the day is skipped
		{"Pacific/Apia", "2011-12-31", "2011-12-30T10:00:00Z", "24h"},
		{"Asia/Kathmandu", "2026-05-01", "2026-04-30T18:15:00Z", "24h"},
	} {
		t.Run(c.zone+" "+c.date, func(t *testing.T) {
			loc, d := zone(t, c.zone), date(t, c.date)
			require.Equal(t, c.start, d.Start(loc).Format(time.RFC3339))
			length, err := time.ParseDuration(c.length)
			require.NoError(t, err)
			require.Equal(t, length, d.Length(loc))
			require.Equal(t, (d + 1).Start(loc), d.End(loc))
		})
	}
}

var zones = []string{
	"UTC", "Europe/Berlin", "Europe/London", "Europe/Lisbon", "Atlantic/Azores", "America/New_York", "America/Havana",
	"America/Sao_Paulo", "America/Asuncion", "America/Santiago", "Asia/Beirut", "Asia/Tehran", "Asia/Amman", "Asia/Gaza",
	"Asia/Kolkata", "Asia/Kathmandu", "Australia/Lord_Howe", "Australia/Adelaide", "Pacific/Apia", "Pacific/Kiritimati",
	"Pacific/Kwajalein", "Pacific/Chatham", "Pacific/Auckland", "Africa/Cairo", "Africa/Casablanca", "Antarctica/Troll",
}

func TestDaysPartTime(t *testing.T) {
	first, last := date(t, "1990-01-01"), date(t, "2060-12-31")
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.SampledFrom(zones).Draw(t, "zone")
		loc, err := time.LoadLocation(name)
		require.NoError(t, err)
		d := civil.Date(rapid.Int32Range(int32(first), int32(last)).Draw(t, "day"))
		start, end := d.Start(loc), d.End(loc)
		require.Equal(t, time.UTC, start.Location())

		// The day before ends where the day begins; the days part time.
		require.Equal(t, start, (d - 1).End(loc))
		require.Less(t, civil.Of(start.Add(-time.Nanosecond), loc), d)
		if end.Equal(start) {
			require.Greater(t, civil.Of(start, loc), d, "a skipped day")
			return
		}
		require.Equal(t, d, civil.Of(start, loc))
		require.Equal(t, d, civil.Of(end.Add(-time.Nanosecond), loc))
		share := time.Duration(rapid.Int64Range(0, int64(end.Sub(start))-1).Draw(t, "into the day"))
		require.Equal(t, d, civil.Of(start.Add(share), loc))
		require.InDelta(t, 24, d.Length(loc).Hours(), 2.01, "Troll moves its clocks by two hours")
	})
}

func TestTextOfDates(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := civil.Date(rapid.Int32Range(-719162, 2932896).Draw(t, "day")) // years 1 to 9999
		back, err := civil.Parse(d.String())
		require.NoError(t, err)
		require.Equal(t, d, back)
		require.Equal(t, (d.Weekday()+1)%7, (d + 1).Weekday())
	})
	require.Equal(t, "1970-01-01", civil.Date(0).String())
	require.True(t, civil.Date(0).IsZero())
	require.Equal(t, time.Thursday, civil.Date(0).Weekday())
	require.Equal(t, date(t, "2026-03-01"), civil.New(2026, time.February, 29))
	require.Equal(t, "25 Nov", date(t, "2026-11-25").Format("2 Jan"))
	for _, bad := range []string{"", "2026-13-01", "2026-02-29", "26-11-25", "2026-11-25T00:00:00Z", "25.11.2026", "2026-1-5"} {
		_, err := civil.Parse(bad)
		require.ErrorContains(t, err, "2026-11-25", bad)
	}
}

func TestDatesInJSON(t *testing.T) {
	out, err := json.Marshal(map[string]civil.Date{"empty": date(t, "2026-11-25")})
	require.NoError(t, err)
	require.JSONEq(t, `{"empty":"2026-11-25"}`, string(out))
	var in map[string]civil.Date
	require.NoError(t, json.Unmarshal(out, &in))
	require.Equal(t, date(t, "2026-11-25"), in["empty"])
	require.Error(t, json.Unmarshal([]byte(`{"empty":"soon"}`), &in))
}
