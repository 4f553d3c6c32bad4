package parquet_test

import (
	"bytes"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	pq "github.com/parquet-go/parquet-go"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/config/civil"
	"dwindle/forecast/export"
	"dwindle/forecast/export/parquet"
)

// row is a table of every type, once as it must be and once as it may be.
type row struct {
	Text   string      `json:"text"`
	Number float64     `json:"number"`
	Count  int64       `json:"count"`
	Yes    bool        `json:"yes"`
	When   time.Time   `json:"when"`
	Day    civil.Date  `json:"day"`
	Words  []string    `json:"words"`
	Text2  string      `json:"a_text"`
	Num2   *float64    `json:"a_number"`
	Count2 *int64      `json:"a_count"`
	Yes2   *bool       `json:"a_yes"`
	When2  *time.Time  `json:"a_when"`
	Day2   *civil.Date `json:"a_day"`
	Words2 []string    `json:"a_words"`
}

var table = func() export.Table {
	t := export.Table{Name: "odd"}
	types := []export.Type{export.TextType, export.NumberType, export.CountType, export.TruthType, export.InstantType, export.DateType, export.ListType}
	for _, empty := range []string{"", "none"} {
		for i, name := range []string{"text", "number", "count", "yes", "when", "day", "words"} {
			if empty != "" {
				name = "a_" + name
			}
			t.Columns = append(t.Columns, export.Column{Name: name, Type: types[i], Empty: empty})
		}
	}
	return t
}()

// write writes rows and opens the file.
func write(t require.TestingT, rows []row, properties ...parquet.Property) *pq.File {
	var b bytes.Buffer
	w := export.New[row](parquet.New(&b, table, "1.2.3", properties), table)
	for _, r := range rows {
		require.NoError(t, w.Write(r))
	}
	require.NoError(t, w.Close())
	f, err := pq.OpenFile(bytes.NewReader(b.Bytes()), int64(b.Len()))
	require.NoError(t, err)
	return f
}

func TestSchemaSaysWhatThereIs(t *testing.T) {
	f := write(t, nil, parquet.Property{Key: "what", Value: "odd"}, parquet.Property{Key: "zone", Value: "Europe/Berlin"})
	require.Equal(t, strings.TrimSpace(`
message odd {
	required binary text (STRING);
	required double number;
	required int64 count (INT(64,true));
	required boolean yes;
	required int64 when (TIMESTAMP(isAdjustedToUTC=true,unit=MILLIS));
	required int32 day (DATE);
	required group words (LIST) {
		repeated group list {
			required binary element (STRING);
		}
	}
	optional binary a_text (STRING);
	optional double a_number;
	optional int64 a_count (INT(64,true));
	optional boolean a_yes;
	optional int64 a_when (TIMESTAMP(isAdjustedToUTC=true,unit=MILLIS));
	optional int32 a_day (DATE);
	optional group a_words (LIST) {
		repeated group list {
			required binary element (STRING);
		}
	}
}`), f.Schema().String())
	what, ok := f.Lookup("what")
	require.True(t, ok)
	require.Equal(t, "odd", what)
	require.Zero(t, f.NumRows(), "a table without rows is a file all the same")
	require.Contains(t, f.Metadata().CreatedBy, "dwindle version 1.2.3")
}

// cells reads a file back, column by column.
func cells(t require.TestingT, f *pq.File) (out [][]pq.Value) {
	out = make([][]pq.Value, len(table.Columns))
	for _, g := range f.RowGroups() {
		rows := g.Rows()
		buf := make([]pq.Row, 100)
		for {
			n, err := rows.ReadRows(buf)
			for _, r := range buf[:n] {
				for _, v := range r {
					out[v.Column()] = append(out[v.Column()], v.Clone())
				}
			}
			if err != nil {
				break
			}
		}
		require.NoError(t, rows.Close())
	}
	return out
}

