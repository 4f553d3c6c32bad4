package memory_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/config/civil"
	"dwindle/forecast/memory"
)

// What is not covered is unknown, not zero; amounts are cut by time; days are
// the zone's, 23 hours when the clocks go forward.
func TestPastKnowsWhatItWasTold(t *testing.T) {
	loc, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	ctx := context.Background()
	day, err := civil.Parse("2026-03-29") // 23 h
	require.NoError(t, err)
	p := memory.New(loc)
	p.AddDay("m", reading.Run, day, 23)
	p.AddDay("m", reading.Run, day+2, 24)
	p.AddLevel("d", day.Start(loc).Add(time.Hour), reading.LevelCM3, 90)
	p.AddLevel("d", day.Start(loc).Add(20*time.Hour), reading.LevelCM3, 80)
	p.AddLevel("d", (day + 1).Start(loc).Add(time.Hour), reading.LevelCM3, 79)
	wrong := reading.Fact{ID: "1", Kind: reading.FactChange, Point: "p", At: day.Start(loc)}
	right := reading.Fact{ID: "2", Kind: reading.FactChange, Point: "p", At: (day + 1).Start(loc), Corrects: "1"}
	p.AddFact(right)
	p.AddFact(wrong)
	p.Seal()

	days, err := p.Days(ctx, "m", reading.Run, day-5, day+5)
	require.NoError(t, err)
	require.Len(t, days, 2)
	require.Equal(t, reading.Day{Date: day, Amount: 23, Seen: 1, Known: 1}, days[0])
	require.Equal(t, day+2, days[1].Date)

	a, err := p.Amount(ctx, "m", reading.Run, day.End(loc).Add(-2*time.Hour), day.End(loc).Add(2*time.Hour))
	require.NoError(t, err)
	require.InDelta(t, 2, a.Value, 1e-9)
	require.InDelta(t, 0.5, a.Known, 1e-9)

	levels, err := p.Levels(ctx, "d", day.Start(loc), (day + 3).Start(loc))
	require.NoError(t, err)
	require.Len(t, levels, 2)
	require.Equal(t, 80.0, levels[0].Value, "the last of the day")

	facts, err := p.Facts(ctx, (day + 5).Start(loc))
	require.NoError(t, err)
	require.Len(t, facts, 1)
	require.Equal(t, "2", facts[0].ID)

	seen, _, ok, err := p.LastSeen(ctx, "d", day.Start(loc).Add(2*time.Hour))
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, day.Start(loc).Add(time.Hour), seen)
	_, _, ok, err = p.LastSeen(ctx, "d", day.Start(loc))
	require.NoError(t, err)
	require.False(t, ok)
}
