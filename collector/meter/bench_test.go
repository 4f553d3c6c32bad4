package meter

import (
	"testing"
	"time"

	"dwindle/collector/reading"
)

// The baseline of these figures is the bare subtraction of neighbours, which
// knows none of the faults: BenchmarkBareDelta.
func benchmarkAdd(b *testing.B, g Group, list []reading.Reading, period time.Duration, grow float64) {
	f := New(g, Rules{CM3PerStroke: 0.25})
	at := epoch
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		r := list[i%len(list)]
		if i%len(list) == 0 {
			at = at.Add(period)
		}
		r.At = at
		if r.Quantity != reading.RunRunning {
			r.Value = float64(i) * grow
			r.Count = int64(i) / 4
		}
		f.Add(r)
	}
}

func of(q ...reading.Quantity) (out []reading.Reading) {
	for _, q := range q {
		out = append(out, reading.Reading{Channel: reading.Channel{Device: "d", Quantity: q}, Value: 1, FromDevice: true})
	}
	return out
}

func BenchmarkAddCount(b *testing.B)   { benchmarkAdd(b, Pulse, of(reading.PulseCount), time.Minute, 1) }
func BenchmarkAddHours(b *testing.B)   { benchmarkAdd(b, Run, of(reading.RunHours), time.Minute, 1.0/61) }
func BenchmarkAddRunning(b *testing.B) { benchmarkAdd(b, Run, of(reading.RunRunning), time.Minute, 0) }
func BenchmarkAddRunningAndHours(b *testing.B) {
	benchmarkAdd(b, Run, of(reading.RunHours, reading.RunRunning), time.Minute, 1.0/122)
}

func BenchmarkBareDelta(b *testing.B) {
	list := of(reading.PulseCount)
	var last int64
	var total float64
	for i := 0; b.Loop(); i++ {
		list[0].Count = int64(i) / 4
		total += float64(list[0].Count - last)
		last = list[0].Count
	}
	_ = total
}

func BenchmarkState(b *testing.B) {
	f := New(Run, Rules{})
	addAll(f, of(reading.RunHours))
	b.ReportAllocs()
	for b.Loop() {
		f.State()
	}
}

func BenchmarkAppendDays(b *testing.B) {
	loc := zone(b, "Europe/Berlin")
	iv := Interval{From: epoch, To: epoch.Add(time.Minute), Amount: 1, Seen: true, Known: true}
	var dst []DayPart
	b.ReportAllocs()
	for b.Loop() {
		dst = AppendDays(dst[:0], iv, loc)
	}
}
