package query

import (
	"fmt"
	"testing"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/stretchr/testify/require"

	"dwindle/collector/influx/influxtest"
	"dwindle/collector/reading"
)

// BenchmarkReadings reads one device's 100,000 readings of one channel back, with
// pages of some sizes; beside it the bare client that asks for all at once and
// looks at nothing but the times.
func BenchmarkReadings(b *testing.B) {
	const n = 100_000
	srv := influxtest.Start(b)
	bucket := srv.Bucket(b)
	write(b, srv, bucket, counts("d-1", n))
	perSecond := func(b *testing.B) { b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "readings/s") }
	b.Run("bare client, all at once", func(b *testing.B) {
		client := influxdb2.NewClient(srv.URL, srv.Token)
		defer client.Close()
		for b.Loop() {
			res, err := client.QueryAPI(srv.Org).Query(b.Context(), fmt.Sprintf(`from(bucket: %q) |> range(start: 2020-01-01T00:00:00Z, stop: 2200-01-01T00:00:00Z)
				|> filter(fn: (r) => r._measurement == "pulse" and r.device == "d-1") |> keep(columns: ["_time", "_value", "_field"])`, bucket))
			require.NoError(b, err)
			rows := 0
			for res.Next() {
				if res.Record().Time().IsZero() {
					b.Fatal("no time")
				}
				rows++
			}
			require.NoError(b, res.Err())
			require.Equal(b, 3*n, rows)
		}
		perSecond(b)
	})
	for _, rows := range []int{3_000, 15_000, 30_000, 60_000, 120_000, 400_000} {
		b.Run(fmt.Sprintf("rows=%d", rows), func(b *testing.B) {
			r := open(b, srv, srv.URL, bucket, rows)
			for b.Loop() {
				got := 0
				require.NoError(b, r.Readings(b.Context(), "d-1", nil, time.Time{}, latest, func(reading.Reading) error { got++; return nil }))
				require.Equal(b, n, got)
			}
			perSecond(b)
			b.ReportAllocs()
		})
	}
}
