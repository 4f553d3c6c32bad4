package outbox

import (
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
)

// beats are how far the server was told that all is written, in the order in
// which it was.
func beats(t *testing.T, s *server) (out []time.Time) {
	t.Helper()
	for key, fields := range s.lines {
		if !strings.HasPrefix(key, "forwarded,site=riverside") {
			continue
		}
		_, text, ok := strings.Cut(key+" "+fields, "upto_ms=")
		require.True(t, ok, "%s %s", key, fields)
		text, _, _ = strings.Cut(text, "i")
		ms, err := strconv.ParseInt(text, 10, 64)
		require.NoError(t, err)
		out = append(out, time.UnixMilli(ms).UTC())
	}
	slices.SortFunc(out, time.Time.Compare)
	return out
}

// While nothing waits it is told every minute how far all is written, and while a
// server takes nothing, it stays where it was: nothing is told ahead of the
// readings.
func TestHowFarAllIsWritten(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newServer(t)
		b := newBox(Parcel{Readings: hours("belt-q1", 3)})
		x := work(t, b, s, func(o *Options) { o.Beat = time.Minute })
		began := time.Now()
		x.drained(time.Minute)
		lapse(10*time.Minute + time.Second)
		told := beats(t, s)
		require.InDelta(t, 11, len(told), 1)
		require.WithinDuration(t, time.Now(), told[len(told)-1], time.Minute+time.Second)
		require.False(t, told[0].Before(began.Truncate(time.Millisecond)))

		s.says(first(1<<30, said{status: 503}))
		away := time.Now()
		b.put(Parcel{Readings: hours("belt-q2", 2)})
		lapse(3 * time.Hour)
		told = beats(t, s)
		require.False(t, told[len(told)-1].After(away))
		s.says(nil)
		x.drained(time.Hour)
		lapse(2 * time.Minute)
		told = beats(t, s)
		require.WithinDuration(t, time.Now(), told[len(told)-1], time.Minute+time.Second)
		require.Empty(t, b.refused)
		x.stop()
	})
}

// What is dated follows the time by which readings are stamped, not a clock that
// is wrong; it goes on from the last where that steps back a little, and not where
// it was years ahead.
func TestWhatIsDatedFollowsTheTimeOfReadings(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, b := newServer(t), newBox()
		var clock atomic.Int64
		set := func(at time.Time) { clock.Store(at.UnixNano()) }
		set(start)
		x := work(t, b, s, func(o *Options) {
			o.Beat, o.Now = time.Minute, func() time.Time { return time.Unix(0, clock.Load()).UTC() }
		})
		change := func() (sent time.Time) {
			t.Helper()
			before := len(s.order)
			b.put(Parcel{Readings: hours("belt-q1", 1), Late: 1, Ranges: []Range{{Channel: reading.Channel{Device: "belt-q1", Quantity: reading.RunHours}, From: start, To: start}}})
			x.drained(time.Hour)
			for _, line := range s.order[before:] {
				if strings.HasPrefix(line, "late,") {
					ns, err := strconv.ParseInt(line[strings.LastIndexByte(line, ' ')+1:], 10, 64)
					require.NoError(t, err)
					sent = time.Unix(0, ns).UTC()
				}
			}
			return sent
		}
		require.WithinDuration(t, start, change(), time.Millisecond)
		require.WithinDuration(t, start, beats(t, s)[0], time.Millisecond)
		set(start.Add(-10 * time.Minute))
		require.True(t, change().After(start))
		for _, at := range []time.Time{start.AddDate(10, 0, 0), start.Add(time.Minute)} {
			set(at)
			require.Equal(t, at, change())
		}
		x.stop()
	})
}

func TestFactsAreToldByTheStretchesInWhichTheyLie(t *testing.T) {
	at := func(hours ...int) (out []reading.StoredFact) {
		for _, h := range hours {
			out = append(out, reading.StoredFact{Fact: reading.Fact{At: start.Add(time.Duration(h) * time.Hour)}})
		}
		return out
	}
	told := func(facts []reading.StoredFact) (out [][2]int) {
		for _, r := range factRanges(facts) {
			out = append(out, [2]int{int(r[0].Sub(start).Hours()), int(r[1].Sub(start).Hours())})
		}
		return out
	}
	require.Empty(t, told(nil))
	require.Equal(t, [][2]int{{5, 5}}, told(at(5)))
	require.Equal(t, [][2]int{{3, 5}, {700, 700}}, told(at(700, 5, 3, 4)))
	var many []int
	for i := range 500 {
		many = append(many, 10*i+i%7)
	}
	list := told(at(many...))
	require.LessOrEqual(t, len(list), factEntriesMost)
	for _, h := range many {
		require.True(t, slices.ContainsFunc(list, func(r [2]int) bool { return r[0] <= h && h <= r[1] }), h)
	}
}