// What goes in comes out, whatever it is.
func TestCellsComeBack(t *testing.T) {
	text := rapid.Custom(func(t *rapid.T) string { return rapid.StringN(0, 20, -1).Draw(t, "text") })
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 40).Draw(t, "rows")
		var rows []row
		for range n {
			r := row{
				Text: text.Draw(t, "text"), Number: rapid.Float64().Draw(t, "number"), Count: rapid.Int64().Draw(t, "count"),
				Yes: rapid.Bool().Draw(t, "yes"), When: time.UnixMilli(rapid.Int64Range(-1e13, 1e14).Draw(t, "when")),
				Day: civil.Date(rapid.Int32Range(1, 1e5).Draw(t, "day")), Words: rapid.SliceOfN(text, 0, 4).Draw(t, "words"),
			}
			if math.IsInf(r.Number, 0) || math.IsNaN(r.Number) {
				r.Number = 0 // no such value is ever written
			}
			if rapid.Bool().Draw(t, "all") {
				r.Text2, r.Num2, r.Count2, r.Yes2, r.When2, r.Day2, r.Words2 = r.Text, &r.Number, &r.Count, &r.Yes, &r.When, &r.Day, r.Words
			}
			rows = append(rows, r)
		}
		got := cells(t, write(t, rows))
		at := make([]int, len(got))
		take := func(column int) pq.Value {
			v := got[column][at[column]]
			at[column]++
			return v
		}
		list := func(column int) (out []string, null bool) {
			v := take(column)
			if v.IsNull() {
				return nil, v.DefinitionLevel() == 0 && column > 6
			}
			out = append(out, string(v.ByteArray()))
			for at[column] < len(got[column]) && got[column][at[column]].RepetitionLevel() > 0 {
				out = append(out, string(take(column).ByteArray()))
			}
			return out, false
		}
		for _, r := range rows {
			require.Equal(t, r.Text, string(take(0).ByteArray()))
			require.Equal(t, r.Number, take(1).Double())
			require.Equal(t, r.Count, take(2).Int64())
			require.Equal(t, r.Yes, take(3).Boolean())
			require.Equal(t, r.When.UnixMilli(), take(4).Int64())
			require.Equal(t, int32(r.Day), take(5).Int32())
			words, _ := list(6)
			require.Len(t, words, len(r.Words))
			for i := range words {
				require.Equal(t, r.Words[i], words[i])
			}
			for column := 7; column < 13; column++ {
				v := take(column)
				none := r.Num2 == nil || column == 7 && r.Text2 == ""
				require.Equal(t, none, v.IsNull(), table.Columns[column].Name)
				if !none && column == 9 {
					require.Equal(t, *r.Count2, v.Int64())
				}
			}
			words, null := list(13)
			require.Equal(t, r.Words2 == nil, null)
			require.Len(t, words, len(r.Words2))
		}
	})
}

// Row groups are bounded, in rows and in bytes, and the texts of one that are all
// different do not grow a dictionary for ever.
func TestRowGroupsAreBounded(t *testing.T) {
	rows := make([]row, parquet.GroupRows+10)
	now := time.UnixMilli(1)
	for i := range rows {
		rows[i] = row{Text: "be-01", When: now, Day: 1, Words: []string{}}
	}
	f := write(t, rows)
	require.Len(t, f.RowGroups(), 2)
	require.EqualValues(t, parquet.GroupRows, f.RowGroups()[0].NumRows())
	require.EqualValues(t, len(rows), f.NumRows())

	rows = rows[:3000]
	for i := range rows {
		rows[i].Text = strings.Repeat(string(rune('a'+i%26)), 30000) + time.UnixMilli(int64(i)).String()
	}
	f = write(t, rows)
	require.Greater(t, len(f.RowGroups()), 2)
	require.EqualValues(t, 3000, f.NumRows())
	got := cells(t, f)[0]
	for i := range rows {
		require.Equal(t, rows[i].Text, string(got[i].ByteArray()))
	}
}

// Readers refuse a file with a text that is no UTF-8.
func TestTextsAreUTF8(t *testing.T) {
	got := cells(t, write(t, []row{{Text: "a\xffb", When: time.UnixMilli(1), Day: 1, Words: []string{"\xff"}}}))
	require.Equal(t, "a\uFFFDb", string(got[0][0].ByteArray()))
	require.Equal(t, "\uFFFD", string(got[6][0].ByteArray()))
}

var errFull = errors.New("no space left")

// limited takes some bytes and fails then.
type limited struct{ left int }

func (l *limited) Write(p []byte) (int, error) {
	if l.left -= len(p); l.left < 0 {
		return 0, errFull
	}
	return len(p), nil
}

func TestWriteErrorsStick(t *testing.T) {
	for _, left := range []int{0, 2, 1000, 100_000} {
		w := export.New[row](parquet.New(&limited{left}, table, "1", nil), table)
		var err error
		for i := 0; i < 3*parquet.GroupRows && err == nil; i++ {
			err = w.Write(row{Number: float64(i) * math.Pi, When: time.UnixMilli(int64(i)), Day: 1})
		}
		if err == nil {
			err = w.Close()
		}
		require.ErrorIs(t, err, errFull, left)
		require.ErrorIs(t, w.Close(), errFull, left)
	}
}

func TestRowsOfAnotherLengthAreRefused(t *testing.T) {
	s := parquet.New(&bytes.Buffer{}, table, "1", nil)
	s.Text("one")
	require.ErrorContains(t, s.EndRow(), "a row of 1 cells for 14 columns")
	s = parquet.New(&bytes.Buffer{}, table, "1", nil)
	for range table.Columns {
		s.None()
	}
	require.ErrorContains(t, s.EndRow(), "column text must have a value")
}
