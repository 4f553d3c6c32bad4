package journal

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"dwindle/collector/reading"
)

// BenchmarkCommit stores readings of 200 devices as they come, one round a
// minute, 1,000 in a transaction, and reports what a reading takes on disk
// with all columns and indexes.
func BenchmarkCommit(b *testing.B) {
	for name, value := range map[string]func(device string, at time.Time, i int) reading.Reading{
		"counts": func(device string, at time.Time, i int) reading.Reading { return count(device, at, int64(15_000+i)) },
		"floats": func(device string, at time.Time, i int) reading.Reading {
			return hours(device, at, 1200.37+float64(i)/60)
		},
	} {
		b.Run(name, func(b *testing.B) {
			path := filepath.Join(b.TempDir(), "journal.db")
			j, err := Open(context.Background(), path, Options{})
			if err != nil {
				b.Fatal(err)
			}
			devices := make([]string, 200)
			for i := range devices {
				devices[i] = fmt.Sprintf("device-%03d", i)
			}
			batch := make(Batch, 0, 1000)
			commit := func() {
				if _, err := j.Commit(context.Background(), batch); err != nil {
					b.Fatal(err)
				}
				batch = batch[:0]
			}
			rows := 0
			b.ResetTimer()
			for rows = 0; rows < b.N; rows++ {
				round := rows / len(devices)
				at := t0.Add(time.Duration(round)*time.Minute + time.Duration(rows%len(devices))*271*time.Millisecond)
				r := value(devices[rows%len(devices)], at, round)
				r.Received = at.Add(1300 * time.Millisecond)
				if batch = append(batch, entry(r)); len(batch) == cap(batch) {
					commit()
				}
			}
			commit()
			b.StopTimer()
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "rows/s")
			if err := j.Close(); err != nil {
				b.Fatal(err)
			}
			if info, err := os.Stat(path); err == nil {
				b.ReportMetric(float64(info.Size())/float64(rows), "bytes/row")
			}
		})
	}
}
