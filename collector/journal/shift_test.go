package journal

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
)

func stamped(device string, at time.Time, v float64) reading.Reading {
	return reading.Reading{Channel: reading.Channel{Device: device, Quantity: reading.RunHours}, At: at, Received: at, Value: v, Flags: reading.ReceiveTime}
}

func TestAShiftMovesWhatWasStampedAndLeavesTheDevicesTimes(t *testing.T) {
	for _, by := range []time.Duration{90 * time.Second, -90 * time.Second, 30 * 24 * time.Hour, -30 * 24 * time.Hour} {
		t.Run(by.String(), func(t *testing.T) {
			j := fresh(t)
			ctx := context.Background()
			late := hours("own", t0.Add(5*time.Minute), 7) // has a time of its own
			late.Received = t0.Add(6 * time.Minute)
			var rs []reading.Reading
			for i := range 20 { // a minute apart: each takes the place of another
				rs = append(rs, stamped("el", t0.Add(time.Duration(i)*time.Minute), float64(i)))
			}
			change := reading.Fact{ID: "c", Kind: reading.FactChange, Device: "d", At: t0.Add(7 * time.Minute), Received: t0.Add(7 * time.Minute)}
			timed := reading.Fact{ID: "e", Kind: reading.FactChange, Device: "d", At: t0.Add(7 * time.Minute), Received: t0.Add(8 * time.Minute)}
			commitAll(t, j, entry(rs...), entry(late), Entry{Facts: []reading.Fact{change, timed}},
				Entry{Kept: &Kept{Received: t0.Add(9 * time.Minute), Device: "x", Reason: "not_json", Topic: "t", Payload: []byte("{")}})

			from, to := t0.Add(4*time.Minute), t0.Add(12*time.Minute)
			s, err := j.Shift(ctx, from, to, by)
			require.NoError(t, err)
			if by.Abs() < time.Hour {
				require.Zero(t, s.Clashes, "a minute and a half: nobody stands there")
			}
			require.EqualValues(t, 8, s.Readings)
			require.EqualValues(t, 1, s.Lags)
			require.EqualValues(t, 2, s.Facts)
			require.EqualValues(t, 1, s.Kept)
			require.Equal(t, []Series{{"el", reading.Run}}, s.Series)
			got := map[string]reading.Reading{}
			for _, r := range all(t, j) {
				got[fmt.Sprint(r.Device, r.Value)] = r
			}
			require.Len(t, got, 21)
			for i := range 20 {
				want := t0.Add(time.Duration(i) * time.Minute)
				if i >= 4 && i < 12 {
					want = want.Add(by)
				}
				r := got[fmt.Sprint("el", float64(i))]
				require.Equal(t, want, r.At, i)
				require.Equal(t, want, r.Received, i)
			}
			own := got["own7"]
			require.Equal(t, late.At, own.At)
			require.Equal(t, late.Received.Add(by), own.Received)
			facts, err := j.Facts(ctx, t0.AddDate(1, 0, 0))
			require.NoError(t, err)
			require.Len(t, facts, 2)
			for _, f := range facts {
				want, came := change.At.Add(by), change.Received.Add(by)
				if f.ID == "e" {
					want, came = timed.At, timed.Received.Add(by)
				}
				require.Equal(t, want, f.At.UTC())
				require.Equal(t, came, f.Received.UTC())
			}
			kept, err := j.KeptAside(ctx, 1)
			require.NoError(t, err)
			require.Equal(t, t0.Add(9*time.Minute).Add(by), kept[0].Received)
		})
	}
}

func TestAShiftOntoWhatIsThereLosesNothing(t *testing.T) {
	j := fresh(t)
	commitAll(t, j, entry(stamped("el", t0, 1), stamped("el", t0.Add(time.Hour), 2)))
	s, err := j.Shift(context.Background(), t0.Add(time.Hour), t0.Add(2*time.Hour), -time.Hour)
	require.NoError(t, err)
	require.EqualValues(t, 1, s.Clashes)
	require.Len(t, all(t, j), 2)
}

func TestWhatIsRememberedSurvivesARestart(t *testing.T) {
	path := t.TempDir() + "/journal.db"
	ctx := context.Background()
	j, err := Open(ctx, path, Options{})
	require.NoError(t, err)
	text, err := j.Remembered(ctx, "clock")
	require.NoError(t, err)
	require.Empty(t, text)
	j.Remember("clock", "a")
	j.Remember("clock", "b")
	require.NoError(t, j.Close())
	j = open(t, path, Options{})
	text, err = j.Remembered(ctx, "clock")
	require.NoError(t, err)
	require.Equal(t, "b", text)
}
