package journal

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// However wide the slices of time are, older ones come before newer ones, over
// all channels.
func TestOlderSlicesComeFirst(t *testing.T) {
	j := fresh(t)
	o := outbox(t, j)
	for d := range 5 {
		var b Batch
		for i := range 6 * 60 {
			b = append(b, entry(hours(fmt.Sprint("d-", d), t0.Add(time.Duration(i)*time.Minute), float64(i))))
		}
		commitAll(t, j, b...)
	}
	x := newReceiver()
	var newest time.Time
	for n := 0; ; n++ {
		p := next(t, o, 70)
		if p.Empty() {
			break
		}
		for _, r := range p.Readings {
			require.Less(t, newest.Sub(r.At), time.Hour+time.Minute)
			if r.At.After(newest) {
				newest = r.At
			}
		}
		x.take(&p)
		done(t, o, p)
	}
	x.holds(t, j)
	require.Equal(t, firstSlice.ms, o.slice.ms, "a minute apart: slices of an hour")
}

func TestSlicesBecomeWiderWhereLittleCame(t *testing.T) {
	j := fresh(t)
	o := outbox(t, j)
	var b Batch
	for i := range 400 {
		b = append(b, entry(hours("mill-1", t0.Add(time.Duration(i)*12*time.Hour), float64(i))))
	}
	commitAll(t, j, b...)
	p := next(t, o, 1000)
	require.Len(t, p.Readings, 400)
	require.Greater(t, o.slice.ms, int64(8*dayMS))
}

// Readings of one time stay together, however many there are.
func TestIncrementsOfOneMillisecondAreGivenTogether(t *testing.T) {
	j := fresh(t)
	o := outbox(t, j)
	var b Batch
	for i := range 100 {
		b = append(b, entry(increment("d-1", fmt.Sprint("a-", i), t0, 1)))
	}
	b = append(b, entry(increment("d-1", "z", t0.Add(time.Millisecond), 1), increment("d-2", "y", t0, 1), hours("d-3", t0, 5)))
	commitAll(t, j, b...)
	x := newReceiver()
	x.drain(t, o, 10)
	x.holds(t, j)
	// All of it once more, as late.
	var again Batch
	for i := range 100 {
		r := increment("d-1", fmt.Sprint("a-", i), t0, 2)
		r.Received = t0.Add(time.Hour)
		again = append(again, entry(r))
	}
	commitAll(t, j, again...)
	p := next(t, o, 10)
	require.Len(t, p.Readings, 100)
	require.Equal(t, 100, p.Late)
	require.Equal(t, []Range{{Channel: p.Readings[0].Channel, From: t0, To: t0}}, p.Ranges)
	x.take(&p)
	done(t, o, p)
	x.holds(t, j)
}

func TestALongStretchThatChangedComesInParts(t *testing.T) {
	ctx := context.Background()
	j := fresh(t)
	o := outbox(t, j)
	var b Batch
	for i := range 300 {
		b = append(b, entry(stamped("mill-1", t0.Add(time.Duration(i)*time.Minute), float64(i))))
	}
	commitAll(t, j, b...)
	x := newReceiver()
	x.drain(t, o, 50)
	_, err := j.Shift(ctx, t0, t0.Add(400*time.Minute), -90*time.Second)
	require.NoError(t, err)
	parts := 0
	for {
		p := next(t, o, 50)
		if p.Empty() {
			break
		}
		require.LessOrEqual(t, len(p.Readings), 50)
		parts += len(p.Ranges)
		if parts == 3 { // a part that is done is not given again after a crash
			x.take(&p)
			done(t, o, p)
			j = crash(t, j)
			o = outbox(t, j)
			continue
		}
		x.take(&p)
		done(t, o, p)
	}
	require.Less(t, parts, 20)
	x.holds(t, j)
}

func TestTooManyChangesBecomeOneStretchOfAChannel(t *testing.T) {
	j := fresh(t)
	o := outbox(t, j)
	for d := range 2 {
		var b Batch
		for i := range 50 {
			b = append(b, entry(hours(fmt.Sprint("d-", d), t0.Add(time.Duration(i)*10*time.Hour), float64(i))))
		}
		commitAll(t, j, b...)
	}
	x := newReceiver()
	x.drain(t, o, 50)
	j.fwd.lateMost = 10
	for i := range 12 {
		commitAll(t, j, entry(hours("d-0", t0.Add(time.Duration(i)*10*time.Hour+time.Minute), float64(i)), hours("d-1", t0.Add(time.Duration(i)*10*time.Hour+time.Minute), float64(i))))
		j.fwd.lateMost = 10
		b, err := o.Backlog(t.Context())
		require.NoError(t, err)
		require.LessOrEqual(t, b.Late, int64(12))
	}
	x.drain(t, o, 7)
	x.holds(t, j)
}
