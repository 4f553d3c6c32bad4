package journal

import (
	"bytes"
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
)

func TestThePlaceOfALine(t *testing.T) {
	same := func(a, b string) bool {
		_, x, err := placeOfLine([]byte(a))
		require.NoError(t, err)
		_, y, err := placeOfLine([]byte(b))
		require.NoError(t, err)
		return x == y
	}
	require.True(t, same(`usage,point=p-1 hours=3 100`, `usage,point=p-1 hours=4,note="x y" 100`))
	require.False(t, same(`usage,point=p-1 hours=3 100`, `usage,point=p-1 hours=3 101`))
	require.False(t, same(`usage,point=p-1 hours=3 100`, `usage,point=p-2 hours=3 100`))
	require.False(t, same(`usage,point=p\ 1 hours=3 100`, `usage,point=p\ 2 hours=3 100`))
	require.True(t, same(`usage,point=p-1 hours=3`, `usage,point=p-1 note="a 7"`), "no time")
	for line, kind := range map[string]string{`usage,point=p hours=3 1`: "usage", `usage hours=3 1`: "usage", `us\,age\ x,p=1 h=3 1`: `us\,age\ x`} {
		got, _, err := placeOfLine([]byte(line))
		require.NoError(t, err)
		require.Equal(t, kind, got)
	}
	for _, line := range []string{"", "usage", " hours=3", "usage hours=3 1\nusage hours=4 2"} {
		_, _, err := placeOfLine([]byte(line))
		require.ErrorIs(t, err, ErrLine, line)
	}
}

func queue(t testing.TB, j *Journal, lines ...string) {
	t.Helper()
	var list [][]byte
	for _, l := range lines {
		list = append(list, []byte(l))
	}
	require.NoError(t, j.QueueLines(context.Background(), list))
}

func texts(p *Parcel) (out []string) {
	for _, l := range p.Lines {
		out = append(out, string(l.Text))
	}
	return out
}

func TestLinesWaitAndTheNewerOneStands(t *testing.T) {
	ctx := context.Background()
	j := fresh(t)
	o := outbox(t, j)
	queue(t, j, "usage,point=p-1 hours=1 100", "usage,point=p-2 hours=1 100")
	queue(t, j, "usage,point=p-1 hours=2 100", "forecast,point=p-1 p50=9 100")
	p := next(t, o, 100)
	require.Equal(t, []string{"usage,point=p-2 hours=1 100", "usage,point=p-1 hours=2 100", "forecast,point=p-1 p50=9 100"}, texts(&p))
	queue(t, j, "usage,point=p-2 hours=3 100") // while it is under way
	done(t, o, p)
	p = next(t, o, 100)
	require.Equal(t, []string{"usage,point=p-2 hours=3 100"}, texts(&p))
	j = crash(t, j)
	o = outbox(t, j)
	p = next(t, o, 100)
	require.Equal(t, []string{"usage,point=p-2 hours=3 100"}, texts(&p))
	done(t, o, p)
	p = next(t, o, 100)
	require.True(t, p.Empty())
	require.ErrorIs(t, j.QueueLines(ctx, [][]byte{[]byte("usage,p=1 h=1 1"), []byte("none")}), ErrLine)
	b, err := o.Backlog(ctx)
	require.NoError(t, err)
	require.Zero(t, b.Lines, "all or none")

	// Of a parcel, only so many bytes.
	long := strings.Repeat("x", linesAtMost/4)
	for i := range 8 {
		queue(t, j, fmt.Sprintf("calibration,n=%d body=%q 1", i, long))
	}
	parcels := 0
	for p := next(t, o, 100); !p.Empty(); p = next(t, o, 100) {
		require.LessOrEqual(t, len(p.Lines), 4)
		done(t, o, p)
		parcels++
	}
	require.Equal(t, 2, parcels)
}

