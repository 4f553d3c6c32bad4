package journal

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/collector/reading"
	"dwindle/config/civil"
)

// What is read back is what a plain list of all updates would hold, however the
// days fall into bundles and however often they are derived anew.
func TestBundlesHoldWhatWasDerived(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		ctx := context.Background()
		j := fresh(t)
		defer j.Close()
		series := Series{"mill-1", reading.Run}
		head := civil.Date(20_450)
		var want []Part
		for range rapid.IntRange(1, 12).Draw(rt, "rounds") {
			u := Update{Series: series, Head: Head{At: t0}}
			switch rapid.IntRange(0, 3).Draw(rt, "how") {
			case 0: // late data
				u.From = head - civil.Date(rapid.IntRange(0, 70).Draw(rt, "days back"))
				want = partForm.before(want, u.From)
				head = u.From
			case 1:
				if rapid.IntRange(0, 4).Draw(rt, "whole") == 0 {
					u.Whole, want = true, nil
					head -= 100
				}
			}
			for range rapid.IntRange(0, 40).Draw(rt, "days") {
				for _, back := range []civil.Date{1, 0} {
					if rapid.Bool().Draw(rt, "part") {
						u.Parts = partForm.merge(u.Parts, []Part{{
							Emitted: head, Day: head - back, Amount: rapid.Float64().Draw(rt, "amount"),
							Seen: time.Duration(rapid.IntRange(0, 1000).Draw(rt, "seen")) * time.Millisecond, Known: time.Second, Flags: reading.Gap,
						}})
					}
				}
				head += civil.Date(rapid.IntRange(0, 1).Draw(rt, "on")) * civil.Date(rapid.IntRange(1, 40).Draw(rt, "far"))
			}
			_, err := j.SaveDerived(ctx, []Update{u})
			require.NoError(rt, err)
			want = partForm.merge(want, u.Parts)

			s, err := j.Snapshot(ctx)
			require.NoError(rt, err)
			x, ok, err := s.Head(series)
			require.NoError(rt, err)
			require.True(rt, ok)
			got, err := s.Parts(&x, -lastDay, lastDay)
			require.NoError(rt, err)
			require.Equal(rt, fmt.Sprint(want), fmt.Sprint(got))
			first := head - civil.Date(rapid.IntRange(0, 100).Draw(rt, "first"))
			last := first + civil.Date(rapid.IntRange(0, 60).Draw(rt, "last"))
			some := slices.DeleteFunc(slices.Clone(want), func(p Part) bool { return p.Emitted < first || p.Emitted > last })
			got, err = s.Parts(&x, first, last+1)
			require.NoError(rt, err)
			require.Equal(rt, fmt.Sprint(some), fmt.Sprint(got))
			if n := len(want); n > 0 {
				day := want[rapid.IntRange(0, n-1).Draw(rt, "emitted")].Emitted
				got, err = s.PartsEmitted(&x, day)
				require.NoError(rt, err)
				require.Equal(rt, fmt.Sprint(slices.DeleteFunc(slices.Clone(want), func(p Part) bool { return p.Emitted != day })), fmt.Sprint(got))
			}
			s.Close()
		}
	})
}

func TestBundlesAreReadBackAsTheyWere(t *testing.T) {
	day := civil.Date(20_500)
	at := time.Date(2026, 2, 17, 23, 30, 0, 0, time.UTC)
	levels := []LevelDay{
		{day, reading.Sample{At: at, Quantity: reading.LevelCM3, Value: 61.25}},
		{day, reading.Sample{At: at.Add(time.Minute), Quantity: reading.LevelPercent, Value: 49, Flags: reading.Retained | reading.Inexact}},
		{day + 3, reading.Sample{At: at.Add(70 * time.Hour), Quantity: reading.LevelPercent, Value: -1}},
	}
	back, err := levelForm.decode(levelForm.encode(levels), nil)
	require.NoError(t, err)
	require.Equal(t, levels, back)
	require.Equal(t, []byte{}, levelForm.encode(nil))
}

func FuzzBundle(f *testing.F) {
	f.Add(partForm.encode([]Part{{Emitted: 20_500, Day: 20_499, Amount: 3.25, Seen: time.Hour, Known: 2 * time.Hour, Flags: reading.Gap}}))
	f.Add(levelForm.encode([]LevelDay{{20_500, reading.Sample{At: t0, Quantity: reading.LevelCM3, Value: 61.25}}}))
	f.Add([]byte{bundleVersion, 0x80})
	f.Fuzz(func(t *testing.T, body []byte) {
		if list, err := partForm.decode(body, nil); err != nil {
			require.ErrorIs(t, err, ErrState)
			require.Nil(t, list)
		}
		if list, err := levelForm.decode(body, nil); err != nil {
			require.ErrorIs(t, err, ErrState)
			require.Nil(t, list)
		}
	})
}

func TestFactsAreSortedByMovingEachOnce(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var all []reading.Fact
		for i := range rapid.IntRange(0, 40).Draw(rt, "facts") {
			all = append(all, reading.Fact{ID: fmt.Sprint(i), At: t0.Add(time.Duration(rapid.IntRange(0, 9).Draw(rt, "at"))), Received: t0.Add(time.Duration(rapid.IntRange(0, 3).Draw(rt, "received")))})
		}
		want := slices.Clone(all)
		slices.SortFunc(want, func(a, b reading.Fact) int {
			return cmp.Or(a.At.Compare(b.At), a.Received.Compare(b.Received), cmp.Compare(a.ID, b.ID))
		})
		inTimeOrder(all)
		require.Equal(rt, want, all)
	})
}

// BenchmarkBundles reads half a year of a signal that comes all day.
func BenchmarkBundles(b *testing.B) {
	var list []Part
	for d := range civil.Date(180) {
		for _, back := range []civil.Date{1, 0} {
			list = append(list, Part{Emitted: 20_000 + d, Day: 20_000 + d - back, Amount: 0.1 + float64(d)/7, Seen: 5 * time.Hour, Known: 5 * time.Hour})
		}
	}
	body := partForm.encode(list)
	buffer := make([]Part, 0, len(list))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := partForm.decode(body, buffer); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(body))/180, "bytes/day")
}
