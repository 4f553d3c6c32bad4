package calibration

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestATableThatIsNotWhatWasLearnedShows(t *testing.T) {
	table := learn(t, fleet(8, 120, 0.2, 0, 0.01), today)
	text, err := json.Marshal(table)
	require.NoError(t, err)
	read, err := Read(text)
	require.NoError(t, err)
	require.True(t, read.Intact())
	for name, change := range map[string]func(*Table){
		"version": func(x *Table) { x.Version = "2026-06-01-000000" },
		"day":     func(x *Table) { x.Learned++ },
		"level":   func(x *Table) { x.Levels[Young][0].Low += 1e-6 },
		"lean":    func(x *Table) { x.Fleet.Lean[0][0]++ },
	} {
		damaged := *read
		change(&damaged)
		require.False(t, damaged.Intact(), name)
	}
}
