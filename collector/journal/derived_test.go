package journal

import (
	"bytes"
	"context"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/config/civil"
)

func TestStatesArePackedWithoutLoss(t *testing.T) {
	for _, state := range [][]byte{nil, {0}, bytes.Repeat([]byte{0, 1, 2, 0, 0, 0}, 200), []byte("short")} {
		back, err := unpack(pack(state))
		require.NoError(t, err)
		require.True(t, bytes.Equal(state, back))
	}
	require.Less(t, len(pack(make([]byte, 1000))), 50)
	_, err := unpack([]byte{0xff, 0xff, 0xff})
	require.Error(t, err)
}

func TestOldCheckpointsThinOut(t *testing.T) {
	ctx := context.Background()
	j := fresh(t)
	const last = 20_000
	save := func(days ...civil.Date) {
		u := Update{Series: Series{"mill-1", reading.Run}, Head: Head{At: t0, State: []byte{7}}}
		for _, d := range days {
			u.Checkpoints = append(u.Checkpoints, Checkpoint{Day: d, State: []byte{byte(d)}})
		}
		_, err := j.SaveDerived(ctx, []Update{u})
		require.NoError(t, err)
	}
	var bulk []civil.Date
	for d := civil.Date(last - 200); d <= last-100; d++ {
		bulk = append(bulk, d)
	}
	save(bulk...)
	for d := civil.Date(last - 99); d <= last; d++ {
		save(d)
	}
	var days []civil.Date
	rows, err := j.reader.Query("SELECT (place & 4294967295) - 2147483648 FROM checkpoint ORDER BY place")
	require.NoError(t, err)
	defer rows.Close()
	for rows.Next() {
		var d civil.Date
		require.NoError(t, rows.Scan(&d))
		days = append(days, d)
	}
	var want []civil.Date
	for d := civil.Date(last - 200); d <= last; d++ {
		if d >= last-checkpointDays || d%7 == 0 {
			want = append(want, d)
		}
	}
	require.Equal(t, want, days)

	s, err := j.Snapshot(ctx)
	require.NoError(t, err)
	defer s.Close()
	head, ok, err := s.Head(Series{"mill-1", reading.Run})
	require.NoError(t, err)
	require.True(t, ok)
	state, err := head.State()
	require.NoError(t, err)
	require.Equal(t, []byte{7}, state)
	c, ok, err := s.CheckpointAt(head.ID, last-60)
	require.NoError(t, err)
	require.True(t, ok)
	require.Zero(t, c.Day%7)
	require.LessOrEqual(t, c.Day, civil.Date(last-60))
	require.Equal(t, []byte{byte(c.Day)}, c.State)
}
