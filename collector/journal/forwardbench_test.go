package journal

import (
	"context"
	"flag"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"dwindle/collector/reading"
)

var backlogHours = flag.Int("backlog-hours", 1, "how many hours of BenchmarkNext wait")

// BenchmarkNext reads what waits of 5,000 dispensers, which are 20,000 channels,
// at one message a minute.
func BenchmarkNext(b *testing.B) {
	ctx := context.Background()
	const channels = 20_000
	j := open(b, filepath.Join(b.TempDir(), "journal.db"), Options{})
	outbox(b, j)
	began := time.Now()
	if _, err := j.w.ExecContext(ctx, "PRAGMA cache_size = -200000; PRAGMA synchronous = OFF"); err != nil {
		b.Fatal(err)
	}
	err := inTx(ctx, j.w, func() error {
		_, err := j.w.ExecContext(ctx, "WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < ?) INSERT INTO channel SELECT i, 'd-' || (i / 4), CASE i % 4 WHEN 0 THEN 'pulse.count' WHEN 1 THEN 'run.hours' WHEN 2 THEN 'level.cm3' ELSE 'status.temperature_c' END FROM n", channels)
		return err
	})
	// As they come: minute by minute, so that the pages are as full as they
	// would be.
	for m := 0; m < *backlogHours*60 && err == nil; m++ {
		err = inTx(ctx, j.w, func() error {
			_, err := j.w.ExecContext(ctx, "INSERT INTO reading SELECT id, ?1 + (id * 7919) % 60000, CASE id % 4 WHEN 0 THEN ?2 ELSE ?2 + 0.25 END, 1300, 0 FROM channel", t0.Add(time.Duration(m)*time.Minute).UnixMilli(), 1000+m)
			return err
		})
	}
	if err != nil {
		b.Fatal(err)
	}
	j.mu.Lock()
	j.known.channels = map[reading.Channel]int64{}
	err = j.load(ctx)
	j.mu.Unlock()
	if err != nil {
		b.Fatal(err)
	}
	b.Logf("%d rows, filled in %v", channels*60**backlogHours, time.Since(began).Round(time.Second))
	o := outbox(b, j)
	for b.Loop() {
		o.f.mu.Lock()
		for _, c := range o.f.channels {
			c.read, c.done, c.next = nowhere, nowhere, t0.UnixMilli()
			o.f.wait(c)
		}
		o.f.mu.Unlock()
		o.saved = time.Now()
		rows, parcels := 0, 0
		began := time.Now()
		var longest time.Duration
		for {
			at := time.Now()
			p, err := o.Next(ctx, 5000)
			if err != nil {
				b.Fatal(err)
			}
			longest = max(longest, time.Since(at))
			if p.Empty() {
				break
			}
			rows += len(p.Readings)
			parcels++
			o.unsave = 0
			if err := o.Done(ctx, p, nil); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(rows)/time.Since(began).Seconds(), "rows/s")
		b.ReportMetric(float64(rows)/float64(parcels), "rows/parcel")
		b.ReportMetric(float64(longest.Milliseconds()), "ms-longest")
		if rows != channels*60**backlogHours {
			b.Fatal(fmt.Sprint("rows: ", rows))
		}
	}
}
