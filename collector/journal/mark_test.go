package journal

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/config/civil"
)

func TestMarksAreThoseOfOneReceiver(t *testing.T) {
	j := fresh(t)
	ctx := t.Context()
	day := civil.New(2026, 3, 2)
	require.NoError(t, j.SaveMarks(ctx, []Mark{{"usage", day, []byte("a")}, {"usage", day + 2, []byte("b")}, {"alarm", 0, []byte("c")}}, day-10))
	require.NoError(t, j.SaveMarks(ctx, []Mark{{"usage", day + 2, nil}}, day-10))
	list, err := j.Marks(ctx, "usage", day-100, day+100)
	require.NoError(t, err)
	require.Equal(t, []Mark{{"usage", day, []byte("a")}, {"usage", day + 2, nil}}, list)
	list, err = j.Marks(ctx, "usage", day+1, day+1)
	require.NoError(t, err)
	require.Empty(t, list)

	// Of old days they go, of no day they stay.
	require.NoError(t, j.SaveMarks(ctx, nil, day+1))
	list, err = j.Marks(ctx, "usage", day-100, day+100)
	require.NoError(t, err)
	require.Len(t, list, 1)
	list, err = j.Marks(ctx, "alarm", 0, 0)
	require.NoError(t, err)
	require.Equal(t, []Mark{{"alarm", 0, []byte("c")}}, list)

	// The same receiver as before keeps them, another one begins anew, and so does
	// one that is named again after none was.
	kept := func() bool {
		list, err := j.Marks(ctx, "alarm", 0, 0)
		require.NoError(t, err)
		return len(list) == 1
	}
	for _, step := range []struct {
		target string // empty: none
		kept   bool
	}{{"here", false}, {"here", true}, {"there", false}, {"", false}, {"there", false}, {"there", true}} {
		if step.target == "" {
			require.NoError(t, j.ForgetOutbox(ctx))
		} else {
			_, err := j.Outbox(ctx, step.target)
			require.NoError(t, err)
		}
		require.Equal(t, step.kept, kept(), step)
		require.NoError(t, j.SaveMarks(ctx, []Mark{{"alarm", 0, []byte("c")}}, day))
	}
	require.NoError(t, j.DropMarks(ctx, "usage"))
	require.True(t, kept())
	require.NoError(t, j.DropMarks(ctx, "alarm"))
	require.False(t, kept())
}

func TestAllCalibrationsAndTheDaysOfForecastsAreGiven(t *testing.T) {
	j := fresh(t)
	ctx := t.Context()
	day := civil.New(2026, 5, 1)
	want := []Calibration{{"b", day, t0, []byte("1")}, {"a", day + 7, t0.Add(time.Hour), []byte("2")}, {"c", day + 7, t0.Add(2 * time.Hour), []byte("3")}}
	for _, i := range []int{2, 0, 1} {
		require.NoError(t, j.SaveCalibration(ctx, want[i]))
	}
	var got []Calibration
	require.NoError(t, j.Calibrations(ctx, func(c Calibration) error { got = append(got, c); return nil }))
	require.Equal(t, want, got)

	for _, d := range []civil.Date{day + 3, day, day + 9} {
		require.NoError(t, j.SaveForecast(ctx, d, t0, []byte("[]")))
	}
	days, err := j.ForecastDays(ctx, day, day+8)
	require.NoError(t, err)
	require.Equal(t, []civil.Date{day, day + 3}, days)
}
