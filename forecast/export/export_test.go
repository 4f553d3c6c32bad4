package export_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"flag"
	"io"
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

// begin begins a table of the dictionary, or one made up.
func begin[T any](t require.TestingT, w io.Writer, f export.Format, table any) *export.Rows[T] {
	described, ok := table.(export.Table)
	if name, is := table.(string); is {
		described, ok = export.Find(name, false)
	}
	require.True(t, ok)
	return export.New[T](export.NewText(w, f, described), described)
}

// odd is a table of every type, with what is hard to write.
type odd struct {
	Text   string      `json:"text"`
	Number *float64    `json:"number"`
	Count  *int64      `json:"count"`
	Yes    *bool       `json:"yes"`
	When   time.Time   `json:"when"`
	Day    *civil.Date `json:"day"`
	Words  []string    `json:"words"`
	Must   string      `json:"must"`
}

var oddTable = export.Table{Name: "odd", AsRead: true, Columns: []export.Column{
	{Name: "text", Type: export.TextType, Empty: "none"}, {Name: "number", Type: export.NumberType, Empty: "none"},
	{Name: "count", Type: export.CountType, Empty: "none"}, {Name: "yes", Type: export.TruthType, Empty: "none"},
	{Name: "when", Type: export.InstantType, Empty: "none"}, {Name: "day", Type: export.DateType, Empty: "none"},
	{Name: "words", Type: export.ListType, Empty: "none"}, {Name: "must", Type: export.TextType},
}}

func TestTablesGolden(t *testing.T) {
	at := time.Date(2026, 3, 29, 1, 30, 0, 250e6, time.UTC)
	for _, f := range []export.Format{export.CSV, export.JSONLines} {
		var b bytes.Buffer
		usage := begin[export.Usage](t, &b, f, "usage")
		require.NoError(t, usage.Write(export.Usage{Dispenser: "disp-001", Point: "elev1-head", Machine: "elev1", Date: day("2026-03-29"), RunHours: ptr(17.25), CommandedCM3: ptr(0.43125), Seen: 0.96, Flags: export.Flags(reading.Gap | reading.Reset), Zone: "Europe/Berlin"}))
		require.NoError(t, usage.Write(export.Usage{Dispenser: "disp-002", Point: "gate1-rack", Machine: "gate1", Date: day("2026-03-29"), Pulses: ptr(12.0), CommandedCM3: ptr(3.6), DeliveredCM3: ptr(3.1), Seen: 1, Zone: "Europe/Berlin"}))
		require.NoError(t, usage.Close())
		golden(t, "usage."+string(f), b.Bytes())

		b.Reset()
		machines := begin[export.MachineDay](t, &b, f, "machines")
		require.NoError(t, machines.Write(export.MachineDay{Machine: "elev1", Date: day("2026-03-29"), RunHours: 17.25, Seen: 0.96, Flags: "gap", Zone: "Europe/Berlin"}))
		require.NoError(t, machines.Close())
		golden(t, "machines."+string(f), b.Bytes())

		b.Reset()
		readings := begin[export.Reading](t, &b, f, "readings")
		require.NoError(t, readings.Write(export.ReadingOf(reading.Reading{Channel: reading.Channel{Device: "elev1", Quantity: reading.RunHours}, At: at, Received: at.Add(time.Second), FromDevice: true, Value: 1234.5})))
		row := export.ReadingOf(reading.Reading{Channel: reading.Channel{Device: "disp-002", Quantity: reading.PulseCount}, At: at, Received: at, Value: 9007199254740993, Count: 9007199254740993, Flags: reading.Inexact | reading.ReceiveTime})
		row.Point, row.Machine, row.Area = "gate1-rack", "gate1", "intake"
		require.NoError(t, readings.Write(row))
		require.NoError(t, readings.Close())
		golden(t, "readings."+string(f), b.Bytes())

		b.Reset()
		trends := begin[export.Trend](t, &b, f, "trends")
		require.NoError(t, trends.Write(export.Trend{Group: "point", ID: "elev1-head", From: day("2026-01-01"), To: day("2026-03-29"), Days: 80, CM3Per100h: ptr(2.48), SE: ptr(0.03), Low: ptr(2.43), High: ptr(2.53), CM3PerDay: ptr(0.4), ChangeMarks: []string{"2026-02-02", "2026-03-01"}, Volume: "delivered", Points: 1, Zone: "UTC"}))
		require.NoError(t, trends.Write(export.Trend{Group: "area", ID: "tower", Volume: "commanded", LeftOut: 3, Zone: "UTC"}))
		require.NoError(t, trends.Close())
		golden(t, "trends."+string(f), b.Bytes())

		b.Reset()
		rows := begin[odd](t, &b, f, oddTable)
		require.NoError(t, rows.Write(odd{"=1+1, \"quoted\"\nsecond line", ptr(1e-7), ptr(int64(math.MaxInt64)), ptr(true), at, ptr(day("2026-03-29")), []string{"a b", `c;"d",e`}, "x"}))
		require.NoError(t, rows.Write(odd{" leading space", ptr(math.NaN()), nil, ptr(false), time.Time{}, nil, []string{}, ""}))
		require.NoError(t, rows.Write(odd{"Fettdüse 5 µm, côté", ptr(-0.1), ptr(int64(-7)), nil, at.In(time.FixedZone("", 7200)), ptr(civil.Date(-1)), nil, "\t"}))
		require.NoError(t, rows.Write(odd{Number: ptr(0.0), Count: ptr(int64(0))}))
		require.NoError(t, rows.Close())
		golden(t, "odd."+string(f), b.Bytes())
	}
}

