package parquet_test

import (
	"encoding/csv"
	"io"
	"runtime"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/forecast/export"
	"dwindle/forecast/export/parquet"
)

// some makes the row of a reading, one after another.
func some(i int) export.Reading {
	at := time.UnixMilli(1767225600000 + int64(i)*300_017)
	r := reading.Reading{Channel: reading.Channel{Device: "belt-q1", Quantity: reading.RunHours}, At: at, Received: at.Add(time.Second), FromDevice: true, Value: float64(i%100_000) / 8}
	if i%3 == 0 {
		r.Device, r.Quantity, r.Count = "disp-017", reading.PulseCount, int64(i)
	}
	row := export.ReadingOf(r)
	row.Point, row.Machine, row.Area = "belt-q1-head", "belt-q1", "quay"
	return row
}

// BenchmarkReadings writes rows of readings in each format, with nothing before
// or behind, and by encoding/csv for comparison.
func BenchmarkReadings(b *testing.B) {
	rows := make([]export.Reading, 1000)
	for i := range rows {
		rows[i] = some(i)
	}
	table, _ := export.Find("readings", false)
	for name, sink := range map[string]func() export.Sink{
		"csv":     func() export.Sink { return export.NewText(io.Discard, export.CSV, table) },
		"jsonl":   func() export.Sink { return export.NewText(io.Discard, export.JSONLines, table) },
		"parquet": func() export.Sink { return parquet.New(io.Discard, table, "1", nil) },
	} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			w := export.New[export.Reading](sink(), table)
			i := 0
			for b.Loop() {
				if err := w.Write(rows[i%len(rows)]); err != nil {
					b.Fatal(err)
				}
				i++
			}
			if err := w.Close(); err != nil {
				b.Fatal(err)
			}
		})
	}
	b.Run("encoding-csv", func(b *testing.B) {
		b.ReportAllocs()
		w := csv.NewWriter(io.Discard)
		row := make([]string, 12)
		const layout = "2006-01-02T15:04:05.000Z07:00"
		i := 0
		for b.Loop() {
			r := &rows[i%len(rows)]
			i++
			row[0], row[1] = r.Device, r.Quantity
			row[2], row[3] = r.At.UTC().Format(layout), r.Received.UTC().Format(layout)
			row[4], row[5] = strconv.FormatBool(r.FromDevice), strconv.FormatFloat(r.Value, 'f', -1, 64)
			if row[6] = ""; r.Count != nil {
				row[6] = strconv.FormatInt(*r.Count, 10)
			}
			row[7], row[8], row[9], row[10], row[11] = r.Key, r.Flags, r.Point, r.Machine, r.Area
			if err := w.Write(row); err != nil {
				b.Fatal(err)
			}
		}
		w.Flush()
	})
}

// However many rows there are, what is held does not grow with them: a dozen row
// groups, of which each cell alone takes 24 bytes before it is written, stay
// below a fraction of that.
func TestMemoryIsConstant(t *testing.T) {
	table, _ := export.Find("readings", false)
	const rows = 12*parquet.GroupRows + 10
	all := int64(rows * len(table.Columns) * 24)
	for name, sink := range map[string]func() export.Sink{
		"csv":     func() export.Sink { return export.NewText(io.Discard, export.CSV, table) },
		"parquet": func() export.Sink { return parquet.New(io.Discard, table, "1", nil) },
	} {
		w := export.New[export.Reading](sink(), table)
		var most int64
		for i := range rows {
			require.NoError(t, w.Write(some(i)))
			if i%(parquet.GroupRows/2) == parquet.GroupRows/2-1 {
				runtime.GC()
				var m runtime.MemStats
				runtime.ReadMemStats(&m)
				most = max(most, int64(m.HeapAlloc))
			}
		}
		require.NoError(t, w.Close())
		t.Logf("%s: at most %d kB of %d", name, most>>10, all>>10)
		require.Less(t, most, all/4, name)
	}
}
