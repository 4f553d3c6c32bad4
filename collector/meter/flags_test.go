package meter

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
)

func TestDoubtsOfAReadingPassToItsIntervals(t *testing.T) {
	f := New(Pulse, Rules{Every: time.Minute})
	r := reading.Reading{Channel: reading.Channel{Device: "d", Quantity: reading.PulseCount}, At: epoch, Count: 1}
	f.Add(r)
	r.At, r.Count, r.Flags = epoch.Add(time.Minute), 2, reading.ReceiveTime|reading.Conflict|reading.Retained
	out := f.Add(r)
	require.Len(t, out, 1)
	require.Equal(t, reading.ReceiveTime|reading.Conflict, out[0].Flags)
}

func TestGroupsKnowTheirQuantities(t *testing.T) {
	for q, want := range map[reading.Quantity]reading.Kind{
		reading.RunRunning: reading.Run, reading.RunHours: reading.Run, reading.RunSeconds: reading.Run,
		reading.PulseCount: reading.Pulse, reading.PulseIncrement: reading.Pulse,
		reading.DoseCM3: reading.Dose, reading.DoseStrokes: reading.Dose,
	} {
		g, ok := GroupOf(q)
		require.True(t, ok)
		require.Equal(t, want, g.Kind())
		require.True(t, g.Wants(q))
		require.False(t, (g+1)%3 == g || ((g+1)%3).Wants(q))
	}
	_, ok := GroupOf(reading.LevelCM3)
	require.False(t, ok)
}
