package journal

import (
	"context"
	"fmt"
	"path/filepath"
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

// Run again after the clock was put right, messages find what was stored of
// them and bring nothing back to the wrong times.
func TestAShiftMovesMessagesAsTheyCame(t *testing.T) {
	ctx := context.Background()
	j, err := Open(ctx, filepath.Join(t.TempDir(), "journal.db"), Options{RawBytes: 1 << 20})
	require.NoError(t, err)
	defer func() { require.NoError(t, j.Close()) }()
	by := 40 * 24 * time.Hour
	understood := func(shifted bool) Batch {
		moved := func(at time.Time, i int) time.Time {
			if shifted && i >= 2 && i < 4 {
				return at.Add(by)
			}
			return at
		}
		var b Batch
		for i := range 5 {
			came := t0.Add(time.Duration(i) * time.Minute)
			e := entry(stamped("el", moved(came, i), float64(i)))
			own := hours("own", came.Add(-time.Second), float64(i)) // has a time of its own
			own.Received = moved(came, i)
			each := reading.Reading{Channel: reading.Channel{Device: "d", Quantity: reading.PulseIncrement}, Key: fmt.Sprint("k", i), At: came.Add(-2 * time.Second), Received: moved(came, i), Count: 1, Value: 1, FromDevice: true}
			e.Readings = append(e.Readings, own, each)
			e.Raw = &Raw{Received: came, Topic: fmt.Sprint("t/", i), Payload: []byte("{}")}
			b = append(b, e)
		}
		return b
	}
	lost := reading.Notice{Kind: "session_lost", About: "north", At: t0.Add(time.Minute), Until: t0.Add(3 * time.Minute), Words: "x"}
	require.NoError(t, j.Note(ctx, lost))
	b := understood(false)
	commitAll(t, j, b[:3]...)
	require.NoError(t, j.SaveRaw(ctx))
	commitAll(t, j, b[3:]...) // still in memory
	_, err = j.Shift(ctx, t0.Add(2*time.Minute), t0.Add(4*time.Minute), by)
	require.NoError(t, err)

	blocks, err := j.RawBlocks(ctx, t0.Add(by), t0.Add(2*by))
	require.NoError(t, err)
	require.Len(t, blocks, 2, "both hold messages that came then")
	n := 0
	for _, block := range blocks {
		list, err := j.RawMessages(ctx, block.ID)
		require.NoError(t, err)
		again := understood(true)[n : n+len(list)]
		for i := range list {
			require.Equal(t, again[i].Readings[0].Received, list[i].Received, list[i].Topic)
		}
		r, err := j.RerunRaw(ctx, block.ID, list, again, false)
		require.NoError(t, err)
		require.Zero(t, r.Replaced)
		require.Zero(t, r.Rows, "all of it is there")
		n += len(list)
	}
	require.Equal(t, 5, n)
	kept, err := j.KeptAside(ctx, 10)
	require.NoError(t, err)
	require.Empty(t, kept)
	seen, err := j.Notices(ctx, "", false, 10)
	require.NoError(t, err)
	lost.Until = lost.Until.Add(by)
	require.Equal(t, []reading.Notice{lost}, seen)
}
