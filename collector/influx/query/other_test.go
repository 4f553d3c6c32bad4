package query

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/influx/influxtest"
	"dwindle/collector/influx/schema"
	"dwindle/collector/reading"
	"dwindle/config/civil"
)

func vienna(t testing.TB) *time.Location {
	t.Helper()
	loc, err := time.LoadLocation("Europe/Vienna")
	require.NoError(t, err)
	return loc
}

// usage is a row as exports have it.
type usage struct {
	Dispenser string   `json:"dispenser,omitempty"`
	Point     string   `json:"point,omitempty"`
	Machine   string   `json:"machine,omitempty"`
	Date      string   `json:"date"`
	RunHours  *float64 `json:"run_hours,omitempty"`
	Pulses    *float64 `json:"pulses,omitempty"`
	Seen      *float64 `json:"seen,omitempty"`
	Flags     string   `json:"flags,omitempty"`
}

func number(x float64) *float64 { return &x }

// The days of March and October 2026 in Vienna are 23, 24 and 25 hours long
// (Commission communication 2022/C 135/01 on summer time).
func TestDaysAreThoseOfTheSite(t *testing.T) {
	srv := influxtest.Start(t)
	bucket := srv.Bucket(t)
	loc := vienna(t)
	day := func(row usage, date civil.Date, loc *time.Location) {
		row.Date = date.String()
		line, err := schema.AppendDaily(nil, "terminal", schema.Usage, row, date, loc)
		require.NoError(t, err)
		srv.Write(t, bucket, string(line))
	}
	first, last := civil.New(2026, 3, 27), civil.New(2026, 10, 27)
	hours := map[civil.Date]float64{}
	for d := first; d <= last; d++ {
		if d == civil.New(2026, 5, 1) {
			continue // not known
		}
		hours[d] = d.Length(loc).Hours()
		day(usage{Machine: "elevator-1", RunHours: number(hours[d]), Seen: number(1), Flags: "gap"}, d, loc)
	}
	day(usage{Dispenser: "elevator-1", Point: "p-1", Machine: "m", Pulses: number(7)}, first, loc) // of the same name
	day(usage{Machine: "elevator-2", RunHours: number(1)}, first, loc)                             // another
	day(usage{Machine: "elevator-1", RunHours: number(99)}, civil.New(2026, 6, 1), time.UTC)       // before the zone was put right
	day(usage{Machine: "elevator-1", Seen: number(0.5)}, civil.New(2026, 6, 2), loc)               // written again, with less known
	other, err := schema.AppendDaily(nil, "quay", schema.Usage, usage{Machine: "elevator-1", RunHours: number(3), Date: last.String()}, last, loc)
	require.NoError(t, err)
	srv.Write(t, bucket, string(other)) // of another site

	r := open(t, srv, srv.URL, bucket, 0)
	got, err := r.Days(t.Context(), OfMachine, "elevator-1", first, last, loc)
	require.NoError(t, err)
	require.Len(t, got, len(hours))
	for i, d := range got {
		if i > 0 {
			require.Less(t, got[i-1].Date, d.Date)
		}
		if d.Date == civil.New(2026, 6, 2) {
			require.Equal(t, Day{Date: d.Date, Machine: "elevator-1", Seen: number(0.5)}, d)
			continue
		}
		require.Equal(t, Day{Date: d.Date, Machine: "elevator-1", RunHours: number(hours[d.Date]), Seen: number(1), Flags: "gap"}, d)
	}
	for date, long := range map[string]float64{"2026-03-28": 24, "2026-03-29": 23, "2026-03-30": 24, "2026-10-24": 24, "2026-10-25": 25, "2026-10-26": 24} {
		d, err := civil.Parse(date)
		require.NoError(t, err)
		got, err := r.Days(t.Context(), OfMachine, "elevator-1", d, d, loc)
		require.NoError(t, err)
		require.Len(t, got, 1, date)
		require.Equal(t, long, *got[0].RunHours, date)
	}
	got, err = r.Days(t.Context(), OfDispenser, "elevator-1", first-2000, last+2000, loc) // pages of days
	require.NoError(t, err)
	require.Equal(t, []Day{{Date: first, Point: "p-1", Machine: "m", Pulses: number(7)}}, got)
	got, err = r.Days(t.Context(), OfMachine, "elevator-1", last, first, loc)
	require.NoError(t, err)
	require.Empty(t, got)
}

func TestTheChangeFeedComesInOrderAndPageByPage(t *testing.T) {
	srv := influxtest.Start(t)
	bucket := srv.Bucket(t)
	r := open(t, srv, srv.URL, bucket, 0)
	end, err := r.LateEnd(t.Context())
	require.NoError(t, err)
	require.True(t, end.IsZero())
	// A gateway was away: it sends an entry for each channel at one instant, then
	// others.
	var lines []byte
	want := map[string]bool{}
	add := func(ch reading.Channel, sent time.Time) {
		var err error
		lines, err = schema.AppendRange(lines, "terminal", ch, t0, t0.Add(time.Hour), sent)
		require.NoError(t, err)
		want[fmt.Sprint(ch, sent)] = true
	}
	const many = lateRows + 700
	for i := range many {
		add(reading.Channel{Device: fmt.Sprint("d-", i), Quantity: reading.PulseCount}, t0.Add(24*time.Hour+123456789))
	}
	for i := range 300 {
		add(reading.Channel{Device: "d-1", Quantity: reading.LevelCM3}, t0.Add(48*time.Hour+time.Duration(i)))
	}
	add(reading.Channel{Quantity: schema.FactChannel}, t0.AddDate(0, 3, 0))
	srv.Write(t, bucket, string(lines))
	var before time.Time
	seen := 0
	require.NoError(t, r.Late(t.Context(), time.Time{}, func(c schema.Changed) error {
		require.False(t, c.Sent.Before(before))
		before = c.Sent
		key := fmt.Sprint(c.Channel, c.Sent)
		require.True(t, want[key], key)
		delete(want, key) // once
		require.Equal(t, t0, c.From)
		require.Equal(t, t0.Add(time.Hour), c.To)
		seen++
		return nil
	}))
	require.Equal(t, many+301, seen)
	require.Empty(t, want)
	n := 0
	require.NoError(t, r.Late(t.Context(), t0.Add(48*time.Hour+100), func(schema.Changed) error { n++; return nil }))
	require.Equal(t, 201, n, "from an instant on, to the ns")
	end, err = r.LateEnd(t.Context())
	require.NoError(t, err)
	require.Equal(t, t0.AddDate(0, 3, 0), end)
}

