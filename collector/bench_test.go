package collector

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
)

// BenchmarkIntake takes messages of 200 dispensers from queue to durable
// commit and acknowledgement, without a broker.
func BenchmarkIntake(b *testing.B) {
	x := start(b, terminal(b, 1, 200))
	ms := make([]reading.Message, b.N)
	var wg sync.WaitGroup
	wg.Add(b.N)
	for i := range ms {
		when := t0.Add(time.Duration(i/200) * time.Minute)
		ms[i] = message(fmt.Sprintf("d-%d", i%200+1), "pulse", when.Add(time.Second), `{"count":%d,"at":%q,"note":"filled up to the size of two hundred bytes that is usual for messages of this kind on a plant network, more or less, give or take"}`, 1000+i/200, at(when))
		ms[i].Done = func(error) { wg.Done() }
	}
	b.ResetTimer()
	x.submit(b, ms...)
	wg.Wait()
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "messages/s")
	b.StopTimer()
	require.EqualValues(b, b.N, x.Stats().Stored, "%+v", x.Stats())
}

// BenchmarkDerive makes the daily figures of a bulk of history that was never
// derived: one machine and ten dispensers, a message every ten minutes.
func BenchmarkDerive(b *testing.B) {
	x := start(b, terminal(b, 1, 10))
	const steps = 144 * 60
	x.submit(b, running("elevator-1", t0, steps)...)
	for d := range 10 {
		x.submit(b, pulses(fmt.Sprintf("d-%d", d+1), t0, steps)...)
	}
	x.flush(b)
	readings := float64(steps*2 + 10*steps*2)
	b.ResetTimer()
	for range b.N {
		require.NoError(b, x.Rebuild(context.Background()))
	}
	b.ReportMetric(readings*float64(b.N)/b.Elapsed().Seconds(), "readings/s")
}

// BenchmarkHistory asks what a forecast asks of one dispenser with 60 days
// behind it.
func BenchmarkHistory(b *testing.B) {
	x := start(b, terminal(b, 1, 1))
	x.submit(b, pulses("d-1", t0, 144*60)...)
	x.flush(b)
	ctx, now := context.Background(), t0.AddDate(0, 0, 60)
	b.ResetTimer()
	for range b.N {
		_, err := x.h.Days(ctx, "d-1", reading.Pulse, date(b, "2026-03-01"), date(b, "2026-05-01"))
		require.NoError(b, err)
		_, err = x.h.Amount(ctx, "d-1", reading.Pulse, t0.Add(100*time.Hour), now)
		require.NoError(b, err)
		_, err = x.h.Levels(ctx, "d-1", t0, now)
		require.NoError(b, err)
		_, _, _, err = x.h.LastSeen(ctx, "d-1", now)
		require.NoError(b, err)
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "dispensers/s")
}

// BenchmarkFlash plays the commits of 50 dispensers that report once a minute,
// spread, and reports what that writes to the disk in a day, checkpoints and
// daily figures included: once with a commit for each second that has
// messages, once with a linger of 30 s.
func BenchmarkFlash(b *testing.B) {
	for name, linger := range map[string]time.Duration{"1 s": time.Second, "30 s": 30 * time.Second} {
		b.Run(name, func(b *testing.B) {
			if _, ok := written(); !ok {
				b.Skip("needs Linux: what a process writes is read from /proc/self/io")
			}
			const hours = 24 // pages split more often as the day goes on
			for range b.N {
				x := start(b, terminal(b, 1, 50))
				x.flush(b)
				before, _ := written()
				var batch []work
				next := t0.Add(linger)
				for i := range hours * 3600 {
					when := t0.Add(time.Duration(i) * time.Second)
					for d := i % 60; d < 50; d += 60 {
						m := message(fmt.Sprintf("d-%d", d+1), "pulse", when, `{"count":%d}`, 1000+i/600)
						batch = append(batch, x.understand(item{m: &m}))
					}
					if !when.Before(next) && len(batch) > 0 {
						x.commit(batch)
						batch, next = batch[:0], when.Add(linger)
					}
					if i%3600 == 3599 { // what the deriver's clock would ask for
						x.flush(b)
					}
				}
				require.NoError(b, x.stop()) // the last checkpoint, too
				after, _ := written()
				b.ReportMetric(float64(after-before)*24/hours/1e6, "MB/day")
			}
		})
	}
}
