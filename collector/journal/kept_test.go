package journal

import (
	"bytes"
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
)

func keptEntry(device, reason string, at time.Time, size int) Entry {
	return Entry{Kept: &Kept{Received: at, Device: device, Reason: reason, Topic: "lube/v1/terminal/" + device + "/run", Payload: bytes.Repeat([]byte("x"), size)}}
}

func TestTheRingIsBoundedAndFair(t *testing.T) {
	ctx := context.Background()
	j := fresh(t)
	j.keptLimit = 256 << 10
	commitAll(t, j, keptEntry("quiet", "not_json", t0, 1000))
	for i := range 40 {
		var b Batch
		for k := range 25 {
			b = append(b, keptEntry("loud", "empty", t0.Add(time.Duration(i*25+k)*time.Second), 1000))
		}
		b = append(b, keptEntry("third", "bad_time", t0, 100))
		_, err := j.Commit(ctx, b)
		require.NoError(t, err)
		require.LessOrEqual(t, j.known.kept.total, j.keptLimit)
	}
	kept, err := j.KeptAside(ctx, 1_000_000)
	require.NoError(t, err)
	by := map[string]int{}
	bytes := int64(0)
	for _, k := range kept {
		by[k.Device]++
		bytes += keptSize(len(k.Topic), len(k.Payload), len(k.Detail))
	}
	require.Equal(t, j.known.kept.total, bytes, "the accounting is exact")
	require.LessOrEqual(t, bytes, j.keptLimit)
	require.Equal(t, 1, by["quiet"], "a loud device does not drive out a quiet one")
	require.Equal(t, 40, by["third"])
	n, err := j.Counters(ctx)
	require.NoError(t, err)
	require.EqualValues(t, 1000, n[CountKept+"empty"])
	require.EqualValues(t, 1000-by["loud"], n[CountOverwritten+"empty"])
	require.Zero(t, n[CountOverwritten+"not_json"])
	require.Equal(t, t0.Add(999*time.Second), kept[1].Received, "the newest stay")

	j.known.kept = nil // counted anew from the file
	commitAll(t, j, keptEntry("third", "bad_time", t0, 0))
	require.Equal(t, bytes+keptSize(len("lube/v1/terminal/third/run"), 0, 0), j.known.kept.total)
}

func TestTheRingForgetsAfterThirtyDays(t *testing.T) {
	j := fresh(t)
	for i := range 300 {
		commitAll(t, j, keptEntry("d-1", "empty", t0.Add(time.Duration(i)*time.Minute), 10))
	}
	commitAll(t, j, keptEntry("d-1", "empty", t0.Add(keptFor+150*time.Minute), 10))
	kept, err := j.KeptAside(context.Background(), 1000)
	require.NoError(t, err)
	require.Len(t, kept, 151)
	n, err := j.Counters(context.Background())
	require.NoError(t, err)
	require.EqualValues(t, 150, n[CountOverwritten+"empty"])
}

func TestAFailedCommitLeavesTheRingsAccountingRight(t *testing.T) {
	ctx := context.Background()
	j := fresh(t)
	commitAll(t, j, keptEntry("d-1", "empty", t0, 10))
	before := j.known.kept.total
	err := j.Limit(ctx, 1) // no page more: SQLite's own full disk
	require.NoError(t, err)
	_, err = j.Commit(ctx, Batch{keptEntry("d-1", "empty", t0, 1<<20)})
	require.ErrorIs(t, err, ErrUnwritable)
	err = j.Limit(ctx, 0)
	require.NoError(t, err)
	commitAll(t, j, keptEntry("d-1", "empty", t0, 10))
	require.Equal(t, 2*before, j.known.kept.total)
}