func TestFactsAndCalibrationsComeBackAsTheyWere(t *testing.T) {
	srv := influxtest.Start(t)
	bucket := srv.Bucket(t)
	enc := schema.NewEncoder("terminal")
	var lines []byte
	var err error
	var want []reading.StoredFact
	for i := range factRows + 120 { // most of them at one time, as when a plant is taken into service
		at := t0
		if i >= factRows+20 {
			at = t0.Add(time.Duration(i) * time.Minute)
		}
		f := reading.StoredFact{Fact: reading.Fact{
			ID: fmt.Sprintf("fact %04d", i), Kind: reading.FactCommission, Point: fmt.Sprint("p-", i), Device: fmt.Sprint("d-", i), At: at, Received: at.Add(time.Second), By: "mw", Note: "\"a\",\r\n${b} \\ Öl",
		}, Until: at.Add(time.Hour), Person: i%2 == 0}
		want = append(want, f)
		lines, err = enc.StoredFact(lines, &f)
		require.NoError(t, err)
	}
	old := reading.StoredFact{Fact: reading.Fact{ID: "long ago", Kind: reading.FactChange, Point: "p-1", At: time.Date(2011, 5, 1, 0, 0, 0, 0, time.UTC), Received: t0}, Person: true}
	old.Until = old.At
	lines, err = enc.StoredFact(lines, &old)
	require.NoError(t, err)
	calibration := schema.Calibration{Version: "2026-11-25-a92e73", Learned: civil.New(2026, 11, 25), Stored: t0, Body: []byte(`{"a":["${x}","\"\\",1e-9]}`)}
	require.True(t, json.Valid(calibration.Body))
	lines, err = enc.Calibration(lines, calibration)
	require.NoError(t, err)
	srv.Write(t, bucket, string(lines))

	r := open(t, srv, srv.URL, bucket, 0)
	got := map[string]reading.StoredFact{}
	var before time.Time
	require.NoError(t, r.Facts(t.Context(), time.Time{}, latest, func(f reading.StoredFact) error {
		require.False(t, f.At.Before(before))
		before = f.At
		got[f.ID] = f
		return nil
	}))
	require.Len(t, got, len(want)+1)
	for _, f := range append(want, old) {
		require.Equal(t, f, got[f.ID])
	}
	n := 0
	require.NoError(t, r.Facts(t.Context(), t0, t0, func(reading.StoredFact) error { n++; return nil }))
	require.Equal(t, factRows+20, n, "both ends are in it")
	var calibrations []schema.Calibration
	require.NoError(t, r.Calibrations(t.Context(), time.Time{}, func(c schema.Calibration) error { calibrations = append(calibrations, c); return nil }))
	require.Equal(t, []schema.Calibration{calibration}, calibrations)
}

func TestDevicesComePageByPage(t *testing.T) {
	srv := influxtest.Start(t)
	bucket := srv.Bucket(t)
	var list []reading.Reading
	var want []string
	for i := range devicesRows + 10 {
		device := fmt.Sprintf("d-%05d", i)
		want = append(want, device)
		list = append(list, counted(device, t0, int64(i)))
	}
	write(t, srv, bucket, list)
	got, err := open(t, srv, srv.URL, bucket, 0).Devices(t.Context())
	require.NoError(t, err)
	require.Equal(t, want, got)
	newest, err := open(t, srv, srv.URL, bucket, 0).Newest(t.Context(), want[:newestMost+3])
	require.NoError(t, err)
	require.Len(t, newest, newestMost+3)
}

func TestHowLongABucketKeeps(t *testing.T) {
	srv := influxtest.Start(t)
	keeps, err := open(t, srv, srv.URL, srv.Bucket(t), 0).Keeps(t.Context())
	require.NoError(t, err)
	require.Zero(t, keeps, "for ever")
	name := "thirty days"
	require.NoError(t, srv.Do("POST", "/api/v2/buckets", map[string]any{"orgID": srv.OrgID(), "name": name, "retentionRules": []any{map[string]any{"type": "expire", "everySeconds": 30 * 24 * 3600}}}, nil))
	keeps, err = open(t, srv, srv.URL, name, 0).Keeps(t.Context())
	require.NoError(t, err)
	require.Equal(t, 30*24*time.Hour, keeps)
	_, err = open(t, srv, srv.URL, "another", 0).Keeps(t.Context())
	require.ErrorContains(t, err, "does not list the bucket another")
}
