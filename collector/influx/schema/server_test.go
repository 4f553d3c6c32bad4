package schema_test

import (
	"context"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/stretchr/testify/require"

	"dwindle/collector/influx/influxtest"
	"dwindle/collector/influx/schema"
	"dwindle/collector/reading"
	"dwindle/config/civil"
)

func TestMain(m *testing.M) { os.Exit(influxtest.Main(m)) }

// records reads everything in a bucket, a row per field.
func records(t *testing.T, s *influxtest.Server, bucket string) []*schema.Record {
	client := influxdb2.NewClientWithOptions(s.URL, s.Token, influxdb2.DefaultOptions().SetHTTPRequestTimeout(60))
	defer client.Close()
	rows, err := client.QueryAPI(s.Org).Query(context.Background(), fmt.Sprintf(`from(bucket: %q) |> range(start: 1980-01-01T00:00:00Z, stop: 2200-01-01T00:00:00Z)`, bucket))
	require.NoError(t, err)
	defer rows.Close()
	type place struct {
		series string
		at     int64
	}
	var order []place
	all := map[place]*schema.Record{}
	for rows.Next() {
		row := rows.Record()
		p := place{fmt.Sprint(row.Measurement(), row.ValueByKey("site"), row.ValueByKey("device"), row.ValueByKey("channel")), row.Time().UnixNano()}
		r := all[p]
		if r == nil {
			r = &schema.Record{Measurement: row.Measurement(), Time: row.Time()}
			for _, tag := range []string{"site", "device", "channel"} {
				if v, ok := row.ValueByKey(tag).(string); ok {
					r.SetTag(tag, v)
				}
			}
			all[p], order = r, append(order, p)
		}
		require.NoError(t, r.Set(row.Field(), row.Value()))
	}
	require.NoError(t, rows.Err())
	out := make([]*schema.Record, len(order))
	for i, p := range order {
		out[i] = all[p]
	}
	return out
}