func TestTooManyLinesMakeRoomByKind(t *testing.T) {
	ctx := context.Background()
	j := fresh(t)
	o := outbox(t, j)
	o.f.linesMax = 640 << 10
	body := strings.Repeat("x", 10<<10)
	for i := range 40 {
		queue(t, j, fmt.Sprintf("usage body=%q %d", body, i))
	}
	for i := range 20 {
		queue(t, j, fmt.Sprintf("forecast body=%q %d", body, i))
	}
	b, err := o.Backlog(ctx)
	require.NoError(t, err)
	require.EqualValues(t, 60, b.Lines)
	require.Empty(t, b.GivenUp)
	for i := range 10 {
		queue(t, j, fmt.Sprintf("forecast body=%q %d", body, 100+i))
	}
	b, err = o.Backlog(ctx)
	require.NoError(t, err)
	require.Len(t, b.GivenUp, 1)
	require.Positive(t, b.GivenUp["forecast"], "of the kind that came")
	queue(t, j, fmt.Sprintf("delivery body=%q 1", body)) // the first of its kind
	queue(t, j, fmt.Sprintf("delivery body=%q 2", strings.Repeat("y", 300<<10)))
	b, err = o.Backlog(ctx)
	require.NoError(t, err)
	require.Positive(t, b.GivenUp["usage"]+b.GivenUp["delivery"])
	var size int64
	require.NoError(t, j.reader.QueryRow("SELECT sum(octet_length(line)) FROM forward_line").Scan(&size))
	require.LessOrEqual(t, size, o.f.linesMax)
	require.NoError(t, j.Close())
	j = open(t, j.path, Options{})
	counts, err := j.Counters(ctx)
	require.NoError(t, err)
	require.Equal(t, b.GivenUp["forecast"], counts[CountGivenUp+"forecast"], "and it is known after a restart")
}

func TestRefusedLinesAreKeptAsideAndSentAgain(t *testing.T) {
	ctx := context.Background()
	j := fresh(t)
	o := outbox(t, j)
	commitAll(t, j, entry(hours("mill-1", t0, 1), hours("mill-1", t0.Add(time.Hour), 2)), weighed("e-1", t0, 60))
	queue(t, j, "usage,point=p-1 hours=1 100", "usage,point=p-2 hours=1 100")
	p := next(t, o, 100)
	bad := []Refused{
		{Line: []byte("run,device=mill-1 hours=1 1"), Reason: "field_type", Status: 422, Words: "field type conflict", Channel: p.Readings[0].Channel, At: p.Readings[0].At},
		{Line: []byte("fact,id=e-1 body=\"x\" 1"), Reason: "syntax", Status: 400, Words: "unable to parse", Fact: "e-1"},
		{Line: []byte("usage,point=p-1 hours=1 100"), Reason: "field_type", Status: 422, Words: "field type conflict"},
		{Line: []byte("usage,point=p-2 hours=1 100"), Reason: "field_type", Status: 422, Words: "field type conflict"},
	}
	done(t, o, p, bad...)
	list, err := o.Refused(ctx, 0, 2)
	require.NoError(t, err)
	require.Len(t, list, 2)
	rest, err := o.Refused(ctx, list[1].ID, 100)
	require.NoError(t, err)
	list = append(list, rest...)
	require.Len(t, list, 4)
	for i, r := range list {
		require.WithinDuration(t, time.Now(), r.When, time.Minute)
		want := bad[i]
		want.ID, want.When = r.ID, r.When
		require.Equal(t, want, r)
	}
	b, err := o.Backlog(ctx)
	require.NoError(t, err)
	require.Equal(t, map[string]int64{"field_type": 3, "syntax": 1}, b.Refused)
	p = next(t, o, 100)
	require.True(t, p.Empty(), "not by itself")

	// Another value of the reading came meanwhile, and a newer result.
	late := hours("mill-1", t0, 7)
	late.Received = t0.Add(time.Hour)
	commitAll(t, j, entry(late))
	queue(t, j, "usage,point=p-2 hours=5 100")
	p = next(t, o, 100)
	done(t, o, p)
	n, err := o.Resend(ctx)
	require.NoError(t, err)
	require.Equal(t, 3, n, "the newer result has replaced the old one")
	check := func() Parcel {
		p := next(t, o, 100)
		require.Equal(t, []Range{{Channel: late.Channel, From: t0, To: t0}}, p.Ranges)
		require.Len(t, p.Readings, 1)
		require.Equal(t, 7.0, p.Readings[0].Value, "as it is now")
		require.Len(t, p.Facts, 1)
		require.Equal(t, []string{"usage,point=p-1 hours=1 100"}, texts(&p))
		return p
	}
	check()
	o.Back()
	check()
	j = crash(t, j) // nobody took it
	o = outbox(t, j)
	p = check()
	done(t, o, p, bad[2]) // one is refused again
	list, err = o.Refused(ctx, 0, 100)
	require.NoError(t, err)
	require.Len(t, list, 1)
	require.Equal(t, bad[2].Line, list[0].Line)
	p = next(t, o, 100)
	require.True(t, p.Empty())
	// The same once more is no other one.
	before := list[0].ID
	_, err = o.Resend(ctx)
	require.NoError(t, err)
	p = next(t, o, 100)
	done(t, o, p, bad[2])
	list, err = o.Refused(ctx, 0, 100)
	require.NoError(t, err)
	require.Len(t, list, 1)
	require.Greater(t, list[0].ID, before)
}

