package mirror_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/influx/influxtest"
	"dwindle/collector/influx/mirror"
	"dwindle/collector/influx/query"
	"dwindle/collector/influx/schema"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/config"
)

// BenchmarkCopy makes the first copy of a fleet's readings from a real server on
// this machine, and then brings it up to date with nothing new and with one new
// reading of each channel. The ratio is to asking for the same readings and
// keeping none.
func BenchmarkCopy(b *testing.B) {
	const machines, each = 64, 5_000 // readings of each of two channels
	srv := influxtest.Start(b)
	bucket := srv.Bucket(b)
	enc := schema.NewEncoder("terminal")
	var text []byte
	name := func(i int) string { return fmt.Sprintf("elevator-%d", i) }
	put := func(from, to int) {
		for i := range machines {
			for n := from; n < to; n++ {
				at := t0.Add(time.Duration(n) * 10 * time.Minute)
				r := reading.Reading{Channel: reading.Channel{Device: name(i), Quantity: reading.RunHours}, At: at, Received: at.Add(1234 * time.Millisecond), FromDevice: true, Value: float64(n) / 6}
				s := r
				s.Quantity, s.Value = reading.RunRunning, float64(n/50%2)
				for _, x := range []reading.Reading{r, s} {
					var err error
					text, err = enc.Reading(text, &x)
					require.NoError(b, err)
				}
			}
			if len(text) > 1<<20 || i == machines-1 {
				srv.Write(b, bucket, string(text))
				text = text[:0]
			}
		}
	}
	put(0, each)
	token := filepath.Join(b.TempDir(), "token")
	require.NoError(b, os.WriteFile(token, []byte(srv.Token), 0o600))
	ask, err := query.New(query.Options{Server: &config.Influx{URL: srv.URL, Organisation: srv.Org, Bucket: bucket, TokenFile: token}, Site: "terminal"})
	require.NoError(b, err)
	defer ask.Close()
	ctx := context.Background()
	next := each
	for b.Loop() {
		began, n := time.Now(), 0
		for i := range machines {
			require.NoError(b, ask.Readings(ctx, name(i), []reading.Quantity{reading.RunHours, reading.RunRunning}, time.Time{}, t0.AddDate(10, 0, 0), func(reading.Reading) error { n++; return nil }))
		}
		bare := float64(n) / time.Since(began).Seconds()

		path := filepath.Join(b.TempDir(), "journal.db")
		j, err := journal.Open(ctx, path, journal.Options{})
		require.NoError(b, err)
		now := time.Now()
		m := mirror.New(mirror.Options{Source: mirror.InfluxDB(ask), Journal: j, Commit: j.TakeOver, Now: func() time.Time { return now }})
		run := func() (mirror.Synced, float64) {
			began := time.Now()
			out, err := m.SyncLazily(ctx)
			require.NoError(b, err)
			now = now.Add(time.Minute)
			return out, time.Since(began).Seconds()
		}
		first, took := run()
		require.Equal(b, 2*machines*next, first.Readings)
		b.ReportMetric(float64(first.Readings)/took, "readings/s")
		b.ReportMetric(float64(first.Readings)/took/bare, "of-bare")
		info, err := os.Stat(path)
		require.NoError(b, err)
		wal, err := os.Stat(path + "-wal")
		require.NoError(b, err)
		b.ReportMetric(float64(info.Size()+wal.Size())/float64(first.Readings), "B/reading")
		_, idle := run()
		b.ReportMetric(idle/machines*1e3, "ms/idle-device")
		put(next, next+1)
		next++
		out, live := run()
		require.Equal(b, 2*machines, out.Readings)
		b.ReportMetric(live/machines*1e3, "ms/live-device")
		require.NoError(b, j.Close())
	}
}
