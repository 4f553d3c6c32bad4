package journaltest

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/journal"
	"dwindle/collector/reading"
)

// readings are the rows about readings.
var readings = []behaviour{
	{
		name: "nothing is there at first",
		puts: func() []journal.Batch { return nil },
		holds: func(t *testing.T, s Readings) {
			require.Empty(t, read(t, s, nil, time.Time{}, end))
			require.Empty(t, read(t, s, []string{"d-1", "nobody", hostile[0]}, time.Time{}, end))
			require.Empty(t, read(t, s, []string{}, time.Time{}, end))
		},
	},
	{
		name: "an empty batch is taken",
		puts: func() []journal.Batch { return []journal.Batch{{}, {{}}} },
		holds: func(t *testing.T, s Readings) {
			require.Empty(t, read(t, s, nil, time.Time{}, end))
		},
	},
	{
		name: "channels of a device come in one order, by time, then quantity",
		puts: one(
			value("d-1", reading.StatusVolt, minute(2), 3.6), counted("d-1", reading.PulseCount, minute(2), 12), value("d-1", reading.LevelPercent, minute(1), 80),
			value("elevator-1", reading.RunHours, minute(0), 7), counted("d-1", reading.PulseCount, minute(0), 10), value("d-1", reading.LevelPercent, minute(2), 79.5),
			counted("d-1", reading.PulseCount, minute(1), 11), increment("d-1", "b", minute(2), 1), increment("d-1", "a", minute(2), 1), value("d-1", reading.RunRunning, minute(2), 1),
		),
		holds: func(t *testing.T, s Readings) {
			var got []string
			for _, r := range read(t, s, []string{"d-1"}, time.Time{}, end) {
				got = append(got, strings.TrimSpace(fmt.Sprintf("%g %s %s", r.At.Sub(t0).Minutes(), r.Quantity, r.Key)))
			}
			require.Equal(t, []string{
				"0 pulse.count", "1 level.percent", "1 pulse.count",
				"2 level.percent", "2 pulse.count", "2 pulse.pulses a", "2 pulse.pulses b", "2 run.running", "2 status.supply_v",
			}, got)
			require.Len(t, read(t, s, []string{"elevator-1", "d-1"}, time.Time{}, end), 10)
			require.Equal(t, "elevator-1", read(t, s, []string{"elevator-1", "d-1"}, time.Time{}, end)[0].Device, "devices come as they were asked for")
		},
	},
	{
		name: "the same again changes nothing",
		puts: func() []journal.Batch {
			a, b := value("elevator-1", reading.RunHours, minute(0), 7.25), increment("d-1", "x", minute(1), 3)
			later := received(a, a.Received.Add(time.Hour)) // sent again, as it was not acknowledged
			return []journal.Batch{batchOf(a, b, a), batchOf(b, a), batchOf(later)}
		},
		holds: func(t *testing.T, s Readings) {
			require.Equal(t, []reading.Reading{increment("d-1", "x", minute(1), 3), value("elevator-1", reading.RunHours, minute(0), 7.25)}, read(t, s, nil, time.Time{}, end))
		},
	},
	{
		name: "what comes late comes to its place",
		puts: each(
			counted("d-1", reading.PulseCount, minute(30), 30), counted("d-1", reading.PulseCount, minute(10), 10), counted("d-1", reading.PulseCount, minute(20), 20),
			counted("d-1", reading.PulseCount, minute(40), 40), counted("d-1", reading.PulseCount, minute(-60*24*400), 1), value("d-1", reading.LevelCM3, minute(15), 99),
		),
		holds: func(t *testing.T, s Readings) {
			var got []float64
			for _, r := range read(t, s, []string{"d-1"}, time.Time{}, end) {
				got = append(got, r.Value)
			}
			require.Equal(t, []float64{1, 10, 99, 20, 30, 40}, got)
		},
	},
	{
		name: "a range begins after its first instant and ends with its last",
		puts: one(
			counted("d-1", reading.PulseCount, t0.Add(-time.Millisecond), 1), counted("d-1", reading.PulseCount, t0, 2), counted("d-1", reading.PulseCount, t0.Add(time.Millisecond), 3),
			counted("d-1", reading.PulseCount, minute(1).Add(-time.Millisecond), 4), counted("d-1", reading.PulseCount, minute(1), 5), counted("d-1", reading.PulseCount, minute(1).Add(time.Millisecond), 6),
			increment("d-1", "first", t0, 7), increment("d-1", "in", t0.Add(time.Millisecond), 8), increment("d-1", "last", minute(1), 9), increment("d-1", "out", minute(1).Add(time.Millisecond), 10),
		),
		holds: func(t *testing.T, s Readings) {
			for _, c := range []struct {
				after, to time.Time
				want      []int64
			}{
				{t0, minute(1), []int64{3, 8, 4, 5, 9}},
				{t0.Add(-time.Millisecond), t0, []int64{2, 7}},
				{t0, t0, nil},
				{minute(1), t0, nil},
				{t0, t0.Add(time.Millisecond), []int64{3, 8}},
				{time.Time{}, t0.Add(-time.Millisecond), []int64{1}},
				{time.Time{}, t0.Add(-2 * time.Millisecond), nil},
				{minute(1), end, []int64{6, 10}},
				{minute(2), end, nil},
				{end, end.AddDate(1, 0, 0), nil},
				// Times of readings are whole ms: what is asked for in between is
				// asked for at the ms before.
				{t0.Add(time.Microsecond), t0.Add(time.Millisecond + 999*time.Microsecond), []int64{3, 8}},
			} {
				var got []int64
				for _, r := range read(t, s, []string{"d-1"}, c.after, c.to) {
					got = append(got, r.Count)
				}
				require.Equal(t, c.want, got, "after %s up to %s", c.after, c.to)
			}
		},
	},
	{
		name: "an error of who listens ends it",
		puts: one(counted("d-1", reading.PulseCount, minute(0), 1), counted("d-1", reading.PulseCount, minute(1), 2), counted("d-1", reading.PulseCount, minute(2), 3)),
		holds: func(t *testing.T, s Readings) {
			n := 0
			err := s.Readings(t.Context(), []string{"d-1"}, time.Time{}, end, func(reading.Reading) error {
				if n++; n == 2 {
					return errEnough
				}
				return nil
			})
			require.ErrorIs(t, err, errEnough)
			require.Equal(t, 2, n)
		},
	},
	{
		name: "names of devices are nothing but names",
		puts: func() []journal.Batch {
			var rs []reading.Reading
			for i, id := range names() {
				rs = append(rs, counted(id, reading.PulseCount, minute(i), int64(i)), value(id, reading.LevelPercent, minute(0), float64(i)))
			}
			return []journal.Batch{batchOf(rs...)}
		},
		holds: func(t *testing.T, s Readings) {
			for i, id := range names() {
				got := read(t, s, []string{id}, time.Time{}, end)
				require.Len(t, got, 2, "%q", id)
				for _, r := range got {
					require.Equal(t, id, r.Device)
					require.Equal(t, float64(i), r.Value, "%q", id)
				}
			}
			for _, none := range append([]string{`a`, `A"b`, `a""b`, `%%`, `O`, "Ol+"}, hostile...) {
				if !slices.Contains(names(), none) {
					require.Empty(t, read(t, s, []string{none}, time.Time{}, end), "%q", none)
				}
			}
		},
	},
	{
		name: "ids of increments are nothing but ids",
		puts: func() []journal.Batch {
			var rs []reading.Reading
			for i, id := range hostile {
				rs = append(rs, increment("d-1", id, minute(i/3), int64(i)))
			}
			return []journal.Batch{batchOf(rs...)}
		},
		holds: func(t *testing.T, s Readings) {
			got := map[string]int64{}
			for _, r := range read(t, s, []string{"d-1"}, time.Time{}, end) {
				got[r.Key] = r.Count
			}
			require.Len(t, got, len(hostile))
			for i, id := range hostile {
				require.Equal(t, int64(i), got[id], "%q", id)
			}
		},
	},
	{
		name: "counts are exact beyond what a float can hold",
		puts: func() []journal.Batch {
			var rs []reading.Reading
			for i, n := range counts {
				for _, q := range []reading.Quantity{reading.PulseCount, reading.DoseStrokes, reading.LevelCountLeft} {
					rs = append(rs, counted("d-1", q, minute(i), n))
				}
				rs = append(rs, increment("d-1", fmt.Sprint(n), minute(i), n))
			}
			return []journal.Batch{batchOf(rs...)}
		},
		holds: func(t *testing.T, s Readings) {
			for _, r := range read(t, s, []string{"d-1"}, time.Time{}, end) {
				want := counts[int(r.At.Sub(t0)/time.Minute)]
				require.Equal(t, want, r.Count, r.Quantity)
				require.Equal(t, float64(want), r.Value, r.Quantity)
			}
		},
	},
	{
		name: "measures are exact to the last bit",
		puts: func() []journal.Batch {
			var rs []reading.Reading
			for i, v := range measures {
				rs = append(rs, value("d-1", reading.LevelCM3, minute(i), v), value("elevator-1", reading.RunSeconds, minute(i), v))
			}
			return []journal.Batch{batchOf(rs...)}
		},
		holds: func(t *testing.T, s Readings) {
			for _, device := range []string{"d-1", "elevator-1"} {
				got := read(t, s, []string{device}, time.Time{}, end)
				require.Len(t, got, len(measures))
				for i, v := range measures {
					require.Equal(t, math.Float64bits(v), math.Float64bits(got[i].Value), "%g", v)
				}
			}
		},
	},
	{
		name: "what is no number is kept aside, and the rest of its batch is not",
		puts: func() []journal.Batch {
			return []journal.Batch{batchOf(
				value("d-1", reading.LevelCM3, minute(0), 50), value("d-1", reading.LevelCM3, minute(1), math.NaN()),
				value("d-1", reading.LevelCM3, minute(2), math.Inf(1)), value("d-1", reading.LevelCM3, minute(3), math.Inf(-1)), value("d-1", reading.LevelCM3, minute(4), 49),
			)}
		},
		holds: func(t *testing.T, s Readings) {
			got := read(t, s, []string{"d-1"}, time.Time{}, end)
			require.Len(t, got, 2)
			require.Equal(t, []journal.Outcome{journal.KeptAside, journal.Stored}, put(t, s, value("d-1", reading.LevelCM3, minute(5), math.NaN()), value("d-1", reading.LevelCM3, minute(6), 48)))
			require.Len(t, read(t, s, []string{"d-1"}, time.Time{}, end), 3)
		},
	},
	{
		name: "of two counts at one time the larger stands, whichever came first",
		puts: each(
			value("elevator-1", reading.RunHours, minute(0), 7), received(value("elevator-1", reading.RunHours, minute(0), 8), minute(9)),
			received(value("elevator-1", reading.RunHours, minute(1), 8), minute(9)), value("elevator-1", reading.RunHours, minute(1), 7),
			counted("d-1", reading.PulseCount, minute(0), 1<<53), received(counted("d-1", reading.PulseCount, minute(0), 1<<53+1), minute(9)),
			received(counted("d-1", reading.PulseCount, minute(1), 1<<53+1), minute(9)), counted("d-1", reading.PulseCount, minute(1), 1<<53),
		),
		holds: func(t *testing.T, s Readings) {
			for _, r := range read(t, s, []string{"elevator-1"}, time.Time{}, end) {
				require.Equal(t, 8.0, r.Value, r.At)
				require.Equal(t, minute(9), r.Received, "it is the larger one's")
				require.NotZero(t, r.Flags&reading.Conflict)
			}
			for _, r := range read(t, s, []string{"d-1"}, time.Time{}, end) {
				require.Equal(t, int64(1<<53+1), r.Count, r.At)
				require.NotZero(t, r.Flags&reading.Conflict)
			}
		},
	},
	{
		name: "of two other values at one time the later received stands, whichever came first",
		puts: each(
			received(value("d-1", reading.LevelPercent, minute(0), 80), minute(1)), received(value("d-1", reading.LevelPercent, minute(0), 70), minute(2)),
			received(value("d-1", reading.LevelPercent, minute(5), 70), minute(7)), received(value("d-1", reading.LevelPercent, minute(5), 80), minute(6)),
			received(value("elevator-1", reading.RunRunning, minute(0), 1), minute(2)), received(value("elevator-1", reading.RunRunning, minute(0), 0), minute(3)),
		),
		holds: func(t *testing.T, s Readings) {
			got := read(t, s, nil, time.Time{}, end)
			require.Len(t, got, 3)
			require.Equal(t, []float64{70, 70, 0}, []float64{got[0].Value, got[1].Value, got[2].Value})
			require.Equal(t, minute(2), got[0].Received)
			require.Equal(t, minute(7), got[1].Received)
			for _, r := range got {
				require.NotZero(t, r.Flags&reading.Conflict)
			}
		},
	},
	{
		name: "increments of one time are told apart by their ids",
		puts: func() []journal.Batch {
			var rs []reading.Reading
			for i := range 20 {
				rs = append(rs, increment("d-1", fmt.Sprintf("id-%02d", (i*7)%20), minute(0), int64(i+1)))
			}
			return []journal.Batch{batchOf(rs[:10]...), batchOf(rs[10:]...)}
		},
		holds: func(t *testing.T, s Readings) {
			got := read(t, s, []string{"d-1"}, time.Time{}, end)
			sum := int64(0)
			for i, r := range got {
				require.Equal(t, fmt.Sprintf("id-%02d", i), r.Key, "in the order of their ids")
				require.Equal(t, minute(0), r.At)
				sum += r.Count
			}
			require.EqualValues(t, 210, sum)
		},
	},
	{
		name: "an increment that comes again with another time is one, at the place that stands",
		puts: each(
			received(increment("d-1", "a", minute(5), 2), minute(6)), received(increment("d-1", "a", minute(3), 2), minute(7)), // the later received stands
			received(increment("d-1", "b", minute(3), 2), minute(9)), received(increment("d-1", "b", minute(8), 2), minute(7)),
			received(increment("d-1", "c", minute(1), 4), minute(9)), received(increment("d-1", "c", minute(8), 5), minute(10)),
		),
		holds: func(t *testing.T, s Readings) {
			got := read(t, s, []string{"d-1"}, time.Time{}, end)
			require.Len(t, got, 3)
			require.Equal(t, "a b c", got[0].Key+" "+got[1].Key+" "+got[2].Key)
			require.Equal(t, []time.Time{minute(3), minute(3), minute(8)}, []time.Time{got[0].At, got[1].At, got[2].At})
			require.Empty(t, read(t, s, []string{"d-1"}, minute(3), minute(7)), "nothing is left where one was")
		},
	},
	{
		name: "flags, receive times and where a time is from come back",
		puts: func() []journal.Batch {
			var rs []reading.Reading
			i := 0
			for f := reading.Flags(1); f < flagsEnd; f <<= 1 {
				rs = append(rs, flagged(counted("d-1", reading.PulseCount, minute(i), int64(i)), f))
				i++
			}
			rs = append(rs, flagged(counted("d-1", reading.PulseCount, minute(i), int64(i)), flagsEnd-1))
			for k, lag := range lags {
				rs = append(rs, received(value("elevator-1", reading.RunHours, minute(k), float64(k)), minute(k).Add(lag)))
			}
			return []journal.Batch{batchOf(rs...)}
		},
		holds: func(t *testing.T, s Readings) {
			got := read(t, s, []string{"d-1"}, time.Time{}, end)
			require.Len(t, got, 17)
			for i, r := range got {
				want := reading.Flags(1) << i
				if i == 16 {
					want = flagsEnd - 1
				}
				require.Equal(t, want, r.Flags, i)
				require.Equal(t, want&reading.ReceiveTime == 0, r.FromDevice, i)
			}
			for k, r := range read(t, s, []string{"elevator-1"}, time.Time{}, end) {
				require.Equal(t, lags[k], r.Received.Sub(r.At))
			}
		},
	},
	{
		name: "times are kept to the ms from 2020 on",
		puts: func() []journal.Batch {
			var rs []reading.Reading
			for i, at := range times {
				rs = append(rs, counted("d-1", reading.PulseCount, at, int64(i)), increment("d-1", fmt.Sprint("id-", i), at, int64(i)))
			}
			slices.Reverse(rs)
			return []journal.Batch{batchOf(rs...)}
		},
		holds: func(t *testing.T, s Readings) {
			got := read(t, s, []string{"d-1"}, time.Time{}, end)
			require.Len(t, got, 2*len(times))
			for i, r := range got {
				require.Equal(t, times[i/2], r.At)
				require.EqualValues(t, i/2, r.Count)
			}
		},
	},
	{
		name: "every quantity has its place",
		puts: func() []journal.Batch {
			var rs []reading.Reading
			for i, q := range quantities {
				r := counted("d-1", q, minute(0), int64(i+1))
				if !q.Exact() {
					r = value("d-1", q, minute(0), float64(i)+0.5)
				}
				if q == reading.PulseIncrement {
					r.Key = "k"
				}
				rs = append(rs, r)
			}
			return []journal.Batch{batchOf(rs...)}
		},
		holds: func(t *testing.T, s Readings) {
			require.Len(t, read(t, s, []string{"d-1"}, time.Time{}, end), len(quantities))
		},
	},
	{
		name:  "more than a page comes whole and in order",
		large: true,
		puts:  many,
		holds: func(t *testing.T, s Readings) {
			require.Len(t, read(t, s, []string{"d-1"}, time.Time{}, end), 20_000)
			// Any cut of it is the same as the cut of the whole.
			all := read(t, s, []string{"d-1"}, time.Time{}, end)
			for _, cut := range [][2]int{{0, 1}, {1, 5_000}, {4_999, 15_001}, {19_998, 19_999}} {
				after, to := all[cut[0]].At, all[cut[1]].At
				var want []reading.Reading
				for _, r := range all {
					if r.At.After(after) && !r.At.After(to) {
						want = append(want, r)
					}
				}
				same(t, want, read(t, s, []string{"d-1"}, after, to))
			}
		},
	},
}