func TestTheRingOfRefusedLinesIsBounded(t *testing.T) {
	ctx := context.Background()
	j := open(t, filepath.Join(t.TempDir(), "journal.db"), Options{KeptBytes: 100 << 10})
	o := outbox(t, j)
	var held int64
	for i := range 40 {
		commitAll(t, j, entry(hours("mill-1", t0.Add(time.Duration(i)*time.Minute), 1)))
		p := next(t, o, 100)
		var bad []Refused
		for k := range 20 {
			reason := "field_type"
			if i < 5 {
				reason = "syntax"
			}
			bad = append(bad, Refused{Line: fmt.Appendf(nil, "run,device=d-%d hours=%d,x=%q %d", k, i, bytes.Repeat([]byte("x"), 300), i), Reason: reason, Status: 422, Words: "no"})
		}
		done(t, o, p, bad...)
	}
	require.NoError(t, j.reader.QueryRow("SELECT sum("+refusedSize+" + ?) FROM refused", keptRow).Scan(&held))
	require.LessOrEqual(t, held, int64(100<<10))
	require.Equal(t, held, j.refused.bytes)
	b, err := o.Backlog(ctx)
	require.NoError(t, err)
	require.EqualValues(t, 100, b.Overwritten["syntax"], "the oldest go first")
	require.Zero(t, b.Refused["syntax"])
	require.EqualValues(t, 700, b.Overwritten["field_type"]+b.Refused["field_type"])
	counts, err := j.Counters(ctx)
	require.NoError(t, err)
	require.EqualValues(t, 700, counts[CountRefused+"field_type"])

	// And by age.
	_, err = j.w.ExecContext(ctx, "UPDATE refused SET at = at - ?", keptFor.Milliseconds()+1)
	require.NoError(t, err)
	j.refused.pruned = 0
	commitAll(t, j, entry(hours("mill-1", t0.Add(time.Hour), 1)))
	p := next(t, o, 100)
	done(t, o, p, Refused{Line: []byte("run hours=1 1"), Reason: "syntax"})
	b, err = o.Backlog(ctx)
	require.NoError(t, err)
	require.Equal(t, map[string]int64{"syntax": 1}, b.Refused)
}

// Beside the one that forwards, another program sees the same.
func TestAReaderSeesTheBacklog(t *testing.T) {
	ctx := context.Background()
	j := fresh(t)
	o := outbox(t, j)
	var b Batch
	for i := range 100 {
		b = append(b, entry(hours("mill-1", t0.Add(time.Duration(i)*time.Minute), float64(i)), increment("d-1", fmt.Sprint(i), t0.Add(time.Duration(i)*time.Minute), 1)))
	}
	commitAll(t, j, b...)
	p := next(t, o, 10)
	done(t, o, p, Refused{Line: []byte("run hours=1 1"), Reason: "syntax"})
	commitAll(t, j, weighed("e-1", t0, 60), entry(hours("mill-1", t0, 7)))
	queue(t, j, "usage,point=p-1 hours=1 100")
	own, err := o.Backlog(ctx)
	require.NoError(t, err)
	require.EqualValues(t, 190, own.Readings)
	require.EqualValues(t, 1, own.Late)
	require.EqualValues(t, 1, own.Facts)
	require.EqualValues(t, 1, own.Lines)
	require.Equal(t, 2, own.Channels)
	require.Equal(t, t0, own.Oldest, "one channel was not read at all")
	r, err := OpenReader(ctx, j.path, Options{})
	require.NoError(t, err)
	defer r.Close()
	other, ok, err := r.Forwarding(ctx)
	require.NoError(t, err)
	require.True(t, ok)
	require.WithinDuration(t, own.Taken, other.Taken, time.Minute)
	own.Taken = other.Taken
	require.Equal(t, own, other)
	list, err := r.Refused(ctx, 0, 10)
	require.NoError(t, err)
	require.Len(t, list, 1)
	_, err = r.Outbox(ctx, receiverName)
	require.ErrorIs(t, err, ErrReadOnly)
}

