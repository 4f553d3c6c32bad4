package journal

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
	"dwindle/config/civil"
)

// A digest of days is given up when one of them may have changed, and only then.
func TestDigestsHoldWhileTheirDaysDo(t *testing.T) {
	const day = civil.Date(20_000) // the digest's
	part := func(emitted, about civil.Date, amount float64) Part {
		return Part{Emitted: emitted, Day: about, Amount: amount, Known: 24 * time.Hour}
	}
	for name, c := range map[string]struct {
		then Update
		want bool
	}{
		"a day more":                         {Update{Parts: []Part{part(day+5, day+5, 3)}}, true},
		"a day more that tells of the rest":  {Update{Parts: []Part{part(day+5, day+1, 3), part(day+5, day+5, 3)}}, true},
		"after a silence":                    {Update{Parts: []Part{part(day+5, day, 3)}}, false},
		"late data after it":                 {Update{From: day + 3, Parts: []Part{part(day+3, day+3, 3)}}, true},
		"late data of its time":              {Update{From: day, Parts: []Part{part(day, day, 3)}}, false},
		"late data, and nothing of it after": {Update{From: day + 2, Parts: []Part{part(day+4, day+4, 3)}}, false},
		"all anew":                           {Update{Whole: true, Parts: []Part{part(day+4, day+4, 3)}}, false},
	} {
		t.Run(name, func(t *testing.T) {
			ctx := context.Background()
			j := fresh(t)
			series := Series{"mill-1", reading.Run}
			save := func(u Update) {
				u.Series, u.At = series, t0
				_, err := j.SaveDerived(ctx, []Update{u})
				require.NoError(t, err)
			}
			saved := func() (x Saved, d reading.Digest, ok bool) {
				s, err := j.Snapshot(ctx)
				require.NoError(t, err)
				defer s.Close()
				x, ok, err = s.Head(series)
				require.NoError(t, err)
				require.True(t, ok)
				d, ok, err = s.Digest(&x)
				require.NoError(t, err)
				fetched, err := j.Fetch(ctx, []string{series.Device})
				require.NoError(t, err)
				defer fetched.Close()
				e, found, err := fetched.Digest(&x)
				require.NoError(t, err)
				require.Equal(t, ok, found)
				require.Equal(t, d, e)
				return x, d, ok
			}
			// On day+2 came what was used since the day before the digest's last.
			save(Update{Parts: []Part{part(day-1, day-1, 1), part(day+2, day, 1), part(day+2, day+1, 1), part(day+2, day+2, 1), part(day+4, day+4, 1)}})
			x, _, ok := saved()
			require.False(t, ok)
			d := Digest{Series: series, Digest: reading.Digest{Day: day, Mark: 1 << 63, Body: []byte("state")}, Edition: x.Edition, At: x.At}
			require.NoError(t, j.SaveDigests(ctx, []Digest{d}))
			_, got, ok := saved()
			require.True(t, ok)
			require.Equal(t, d.Digest, got)
			save(c.then)
			_, _, ok = saved()
			require.Equal(t, c.want, ok)
			require.NoError(t, j.DropDerived(ctx))
		})
	}
}

// What was made of days that were derived on meanwhile is not kept.
func TestDigestsOfOtherDaysAreNotKept(t *testing.T) {
	ctx := context.Background()
	j := fresh(t)
	series := Series{"mill-1", reading.Run}
	at := t0
	save := func(u Update) {
		at = at.Add(time.Hour)
		u.Series, u.At = series, at
		_, err := j.SaveDerived(ctx, []Update{u})
		require.NoError(t, err)
	}
	head := func() Saved {
		s, err := j.Snapshot(ctx)
		require.NoError(t, err)
		defer s.Close()
		x, _, err := s.Head(series)
		require.NoError(t, err)
		return x
	}
	keep := func(x Saved, day civil.Date) reading.Digest {
		require.NoError(t, j.SaveDigests(ctx, []Digest{{Series: series, Digest: reading.Digest{Day: day, Body: []byte{1}}, Edition: x.Edition, At: x.At}}))
		s, err := j.Snapshot(ctx)
		require.NoError(t, err)
		defer s.Close()
		x = head()
		d, _, err := s.Digest(&x)
		require.NoError(t, err)
		return d
	}
	save(Update{Parts: []Part{{Emitted: 100, Day: 100, Amount: 1}}})
	old := head()
	save(Update{Parts: []Part{{Emitted: 101, Day: 101, Amount: 1}}})
	require.Zero(t, keep(old, 90), "the head has moved")
	now := head()
	require.Equal(t, civil.Date(91), keep(now, 91).Day)
	require.Equal(t, civil.Date(92), keep(now, 92).Day, "the last one stands")
	save(Update{From: 101, Parts: []Part{{Emitted: 101, Day: 101, Amount: 2}}})
	now.At = head().At
	require.Equal(t, civil.Date(92), keep(now, 93).Day, "derived anew: another edition")
}
