package journal

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/config/civil"
)

func TestTheNewestCalibrationOfADayIsGiven(t *testing.T) {
	j := fresh(t)
	ctx := t.Context()
	_, ok, err := j.Calibration(ctx, civil.New(2026, 6, 1))
	require.NoError(t, err)
	require.False(t, ok)

	first, second := civil.New(2026, 5, 1), civil.New(2026, 5, 8)
	for _, c := range []Calibration{
		{"b", second, t0.Add(time.Hour), []byte("second")},
		{"a", first, t0.Add(2 * time.Hour), []byte("first")},
		{"c", second, t0.Add(3 * time.Hour), []byte("again")},
	} {
		require.NoError(t, j.SaveCalibration(ctx, c))
	}
	for day, want := range map[civil.Date]string{first - 1: "", first: "a", second - 1: "a", second: "c", second + 400: "c"} {
		c, ok, err := j.Calibration(ctx, day)
		require.NoError(t, err)
		require.Equal(t, want != "", ok, day)
		require.Equal(t, want, c.Version, day)
	}
	// What is learned once more the same day is the newest again.
	again := Calibration{"b", second, t0.Add(4 * time.Hour), []byte("second")}
	require.NoError(t, j.SaveCalibration(ctx, again))
	c, ok, err := j.Calibration(ctx, second)
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, again, c)
}

func TestCalibrationsOfLongAgoGo(t *testing.T) {
	j := fresh(t)
	ctx := t.Context()
	const more = 5
	day := civil.New(2023, 1, 1)
	for i := range keptCalibrations + more {
		require.NoError(t, j.SaveCalibration(ctx, Calibration{Version: fmt.Sprint(i), Learned: day + 7*civil.Date(i), Stored: t0, Body: []byte("{}")}))
	}
	_, ok, err := j.Calibration(ctx, day+7*more-1)
	require.NoError(t, err)
	require.False(t, ok)
	c, ok, err := j.Calibration(ctx, day+7*more)
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, fmt.Sprint(more), c.Version)
}