// Whatever a text holds, a reader of RFC 4180 gets it back, and JSON too.
func TestTextIsNeverAltered(t *testing.T) {
	type row struct {
		A string `json:"a"`
		B string `json:"b"`
	}
	table := export.Table{Name: "texts", Columns: []export.Column{{Name: "a", Type: export.TextType, Empty: "none"}, {Name: "b", Type: export.TextType}}}
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.String().Draw(t, "text")
		var b bytes.Buffer
		rows := begin[row](t, &b, export.CSV, table)
		require.NoError(t, rows.Write(row{s, "end"}))
		require.NoError(t, rows.Close())
		r := csv.NewReader(strings.NewReader(b.String()))
		read, err := r.ReadAll()
		require.NoError(t, err)
		require.Len(t, read, 2)
		// The library's reader folds CRLF inside a cell to LF; the bytes hold it.
		require.Equal(t, strings.ReplaceAll(s, "\r\n", "\n"), strings.ReplaceAll(read[1][0], "\r\n", "\n"))
		require.Contains(t, b.String(), strings.ReplaceAll(s, `"`, `""`))

		b.Reset()
		rows = begin[row](t, &b, export.JSONLines, table)
		require.NoError(t, rows.Write(row{s, "end"}))
		require.NoError(t, rows.Close())
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
	rows := begin[odd](t, full{}, export.CSV, oddTable)
	var err error
	for i := 0; i < 100000 && err == nil; i++ {
		err = rows.Write(odd{Text: "some text that fills the buffer"})
	}
	require.ErrorIs(t, err, errFull)
	require.ErrorIs(t, rows.Write(odd{}), errFull)
	require.ErrorIs(t, rows.Close(), errFull)
}

// A row type that is not what the dictionary says is refused at the first row,
// and so is a value that is missing where there always has to be one.
func TestRowsHoldToTheDictionary(t *testing.T) {
	type fewer struct {
		Text string `json:"text"`
	}
	require.ErrorContains(t, begin[fewer](t, io.Discard, export.CSV, oddTable).Write(fewer{}), "1 fields for 8 columns")
	type other struct {
		Text float64 `json:"text"`
	}
	one := export.Table{Name: "one", Columns: oddTable.Columns[:1]}
	require.ErrorContains(t, begin[other](t, io.Discard, export.CSV, one).Write(other{}), "text (number) where the dictionary has text (text)")
	type channel struct {
		C chan int `json:"c"`
	}
	require.ErrorContains(t, begin[channel](t, io.Discard, export.CSV, one).Close(), "no column can hold")
	type must struct {
		At time.Time `json:"at"`
	}
	at := export.Table{Name: "must", Columns: []export.Column{{Name: "at", Type: export.InstantType}}}
	require.ErrorContains(t, begin[must](t, io.Discard, export.JSONLines, at).Write(must{}), "column at has no value")
}

// The dictionary has every word that the column flags can hold, in their order.
func TestEveryFlagIsDescribed(t *testing.T) {
	var words []string
	for _, w := range export.FlagWords {
		require.NotEmpty(t, w.Meaning, w.Word)
		words = append(words, w.Word)
	}
	require.Equal(t, export.Flags(^reading.Flags(0)), strings.Join(words, " "))
}

func TestParseFormat(t *testing.T) {
	f, err := export.ParseFormat("CSV")
	require.NoError(t, err)
	require.Equal(t, export.CSV, f)
	_, err = export.ParseFormat("xlsx")
	require.ErrorContains(t, err, "want csv, jsonl or parquet")
}

func TestComputedFiguresComeWithoutTheDustOfSums(t *testing.T) {
	a, b := 0.1, 0.2 // variables: constants are added exactly
	sum := a + b
	var out bytes.Buffer
	rows := begin[export.MachineDay](t, &out, export.CSV, "machines")
	require.NoError(t, rows.Write(export.MachineDay{Machine: "be-01", Date: civil.New(2026, 11, 25), RunHours: sum, Seen: 1}))
	require.NoError(t, rows.Close())
	require.Contains(t, out.String(), ",0.3,1,")

	out.Reset()
	raw := begin[export.Reading](t, &out, export.CSV, "readings")
	now := time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC)
	require.NoError(t, raw.Write(export.Reading{Device: "be-01", At: now, Received: now, Value: sum}))
	require.NoError(t, raw.Close())
	require.Contains(t, out.String(), ",0.30000000000000004,", "readings stay as they were read")
}

// A file is under its name once it is whole, and never before.
func TestFilesAreWholeOrNotThere(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "out.csv")
	names := func() (list []string) {
		entries, err := os.ReadDir(dir)
		require.NoError(t, err)
		for _, e := range entries {
			list = append(list, e.Name())
		}
		return list
	}
	f, err := export.Create(path)
	require.NoError(t, err)
	_, err = f.WriteString("half")
	require.NoError(t, err)
	require.NoFileExists(t, path)
	f.Discard()
	require.Empty(t, names())

	require.NoError(t, os.WriteFile(path, []byte("old"), 0o600))
	require.NoError(t, os.Symlink("out.csv", filepath.Join(dir, "link.csv")))
	f, err = export.Create(filepath.Join(dir, "link.csv"))
	require.NoError(t, err)
	_, err = f.WriteString("new")
	require.NoError(t, err)
	old, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, "old", string(old), "what was there stays until the new one is whole")
	require.NoError(t, f.Commit())
	require.Equal(t, []string{"link.csv", "out.csv"}, names())
	whole, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, "new", string(whole))

	_, err = export.Create(dir)
	require.ErrorContains(t, err, "is a directory")
	_, err = export.Create(filepath.Join(dir, "no", "such", "folder.csv"))
	require.ErrorIs(t, err, os.ErrNotExist)
	device, err := export.Create(os.DevNull)
	require.NoError(t, err)
	require.NoError(t, device.Commit())
}