// What was written to a real server comes back from it to the last bit, strange
// ids and values with it.
func TestAServerGivesBackWhatWasWritten(t *testing.T) {
	s := influxtest.Start(t)
	bucket := s.Bucket(t)
	var want []reading.Reading
	devices := []string{"elev1", "disp-007", "a,b=c d", "ä€😀", `"quoted"`, "'", "{}$", "_field", "#a", "true", "1", strings.Repeat("x", 64)}
	n := 0
	for _, device := range devices {
		for _, q := range schema.Quantities() {
			for _, v := range []float64{0, math.Copysign(0, -1), 1.0 / 3, math.MaxFloat64, -math.SmallestNonzeroFloat64, 1e21, 120} {
				n++
				r := reading.Reading{Channel: reading.Channel{Device: device, Quantity: q}, At: at.Add(time.Duration(n) * time.Millisecond), FromDevice: n%3 > 0, Value: v, Flags: reading.Flags(1<<(n%13)) &^ reading.ReceiveTime}
				r.Received = r.At.Add(time.Duration(n%7-3) * time.Minute)
				if !r.FromDevice {
					r.Flags |= reading.ReceiveTime
				}
				if q.Exact() {
					r.Count = []int64{0, 1, 1<<53 - 1, 1 << 53, 1<<53 + 1, math.MaxInt64, math.MinInt64 + 1}[n%7]
					r.Value = float64(r.Count)
					if r.Count > 1<<53 || r.Count < -1<<53 {
						r.Flags |= reading.Inexact
					}
				}
				if q == reading.PulseIncrement {
					r.Key = []string{"a", `"`, `\`, `a\"b`, "line\nfeed\r\n\t\x00", `\n`, "ä, = 😀"}[n%7] + fmt.Sprint(n/7)
				}
				want = append(want, r)
			}
		}
	}
	// Increments of one millisecond.
	for i := range 300 {
		r := increment(fmt.Sprintf("same-%03d", i), int64(i))
		r.Flags |= 0
		want = append(want, r)
	}
	e := schema.NewEncoder("terminal, \"no 1\"")
	var lines []byte
	var err error
	for i := range want {
		lines, err = e.Reading(lines, &want[i])
		require.NoError(t, err)
	}
	fact := reading.Fact{ID: "f\n1", Kind: reading.FactChange, Device: "disp-007", At: time.Date(2011, 5, 1, 0, 0, 0, 0, time.UTC), Received: at, Note: "Tür \"7\" \\ \u2028\n" + strings.Repeat("long ", 5000)}
	lines, err = e.Fact(lines, &fact)
	require.NoError(t, err)
	noDevice := reading.Fact{ID: "f2", Kind: reading.FactCommission, Point: "elev1-head", At: at, Received: at}
	lines, err = e.Fact(lines, &noDevice)
	require.NoError(t, err)
	ch := reading.Channel{Device: "disp-007", Quantity: reading.PulseCount}
	lines, err = e.Range(lines, ch, at, at.Add(time.Hour), at.Add(2*time.Hour+123))
	require.NoError(t, err)
	calibration := schema.Calibration{Version: "v 1", Learned: civil.New(2026, 3, 1), Stored: at, Body: []byte(`{"a":"` + strings.Repeat("x", 50_000) + `"}`)}
	lines, err = e.Calibration(lines, calibration)
	require.NoError(t, err)
	lines, err = e.Forwarded(lines, at.Add(time.Minute), at.Add(2*time.Minute))
	require.NoError(t, err)
	for range 2 { // the same again changes nothing
		s.Write(t, bucket, string(lines))
	}

	var got []reading.Reading
	seen := map[string]int{}
	for _, r := range records(t, s, bucket) {
		require.Equal(t, "terminal, \"no 1\"", r.Site)
		seen[r.Measurement]++
		switch r.Measurement {
		case schema.Fact:
			f, err := schema.FactOf(r)
			require.NoError(t, err)
			require.Equal(t, map[string]reading.Fact{fact.ID: fact, noDevice.ID: noDevice}[f.ID], f)
		case schema.Late:
			c, err := schema.ChangedOf(r)
			require.NoError(t, err)
			require.Equal(t, schema.Changed{Channel: ch, From: at, To: at.Add(time.Hour), Sent: at.Add(2*time.Hour + 123)}, c)
		case schema.Forwarded:
			upto, err := schema.ForwardedOf(r)
			require.NoError(t, err)
			require.Equal(t, at.Add(time.Minute), upto)
		case schema.Calibrated:
			c, err := schema.CalibrationOf(r)
			require.NoError(t, err)
			require.Equal(t, calibration, c)
		default:
			one, err := schema.ReadingOf(r)
			require.NoError(t, err)
			got = append(got, one)
		}
	}
	require.Equal(t, []int{2, 1, 1, 1}, []int{seen[schema.Fact], seen[schema.Late], seen[schema.Calibrated], seen[schema.Forwarded]})
	slices.SortFunc(want, reading.Compare)
	slices.SortFunc(got, reading.Compare)
	require.Equal(t, len(want), len(got))
	for i := range want {
		require.Equal(t, want[i], got[i])
		require.Equal(t, math.Float64bits(want[i].Value), math.Float64bits(got[i].Value), "%v", want[i])
	}
}

// A server takes every row of the table, and takes it a second time with less.
func TestAServerTakesDailyRows(t *testing.T) {
	s := influxtest.Start(t)
	bucket := s.Bucket(t)
	var lines []byte
	var err error
	for _, m := range schema.Measurements() {
		if m.Daily {
			lines, err = schema.AppendDaily(lines, "terminal", m.Name, full(m), civil.New(2026, 3, 2), time.UTC)
			require.NoError(t, err)
		}
	}
	s.Write(t, bucket, string(lines))
	withheld, err := schema.AppendDaily(nil, "terminal", schema.Forecast, map[string]any{"point": "word", "withheld": "no level"}, civil.New(2026, 3, 2), time.UTC)
	require.NoError(t, err)
	s.Write(t, bucket, string(withheld))
	rows := s.Query(t, fmt.Sprintf(`from(bucket: %q) |> range(start: 2026-03-02T00:00:00Z, stop: 2026-03-03T00:00:00Z)
		|> filter(fn: (r) => r._measurement == "forecast") |> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")`, bucket))
	require.Len(t, rows, 1)
	require.Equal(t, "no level", rows[0]["withheld"])
	require.Equal(t, schema.Nothing, rows[0]["empty_p50"], "an empty text took its place")
	require.Contains(t, strings.Fields(rows[0]["missing"]), "days_to_empty_p50")
	require.Contains(t, strings.Fields(rows[0]["missing"]), "remaining_cm3")
}
