package journal

import (
	"context"
	"math"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
)

func TestTakeOver(t *testing.T) {
	ctx := context.Background()
	j, err := Open(ctx, filepath.Join(t.TempDir(), "journal.db"), Options{})
	require.NoError(t, err)
	defer j.Close()
	t0 := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	at := func(minute int) time.Time { return t0.Add(time.Duration(minute) * time.Minute) }
	count := reading.Channel{Device: "d-1", Quantity: reading.PulseCount}
	made := func(minute int, n int64, flags reading.Flags) reading.Reading {
		return reading.Reading{Channel: count, At: at(minute), Received: at(minute).Add(time.Second), FromDevice: true, Count: n, Value: float64(n), Flags: flags}
	}
	pulse := func(minute int, key string) reading.Reading {
		r := made(minute, 1, 0)
		r.Quantity, r.Key = reading.PulseIncrement, key
		return r
	}
	stored := func() (out []reading.Reading) {
		require.NoError(t, j.Readings(ctx, nil, time.Time{}, at(1e6), func(r reading.Reading) error {
			out = append(out, r)
			return nil
		}))
		return out
	}
	take := func(s Stretch) Result {
		s.Device = "d-1"
		out, err := j.TakeOver(ctx, Copied{Stretches: []Stretch{s}})
		require.NoError(t, err)
		return out
	}
	// Exactly as it is: flags that the intake would never give, a count beyond
	// 2^53, and no rule about what counters do.
	big := int64(1<<53 + 1)
	first := []reading.Reading{made(0, big, reading.Conflict|reading.Retained), made(1, 5, reading.Suspect), made(2, 7, 0)}
	out := take(Stretch{To: at(10), Readings: first})
	require.Equal(t, 3, out.Rows)
	require.Equal(t, []Series{{"d-1", reading.Pulse}}, out.Series)
	require.Equal(t, first, stored())
	require.Zero(t, take(Stretch{To: at(10), Readings: first}).Rows, "the same again changes nothing")

	// One goes, one is another, what is outside stays.
	out = take(Stretch{After: at(0), To: at(2), Readings: []reading.Reading{made(2, 8, 0)}})
	require.Equal(t, 2, out.Rows)
	require.Equal(t, []reading.Reading{first[0], made(2, 8, 0)}, stored())
	s, err := j.Snapshot(ctx)
	require.NoError(t, err)
	seq, err := s.LastNote(Series{"d-1", reading.Pulse})
	s.Close()
	require.NoError(t, err)
	require.NotZero(t, seq, "what follows is derived anew")

	// An increment is known by its id, wherever it was.
	take(Stretch{After: at(10), To: at(20), Readings: []reading.Reading{pulse(12, "a"), pulse(12, "b")}})
	take(Stretch{After: at(20), To: at(30), Readings: []reading.Reading{pulse(25, "a")}})
	require.Equal(t, []reading.Reading{first[0], made(2, 8, 0), pulse(12, "b"), pulse(25, "a")}, stored())
	out = take(Stretch{Quantities: []reading.Quantity{reading.PulseCount}, To: at(30)})
	require.Equal(t, 2, out.Rows, "the other channels of the device stay")
	require.Equal(t, []reading.Reading{pulse(12, "b"), pulse(25, "a")}, stored())

	take(Stretch{After: at(20), To: at(30), Readings: []reading.Reading{pulse(27, "c")}, Partly: true})
	require.Equal(t, []reading.Reading{pulse(12, "b"), pulse(25, "a"), pulse(27, "c")}, stored(), "of what is given in part nothing goes")
	take(Stretch{After: at(26), To: at(30)})

	// All or nothing.
	before := stored()
	bad := made(26, 3, 0)
	bad.Value = math.NaN()
	for _, s := range []Stretch{
		{Device: "d-1", To: at(30), Readings: []reading.Reading{made(3, 3, 0), bad}},
		{Device: "d-1", To: at(30), Readings: []reading.Reading{made(3, 3, 0), made(31, 3, 0)}},
		{Device: "d-1", After: at(3), To: at(30), Readings: []reading.Reading{made(3, 3, 0)}},
		{Device: "d-2", To: at(30), Readings: []reading.Reading{made(3, 3, 0)}},
		{Device: "d-1", Quantities: []reading.Quantity{reading.LevelCM3}, To: at(30), Readings: []reading.Reading{made(3, 3, 0)}},
	} {
		_, err := j.TakeOver(ctx, Copied{Stretches: []Stretch{s}, Notes: map[string]string{"place": "lost"}})
		require.ErrorIs(t, err, ErrRefused)
		require.Equal(t, before, stored())
	}
	text, err := j.Noted(ctx, "place")
	require.NoError(t, err)
	require.Empty(t, text)

	// Facts with what is known of them besides.
	f := reading.StoredFact{Fact: reading.Fact{ID: "f-1", Kind: reading.FactSetting, Device: "d-1", At: at(1), Received: at(1), Pacing: "run"}, Until: at(9)}
	result, err := j.TakeOver(ctx, Copied{Facts: []reading.StoredFact{f}, Notes: map[string]string{"place": "x"}})
	require.NoError(t, err)
	require.True(t, result.Facts)
	f.Until = at(11)
	_, err = j.TakeOver(ctx, Copied{Facts: []reading.StoredFact{f}})
	require.NoError(t, err)
	var facts []reading.StoredFact
	require.NoError(t, j.StoredFacts(ctx, func(f reading.StoredFact) error { facts = append(facts, f); return nil }))
	require.Equal(t, []reading.StoredFact{f}, facts)
	ends, err := j.Ends(ctx, []string{"d-1", "d-2"})
	require.NoError(t, err)
	require.Equal(t, at(25), ends[reading.Channel{Device: "d-1", Quantity: reading.PulseIncrement}])
	text, err = j.Noted(ctx, "place")
	require.NoError(t, err)
	require.Equal(t, "x", text)
}

// Of what has aged the days are the record: nothing is taken over for before.
func TestTakeOverKeepsWhatHasAged(t *testing.T) {
	ctx := context.Background()
	j, err := Open(ctx, filepath.Join(t.TempDir(), "journal.db"), Options{})
	require.NoError(t, err)
	defer j.Close()
	t0 := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)
	ch := reading.Channel{Device: "elevator-1", Quantity: reading.RunHours}
	made := func(hour int) reading.Reading {
		at := t0.Add(time.Duration(hour) * time.Hour)
		return reading.Reading{Channel: ch, At: at, Received: at, FromDevice: true, Value: float64(hour)}
	}
	all := []reading.Reading{made(0), made(1), made(30), made(31)}
	_, err = j.TakeOver(ctx, Copied{Stretches: []Stretch{{Device: ch.Device, To: made(31).At, Readings: all}}})
	require.NoError(t, err)
	require.NoError(t, j.Age(ctx, Aged{Series: Series{ch.Device, reading.Run}, Until: t0.AddDate(0, 0, 1), Day: 1}))
	_, err = j.TakeOver(ctx, Copied{Stretches: []Stretch{{Device: ch.Device, To: made(31).At, Readings: []reading.Reading{made(2), made(31)}}}})
	require.NoError(t, err)
	var got []reading.Reading
	require.NoError(t, j.Readings(ctx, nil, time.Time{}, made(99).At, func(r reading.Reading) error { got = append(got, r); return nil }))
	require.Equal(t, []reading.Reading{made(0), made(1), made(31)}, got)
}