func TestUnknownDevicesAreCountedAndBounded(t *testing.T) {
	ctx := context.Background()
	j := fresh(t)
	stranger := func(id string, at time.Time) Entry {
		e := keptEntry(id, "unknown_device", at, 2000)
		e.Kept.Unknown = true
		return e
	}
	var b Batch
	for i := range 1000 {
		b = append(b, stranger(fmt.Sprintf("x-%04d", i), t0.Add(time.Duration(i)*time.Second)))
	}
	b = append(b, stranger("x-0000", t0.Add(time.Hour))) // heard again: x-0001 is now the longest silent
	_, err := j.Commit(ctx, b)
	require.NoError(t, err)
	commitAll(t, j, stranger("late", t0.Add(2*time.Hour)))
	list, err := j.Unknown(ctx)
	require.NoError(t, err)
	require.Len(t, list, unknownDevices)
	require.Equal(t, "late", list[0].Device)
	require.Equal(t, "x-0000", list[1].Device)
	require.EqualValues(t, 2, list[1].Count)
	require.Equal(t, t0, list[1].First)
	require.Len(t, list[1].Payload, unknownPayload)
	for _, u := range list {
		require.NotEqual(t, "x-0001", u.Device)
	}
	n, err := j.Counters(ctx)
	require.NoError(t, err)
	require.EqualValues(t, 1, n[CountForgotten])
	require.EqualValues(t, 1002, n[CountUnknown])
}

func TestLevelOfTheRing(t *testing.T) {
	r := ring{bytes: map[string]int64{"a": 10, "b": 100, "c": 1000}}
	require.EqualValues(t, 100, r.level(210))   // 10 + 100 + 100
	require.EqualValues(t, 45, r.level(100))    // 10 + 45 + 45
	require.EqualValues(t, 3, r.level(10))      // 3 each, rounded down
	require.EqualValues(t, 1000, r.level(2000)) // all fit
}

func f64(x float64) *float64 { return &x }

