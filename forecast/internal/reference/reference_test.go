package reference_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/forecast/internal/reference"
)

func TestTable(t *testing.T) {
	rows := reference.Table(t, "nile.csv")
	require.Len(t, rows, 100)
	require.Equal(t, 1871.0, rows[0].Number("year"))
	require.Equal(t, "1120", rows[0].Text("flow"))
	require.Equal(t, 740.0, reference.Column(t, "nile.csv", "flow")[99])
	require.InDelta(t, 28, reference.Quantities(t, "nile_break.csv")["after"], 0)
}

// Sizes as the files' heads state them.
func TestSet(t *testing.T) {
	for name, size := range map[string][3]int{ // rows, columns of x, parameters
		"Norris": {36, 1, 2}, "NoInt1": {11, 1, 1}, "NoInt2": {3, 1, 1}, "Pontius": {40, 1, 3},
		"Longley": {16, 6, 7}, "Wampler1": {21, 1, 6}, "Wampler5": {21, 1, 6},
	} {
		s := reference.Set(t, name)
		require.Len(t, s.Y, size[0], name)
		require.Len(t, s.X, size[1], name)
		require.Len(t, s.X[0], size[0], name)
		require.Len(t, s.B, size[2], name)
	}
	require.Equal(t, 304.854073561965, reference.Set(t, "Longley").ResidualSD)
	require.Equal(t, 83.0, reference.Set(t, "Longley").X[0][0])
}