// Of many rows a part is counted.
func TestABacklogIsEstimatedByAPart(t *testing.T) {
	for _, dense := range []int64{1, 7} {
		var list []*forwardChannel
		for i := range 5000 {
			list = append(list, &forwardChannel{id: int64(i), next: 0, newest: 999_999})
		}
		n, roughly, err := countWaiting(context.Background(), list, func(_ *forwardChannel, most int64) (int64, error) { return min(most, 1000*dense), nil })
		require.NoError(t, err)
		require.True(t, roughly)
		require.InEpsilon(t, 5_000_000*dense, n, 0.01)
	}
	n, roughly, err := countWaiting(context.Background(), []*forwardChannel{{newest: 5}}, func(*forwardChannel, int64) (int64, error) { return 3, nil })
	require.NoError(t, err)
	require.False(t, roughly)
	require.EqualValues(t, 3, n)
}

// Ageing waits for the receiver, for a stated time; then the oldest are given up
// and counted, and the receiver keeps what it has of that time.
func TestAgeingWaitsForTheReceiver(t *testing.T) {
	ctx := context.Background()
	j := fresh(t)
	o := outbox(t, j)
	o.WaitForReceiver(10)
	day := func(d int) time.Time { return t0.AddDate(0, 0, d) }
	for d := range 200 {
		commitAll(t, j, entry(hours("mill-1", day(d), float64(d)), increment("d-1", fmt.Sprint(d), day(d), 1)))
	}
	x := newReceiver()
	p := next(t, o, 60) // days 0 to 29 of both, or so
	x.take(&p)
	done(t, o, p)
	late := hours("mill-1", day(5).Add(time.Hour), 500)
	commitAll(t, j, entry(late))
	taken := map[reading.Channel]time.Time{}
	for _, r := range p.Readings {
		taken[r.Channel] = r.At
	}
	require.Len(t, taken, 2)
	age := func(until int) {
		for _, s := range []Series{{"mill-1", reading.Run}, {"d-1", reading.Pulse}} {
			require.NoError(t, j.Age(ctx, Aged{Series: s, Until: day(until)}))
			for more := true; more; {
				var err error
				_, more, err = j.DropAged(ctx, s, 7)
				require.NoError(t, err)
			}
		}
	}
	oldest := func(device string) (at time.Time) {
		require.NoError(t, j.Readings(ctx, []string{device}, time.Time{}, day(1000), func(r reading.Reading) error {
			if at.IsZero() {
				at = r.At
			}
			return nil
		}))
		return at
	}
	given := func() int64 {
		b, err := o.Backlog(ctx)
		require.NoError(t, err)
		return b.GivenUp[ReasonAged]
	}
	age(14) // not yet beyond what ageing waits
	require.Equal(t, day(5).Add(time.Hour), oldest("mill-1"), "what came late waits")
	require.Equal(t, day(14), oldest("d-1"), "what is taken does not")
	require.Zero(t, given())
	age(35)
	lost := int64(1) // the late one
	for ch, at := range taken {
		had := int(at.Sub(t0)/(24*time.Hour)) + 1 // days
		require.Equal(t, day(min(max(had, 25), 35)), oldest(ch.Device))
		lost += max(0, 25-int64(had))
	}
	require.Equal(t, lost, given())
	age(100)
	require.Equal(t, day(90), oldest("mill-1"))
	require.Equal(t, day(90), oldest("d-1"))
	lost = 1
	for _, at := range taken {
		lost += int64(day(89).Sub(at) / (24 * time.Hour))
	}
	require.Equal(t, lost, given())
	before := len(x.rows)
	x.drain(t, o, 50)
	require.Len(t, x.rows, before+2*110, "nothing is taken away there")
	age(120)
	require.Equal(t, day(120), oldest("mill-1"), "and ageing waits no more")
	require.Equal(t, lost, given())
}
