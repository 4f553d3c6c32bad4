package export_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"flag"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/collector/reading"
	"dwindle/config/civil"
	"dwindle/forecast/export"
)

var update = flag.Bool("update", false, "write the golden files anew")

func day(text string) civil.Date {
	d, err := civil.Parse(text)
	if err != nil {
		panic(err)
	}
	return d
}

func ptr[T any](v T) *T { return &v }

// golden compares bytes, line ends included.
func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(path, got, 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, string(want), string(got))
}

func TestTablesGolden(t *testing.T) {
	at := time.Date(2026, 3, 29, 1, 30, 0, 250e6, time.UTC)
	for _, f := range []export.Format{export.CSV, export.JSONLines} {
		var b bytes.Buffer
		usage := export.New[export.Usage](&b, f)
		require.NoError(t, usage.Write(export.Usage{Dispenser: "disp-001", Point: "elev1-head", Machine: "elev1", Date: day("2026-03-29"), RunHours: ptr(17.25), CommandedCM3: ptr(0.43125), Seen: 0.96, Flags: export.Flags(reading.Gap | reading.Reset)}))
		require.NoError(t, usage.Write(export.Usage{Dispenser: "disp-002", Point: "gate1-rack", Machine: "gate1", Date: day("2026-03-29"), Pulses: ptr(12.0), CommandedCM3: ptr(3.6), DeliveredCM3: ptr(3.1), Seen: 1}))
		require.NoError(t, usage.Close())
		golden(t, "usage."+string(f), b.Bytes())

		b.Reset()
		machines := export.New[export.MachineDay](&b, f)
		require.NoError(t, machines.Write(export.MachineDay{Machine: "elev1", Date: day("2026-03-29"), RunHours: 17.25, Seen: 0.96, Flags: "gap"}))
		require.NoError(t, machines.Close())
		golden(t, "machines."+string(f), b.Bytes())

		b.Reset()
		readings := export.New[export.Reading](&b, f)
		require.NoError(t, readings.Write(export.ReadingOf(reading.Reading{Channel: reading.Channel{Device: "elev1", Quantity: reading.RunHours}, At: at, Received: at.Add(time.Second), FromDevice: true, Value: 1234.5})))
		require.NoError(t, readings.Write(export.ReadingOf(reading.Reading{Channel: reading.Channel{Device: "disp-002", Quantity: reading.PulseCount}, At: at, Received: at, Value: 9007199254740993, Count: 9007199254740993, Flags: reading.Inexact | reading.ReceiveTime})))
		require.NoError(t, readings.Close())
		golden(t, "readings."+string(f), b.Bytes())

		b.Reset()
		trends := export.New[export.Trend](&b, f)
		require.NoError(t, trends.Write(export.Trend{Group: "point", ID: "elev1-head", From: day("2026-01-01"), To: day("2026-03-29"), Days: 80, CM3Per100h: ptr(2.48), SE: ptr(0.03), Low: ptr(2.43), High: ptr(2.53), CM3PerDay: ptr(0.4), ChangeMarks: []string{"2026-02-02", "2026-03-01"}, Volume: "delivered"}))
		require.NoError(t, trends.Write(export.Trend{Group: "area", ID: "tower", From: day("2026-01-01"), To: day("2026-03-29"), Volume: "commanded"}))
		require.NoError(t, trends.Close())
		golden(t, "trends."+string(f), b.Bytes())

		b.Reset()
		odd := export.NewTable(&b, f, "text", "number", "yes", "when", "none")
		require.NoError(t, odd.Row("=1+1, \"quoted\"\nsecond line", 1e-7, true, at, (*float64)(nil)))
		require.NoError(t, odd.Row(" leading space", math.NaN(), false, time.Time{}, nil))
		require.NoError(t, odd.Row("Fettdüse 5 µm, côté", -0.1, false, at, 7))
		require.NoError(t, odd.Close())
		golden(t, "odd."+string(f), b.Bytes())
	}
}

// Whatever a text holds, a reader of RFC 4180 gets it back, and JSON too.
func TestTextIsNeverAltered(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.String().Draw(t, "text")
		var b bytes.Buffer
		table := export.NewTable(&b, export.CSV, "a", "b")
		require.NoError(t, table.Row(s, "end"))
		require.NoError(t, table.Close())
		r := csv.NewReader(strings.NewReader(b.String()))
		rows, err := r.ReadAll()
		require.NoError(t, err)
		require.Len(t, rows, 2)
		// The library's reader folds CRLF inside a cell to LF; the bytes hold it.
		require.Equal(t, strings.ReplaceAll(s, "\r\n", "\n"), strings.ReplaceAll(rows[1][0], "\r\n", "\n"))
		require.Contains(t, b.String(), strings.ReplaceAll(s, `"`, `""`))

		b.Reset()
		table = export.NewTable(&b, export.JSONLines, "a")
		require.NoError(t, table.Row(s))
		require.NoError(t, table.Close())
		var back struct{ A *string }
		require.NoError(t, json.Unmarshal(b.Bytes(), &back))
		if s == "" {
			require.Nil(t, back.A)
		} else {
			require.Equal(t, s, *back.A)
		}
		require.Equal(t, 1, strings.Count(b.String(), "\n"))
	})
}

type full struct{}

var errFull = errors.New("no space left")

func (full) Write([]byte) (int, error) { return 0, errFull }

func TestWriteErrorsStick(t *testing.T) {
	table := export.NewTable(full{}, export.CSV, "a")
	var err error
	for i := 0; i < 100000 && err == nil; i++ {
		err = table.Row("some text that fills the buffer")
	}
	require.ErrorIs(t, err, errFull)
	require.ErrorIs(t, table.Row("x"), errFull)
	require.ErrorIs(t, table.Close(), errFull)
	require.Error(t, export.NewTable(&bytes.Buffer{}, export.CSV, "a", "b").Row("only one"))
}

func TestParseFormat(t *testing.T) {
	f, err := export.ParseFormat("CSV")
	require.NoError(t, err)
	require.Equal(t, export.CSV, f)
	_, err = export.ParseFormat("xlsx")
	require.ErrorContains(t, err, "want csv or jsonl")
}

func BenchmarkUsageCSV(b *testing.B) {
	rows := export.New[export.Usage](discard{}, export.CSV)
	row := export.Usage{Dispenser: "disp-001", Point: "elev1-head", Machine: "elev1", Date: day("2026-03-29"), RunHours: ptr(17.25), CommandedCM3: ptr(0.43125), Seen: 0.96}
	b.ReportAllocs()
	for b.Loop() {
		if err := rows.Write(row); err != nil {
			b.Fatal(err)
		}
	}
}

type discard struct{}

func (discard) Write(p []byte) (int, error) { return len(p), nil }

func TestComputedFiguresComeWithoutTheDustOfSums(t *testing.T) {
	a, b := 0.1, 0.2 // variables: constants are added exactly
	sum := a + b
	var out bytes.Buffer
	rows := export.New[export.MachineDay](&out, export.CSV)
	require.NoError(t, rows.Write(export.MachineDay{Machine: "be-01", Date: civil.New(2026, 11, 25), RunHours: sum, Seen: 1}))
	require.NoError(t, rows.Close())
	require.Contains(t, out.String(), ",0.3,1,")

	out.Reset()
	raw := export.New[export.Reading](&out, export.CSV)
	require.NoError(t, raw.Write(export.Reading{Device: "be-01", Value: sum}))
	require.NoError(t, raw.Close())
	require.Contains(t, out.String(), ",0.30000000000000004,", "readings stay as they were read")
}