func TestFacts(t *testing.T) {
	ctx := context.Background()
	change := func(at time.Time, volume float64) reading.Fact {
		return reading.Fact{Kind: reading.FactChange, Device: "d-1", At: at, Received: at.Add(time.Minute), VolumeCM3: f64(volume), Content: fmt.Sprint(volume)}
	}
	setting := func(at time.Time, dose float64) reading.Fact {
		return reading.Fact{Kind: reading.FactSetting, Device: "d-1", At: at, Received: at, Pacing: "run", CM3Per100h: f64(dose)}
	}
	facts := func(t *testing.T, j *Journal, until time.Time) (out []reading.Fact) {
		t.Helper()
		out, err := j.Facts(ctx, until)
		require.NoError(t, err)
		return out
	}

	t.Run("a change reported again within 24 h is one, in any order", func(t *testing.T) {
		in := []reading.Fact{change(t0, 120), change(t0.Add(20*time.Hour), 120), change(t0.Add(40*time.Hour), 120), change(t0.Add(time.Hour), 60)}
		for _, order := range [][]int{{0, 1, 2, 3}, {3, 2, 1, 0}, {1, 0, 2, 3}, {2, 0, 3, 1}} {
			j := fresh(t)
			for _, i := range order {
				commitAll(t, j, Entry{Facts: []reading.Fact{in[i]}})
				commitAll(t, j, Entry{Facts: []reading.Fact{in[i]}})
			}
			var at []time.Time
			for _, f := range facts(t, j, t0.AddDate(1, 0, 0)) {
				at = append(at, f.At)
			}
			require.Equal(t, []time.Time{t0, t0.Add(time.Hour), t0.Add(40 * time.Hour)}, at, "order %v", order)
		}
	})
	t.Run("a repeated change is counted as a duplicate", func(t *testing.T) {
		j := fresh(t)
		r := commitAll(t, j, Entry{Facts: []reading.Fact{change(t0, 120)}}, Entry{Facts: []reading.Fact{change(t0.Add(time.Hour), 120)}}, Entry{Facts: []reading.Fact{change(t0.Add(25*time.Hour), 120)}})
		require.Equal(t, []Outcome{Stored, Duplicate, Stored}, r.Outcomes)
	})
	t.Run("an id of the device's own decides alone", func(t *testing.T) {
		j := fresh(t)
		a, b := change(t0, 120), change(t0.Add(time.Hour), 120)
		a.ID, a.Content, b.ID, b.Content = "change/d-1/1", "", "change/d-1/2", ""
		r := commitAll(t, j, Entry{Facts: []reading.Fact{a}}, Entry{Facts: []reading.Fact{a}}, Entry{Facts: []reading.Fact{b}})
		require.Equal(t, []Outcome{Stored, Duplicate, Stored}, r.Outcomes)
	})
	t.Run("a correction takes the place of what it corrects", func(t *testing.T) {
		j := fresh(t)
		wrong := reading.Fact{ID: "e-1", Kind: reading.FactWeighing, Point: "p-1", At: t0, Received: t0, CM3: f64(80)}
		right := reading.Fact{ID: "e-2", Kind: reading.FactWeighing, Point: "p-1", At: t0, Received: t0.Add(time.Hour), CM3: f64(60), Corrects: "e-1"}
		commitAll(t, j, Entry{Facts: []reading.Fact{right}, Person: true}, Entry{Facts: []reading.Fact{wrong}, Person: true})
		got := facts(t, j, t0)
		require.Len(t, got, 1)
		require.Equal(t, right, got[0])
		require.Empty(t, facts(t, j, t0.Add(-time.Millisecond)))
	})
	t.Run("a setting reported again and again is one row", func(t *testing.T) {
		j := fresh(t)
		for i := range 100 {
			commitAll(t, j, Entry{Facts: []reading.Fact{setting(t0.Add(time.Duration(i)*time.Minute), 2.1)}})
		}
		require.Len(t, facts(t, j, t0.AddDate(1, 0, 0)), 1)
		s, err := j.Snapshot(ctx)
		require.NoError(t, err)
		defer s.Close()
		seen, _, ok, err := s.Newest("d-1", t0.AddDate(1, 0, 0))
		require.NoError(t, err)
		require.True(t, ok)
		require.Equal(t, t0.Add(99*time.Minute), seen, "each report is a sign of life")
		seen, _, _, err = s.Newest("d-1", t0.Add(30*time.Minute))
		require.NoError(t, err)
		require.Equal(t, t0.Add(30*time.Minute), seen)
	})
	t.Run("a late setting splits the stretch it falls into", func(t *testing.T) {
		j := fresh(t)
		commitAll(t, j, Entry{Facts: []reading.Fact{setting(t0, 2.1)}}, Entry{Facts: []reading.Fact{setting(t0.Add(10*time.Hour), 2.1)}})
		commitAll(t, j, Entry{Facts: []reading.Fact{setting(t0.Add(5*time.Hour), 3.5)}})
		var doses []float64
		for _, f := range facts(t, j, t0.AddDate(1, 0, 0)) {
			doses = append(doses, *f.CM3Per100h)
		}
		require.Equal(t, []float64{2.1, 3.5, 2.1}, doses)
	})
}

func TestTheRingCountsBytesWhateverATopicHolds(t *testing.T) {
	ctx := context.Background()
	j := fresh(t)
	e := keptEntry("d-1", "bad_topic", t0, 10)
	e.Kept.Topic, e.Kept.Detail = "lube/\x00/"+strings.Repeat("ü", 500), "a\x00b"
	commitAll(t, j, e, keptEntry("d-1", "empty", t0.Add(keptFor+2*time.Hour), 10))
	kept, err := j.KeptAside(ctx, 10)
	require.NoError(t, err)
	require.Len(t, kept, 1, "the old one has gone")
	require.Equal(t, keptSize(len(kept[0].Topic), 10, 0), j.known.kept.total, "and all of its bytes with it")
}
