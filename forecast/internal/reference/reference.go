// Package reference reads the numbers of testdata/reference for tests: tables
// that R, SciPy and statsmodels worked out, and the NIST linear regression
// sets with their certified values.
//
// It is for tests only and imports nothing of ours. Start with [Table] and
// [Set].
package reference

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Row is a line of a table.
type Row struct {
	t     testing.TB
	place string
	cells map[string]string
}

// Text is the cell of a column as written.
func (r Row) Text(column string) string {
	r.t.Helper()
	v, ok := r.cells[column]
	require.True(r.t, ok, "%s has no column %s", r.place, column)
	return v
}

// Number is the cell of a column.
func (r Row) Number(column string) float64 {
	r.t.Helper()
	x, err := strconv.ParseFloat(r.Text(column), 64)
	require.NoError(r.t, err, "%s, column %s", r.place, column)
	return x
}

// Table gives the rows of a CSV file of testdata/reference, at least one.
func Table(t testing.TB, name string) []Row {
	t.Helper()
	f, err := os.Open(path(t, name))
	require.NoError(t, err)
	defer func() { require.NoError(t, f.Close()) }()
	lines, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err, name)
	require.Greater(t, len(lines), 1, "%s has no rows", name)
	rows := make([]Row, len(lines)-1)
	for i, line := range lines[1:] {
		rows[i] = Row{t, name + " row " + strconv.Itoa(i+1), map[string]string{}}
		for k, v := range line {
			rows[i].cells[lines[0][k]] = v
		}
	}
	return rows
}

// Column gives one column of a table as numbers.
func Column(t testing.TB, name, column string) []float64 {
	t.Helper()
	var out []float64
	for _, r := range Table(t, name) {
		out = append(out, r.Number(column))
	}
	return out
}

// Quantities gives a table of two columns, quantity and value.
func Quantities(t testing.TB, name string) map[string]float64 {
	t.Helper()
	out := map[string]float64{}
	for _, r := range Table(t, name) {
		out[r.Text("quantity")] = r.Number("value")
	}
	return out
}

// NIST is one of the Statistical Reference Datasets for linear regression.
type NIST struct {
	Y          []float64
	X          [][]float64 // by column, as in the file
	B, SE      []float64   // certified, in the file's order
	ResidualSD float64
	R2         float64
}

// Set reads a NIST file: Norris, Pontius, Longley and so on.
func Set(t testing.TB, name string) NIST {
	t.Helper()
	text, err := os.ReadFile(path(t, filepath.Join("nist", name+".dat")))
	require.NoError(t, err)
	var s NIST
	lines := strings.Split(string(text), "\n")
	number := func(v string) float64 {
		x, err := strconv.ParseFloat(v, 64)
		require.NoError(t, err, name)
		return x
	}
	data := 0
	for i, line := range lines {
		w := strings.Fields(line)
		switch {
		case data > 0 && len(w) > 0:
			s.Y = append(s.Y, number(w[0]))
			for k, v := range w[1:] {
				if len(s.X) <= k {
					s.X = append(s.X, nil)
				}
				s.X[k] = append(s.X[k], number(v))
			}
		case len(w) == 3 && len(w[0]) == 2 && w[0][0] == 'B':
			s.B, s.SE = append(s.B, number(w[1])), append(s.SE, number(w[2]))
		case strings.HasPrefix(strings.TrimSpace(line), "Standard Deviation ") && len(w) == 3:
			s.ResidualSD = number(w[2])
		case len(w) == 2 && w[0] == "R-Squared":
			s.R2 = number(w[1])
		case i > 40 && len(w) > 1 && w[0] == "Data:" && w[1] == "y":
			data = i
		}
	}
	require.NotEmpty(t, s.Y, name)
	require.NotEmpty(t, s.B, name)
	require.Positive(t, s.R2, name)
	return s
}

// path finds a file of testdata/reference from a test's folder, which lies
// somewhere below the one with go.mod.
func path(t testing.TB, name string) string {
	t.Helper()
	dir, err := os.Getwd()
	require.NoError(t, err)
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return filepath.Join(dir, "testdata", "reference", name)
		}
		up := filepath.Dir(dir)
		require.NotEqual(t, dir, up, "no go.mod above the test's folder")
		dir = up
	}
}
