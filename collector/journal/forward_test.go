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

// A setting that is repeated with every message while the receiver is away waits
// once, and what is sent then says until when it held.
func TestAFactThatIsConfirmedOftenWaitsOnce(t *testing.T) {
	ctx := context.Background()
	j, err := Open(ctx, filepath.Join(t.TempDir(), "journal.db"), Options{})
	require.NoError(t, err)
	defer j.Close()
	o := outbox(t, j)
	v := 2.5
	report := func(minute int) {
		at := t0.Add(time.Duration(minute) * time.Minute)
		_, err := j.Commit(ctx, Batch{{Facts: []reading.Fact{{Kind: reading.FactSetting, Device: "d-1", At: at, Received: at, CM3Per100h: &v}}}})
		require.NoError(t, err)
	}
	sent := func() (out []reading.StoredFact) {
		p, err := o.Next(ctx, 100)
		require.NoError(t, err)
		if !p.Empty() {
			require.NoError(t, o.Done(ctx, p, nil))
		}
		return p.Facts
	}
	report(0)
	require.Len(t, sent(), 1)
	for minute := range 500 {
		report(minute + 1)
	}
	b, err := o.Backlog(ctx)
	require.NoError(t, err)
	require.EqualValues(t, 1, b.Facts)
	got := sent()
	require.Len(t, got, 1)
	require.Equal(t, t0.Add(500*time.Minute), got[0].Until)
	require.False(t, got[0].Person)
	require.Empty(t, sent())
	report(501)
	got = sent()
	require.Len(t, got, 1)
	require.Equal(t, t0.Add(501*time.Minute), got[0].Until)
}

func next(t testing.TB, o *Outbox, rows int) Parcel {
	t.Helper()
	p, err := o.Next(context.Background(), rows)
	require.NoError(t, err)
	return p
}

func done(t testing.TB, o *Outbox, p Parcel, refused ...Refused) {
	t.Helper()
	require.NoError(t, o.Done(context.Background(), p, refused))
}

// crash closes a journal as a crash would leave it, as far as the outbox goes,
// and opens it.
func crash(t testing.TB, j *Journal) *Journal {
	t.Helper()
	j.mu.Lock()
	j.fwd, j.marked = nil, false // places in memory are lost, and it is not said that it ended well
	j.mu.Unlock()
	require.NoError(t, j.Close())
	return open(t, j.path, Options{RawBytes: 1 << 20})
}

func forwardTables(t testing.TB, j *Journal) (n int) {
	t.Helper()
	require.NoError(t, j.reader.QueryRow("SELECT (SELECT count(*) FROM forward) + (SELECT count(*) FROM forward_late) + (SELECT count(*) FROM forward_fact) + (SELECT count(*) FROM forward_line) + (SELECT count(*) FROM meta WHERE name LIKE 'forward%')").Scan(&n))
	return n
}

// weighed is a fact by a person.
func weighed(id string, at time.Time, cm3 float64) Entry {
	return Entry{Person: true, Facts: []reading.Fact{{ID: id, Kind: reading.FactWeighing, Point: "p-1", At: at, Received: at, CM3: &cm3}}}
}

func TestWithoutAReceiverNothingIsRecorded(t *testing.T) {
	ctx := context.Background()
	j := fresh(t)
	store := func(n int) {
		at := t0.Add(time.Duration(n) * time.Minute)
		commitAll(t, j, entry(hours("mill-1", at, float64(n)), hours("mill-1", at.Add(-time.Hour), float64(n)-1)), weighed(fmt.Sprint("e-", n), at, 60))
		require.NoError(t, j.QueueLines(ctx, [][]byte{[]byte("usage,point=p-1 hours=3 1")}))
	}
	store(1)
	store(2)
	require.Zero(t, forwardTables(t, j))
	_, ok, err := j.Forwarding(ctx)
	require.NoError(t, err)
	require.False(t, ok)

	o := outbox(t, j)
	before, anew := o.Anew()
	require.True(t, anew)
	require.Empty(t, before)
	store(3)
	require.Positive(t, forwardTables(t, j))
	newReceiver().drain(t, o, 100)

	require.NoError(t, j.ForgetOutbox(ctx))
	require.Zero(t, forwardTables(t, j))
	_, err = o.Next(ctx, 10)
	require.ErrorIs(t, err, errOutbox)
	store(4)
	require.Zero(t, forwardTables(t, j))

	// Nobody knows what was missed, so all starts from the beginning.
	x := newReceiver()
	x.drain(t, outbox(t, j), 3)
	x.holds(t, j)
}

func TestAnotherReceiverGetsAllFromTheBeginning(t *testing.T) {
	ctx := context.Background()
	j := fresh(t)
	commitAll(t, j, entry(hours("mill-1", t0, 1)), weighed("e-1", t0, 60))
	o := outbox(t, j)
	newReceiver().drain(t, o, 100)
	require.Same(t, o, outbox(t, j), "the same again")
	_, anew := o.Anew()
	require.False(t, anew)
	other, err := j.Outbox(ctx, "http://127.0.0.1:8086 terminal/other")
	require.NoError(t, err)
	before, anew := other.Anew()
	require.True(t, anew, "another one")
	require.Equal(t, receiverName, before)
	_, err = o.Next(ctx, 100)
	require.ErrorIs(t, err, errOutbox)
	x := newReceiver()
	x.drain(t, other, 100)
	x.holds(t, j)
	require.Len(t, x.rows, 1)
	_, err = j.Outbox(ctx, "")
	require.Error(t, err)
}

func TestWhatWasSentAndNotTakenIsSentAgain(t *testing.T) {
	j := fresh(t)
	o := outbox(t, j)
	for i := range 30 {
		commitAll(t, j, entry(hours("mill-1", t0.Add(time.Duration(i)*time.Minute), float64(i))))
	}
	first, second := next(t, o, 10), next(t, o, 10)
	require.Len(t, first.Readings, 10)
	require.Len(t, second.Readings, 10)
	require.True(t, second.More)
	require.Error(t, o.Done(t.Context(), second, nil), "not before the one that was given before it")
	done(t, o, first)
	o.Back()
	require.Equal(t, second.Readings, next(t, o, 10).Readings)
	third := next(t, o, 100)
	require.Len(t, third.Readings, 10)
	require.False(t, third.More)
	empty := next(t, o, 100)
	require.True(t, empty.Empty())

	// Places are kept over an orderly end, and what is not taken comes again.
	require.NoError(t, j.Close())
	j = open(t, j.path, Options{})
	o = outbox(t, j)
	_, anew := o.Anew()
	require.False(t, anew)
	rest := next(t, o, 100)
	require.Len(t, rest.Readings, 20)
	require.Equal(t, second.Readings[0], rest.Readings[0])
	done(t, o, rest)
	b, err := o.Backlog(t.Context())
	require.NoError(t, err)
	require.Zero(t, b.Readings)
	require.Zero(t, b.Channels)
	require.True(t, b.Oldest.IsZero())
	require.False(t, b.Taken.IsZero())
}

// After a crash nobody knows how far the receiver was given something, so a
// change of anything that is there is told.
func TestAChangeAfterACrashIsTold(t *testing.T) {
	ctx := context.Background()
	j := open(t, filepath.Join(t.TempDir(), "journal.db"), Options{RawBytes: 1 << 20})
	o := outbox(t, j)
	x := newReceiver()
	commitAll(t, j, rawEntry(0, "x"))
	x.drain(t, o, 10) // the first one is noted at once
	for i := 1; i < 4; i++ {
		commitAll(t, j, rawEntry(i, "x"))
	}
	x.drain(t, o, 10) // this one later
	require.NoError(t, j.SaveRaw(ctx))
	var at int64
	require.NoError(t, j.reader.QueryRow("SELECT at FROM forward").Scan(&at))
	require.Equal(t, t0.UnixMilli(), at)
	j = crash(t, j)
	blocks, err := j.RawBlocks(ctx, time.Time{}, t0.AddDate(1, 0, 0))
	require.NoError(t, err)
	messages, err := j.RawMessages(ctx, blocks[0].ID)
	require.NoError(t, err)
	batch := make(Batch, len(messages))
	for i := range batch { // each says something of another device now
		r := hours("elevator-2", t0.Add(time.Duration(i)*time.Second), float64(i))
		r.Received = messages[i].Received
		batch[i] = entry(r)
	}
	result, err := j.RerunRaw(ctx, blocks[0].ID, messages, batch, false)
	require.NoError(t, err)
	require.Equal(t, 4, result.Replaced)
	x.drain(t, outbox(t, j), 10)
	x.holds(t, j)
	require.Len(t, x.rows, 4)
}

// A journal that is put back from a copy sends again what it has since then.
func TestARestoredJournalGoesOnFromItsOwnPlaces(t *testing.T) {
	ctx := context.Background()
	j := fresh(t)
	o := outbox(t, j)
	x := newReceiver()
	store := func(from, to int) {
		for i := from; i < to; i++ {
			commitAll(t, j, entry(hours("mill-1", t0.Add(time.Duration(i)*time.Minute), float64(i))), weighed(fmt.Sprint("e-", i), t0, float64(i)))
		}
	}
	store(0, 10)
	x.drain(t, o, 4)
	copied := filepath.Join(t.TempDir(), "copy.db")
	require.NoError(t, j.Backup(ctx, copied))
	store(10, 15)
	x.drain(t, o, 4)
	_, err := Verify(ctx, copied)
	require.NoError(t, err)

	lost := x.rows[fmt.Sprintf("mill-1/run.hours/%d/", t0.Add(14*time.Minute).UnixMilli())]
	require.Equal(t, 14.0, lost.Value)
	j = open(t, copied, Options{})
	o = outbox(t, j)
	_, anew := o.Anew()
	require.False(t, anew)
	store(10, 14)
	store(20, 22)
	x.drain(t, o, 4)
	require.Equal(t, lost, x.rows[spot(&lost)], "stays there")
	delete(x.rows, spot(&lost))
	f := x.facts[fmt.Sprintf("/weighing/%d/e-14", t0.UnixMilli())]
	delete(x.facts, factSpot(&f))
	x.holds(t, j)
}

func TestReadyTellsOfWhatIsNew(t *testing.T) {
	j := fresh(t)
	o := outbox(t, j)
	told := func() bool {
		select {
		case <-o.Ready():
			return true
		default:
			return false
		}
	}
	empty := func() bool { p := next(t, o, 10); return p.Empty() }
	require.True(t, empty())
	require.False(t, told())
	commitAll(t, j, entry(hours("mill-1", t0, 1)))
	require.True(t, told())
	commitAll(t, j, entry(hours("mill-1", t0, 1)))
	require.False(t, told(), "nothing new")
	p := next(t, o, 10)
	done(t, o, p)
	require.True(t, empty())
	commitAll(t, j, entry(hours("mill-1", t0, 2)))
	require.True(t, told(), "changed")
	p = next(t, o, 10)
	require.Len(t, p.Ranges, 1)
	done(t, o, p)
	commitAll(t, j, weighed("e-1", t0, 60))
	require.True(t, told())
	p = next(t, o, 10)
	require.Len(t, p.Facts, 1)
	done(t, o, p)
	require.NoError(t, j.QueueLines(t.Context(), [][]byte{[]byte("usage,point=p-1 hours=3 1")}))
	require.True(t, told())
	require.False(t, empty())
	o.Back()
	require.True(t, told())
}

// What cannot be noted is not done, and can be noted later.
func TestAFullDiskMovesNothing(t *testing.T) {
	ctx := context.Background()
	j := fresh(t)
	o := outbox(t, j)
	var b Batch
	for i := range 200 {
		b = append(b, weighed(fmt.Sprint("e-", i), t0, float64(i)))
	}
	commitAll(t, j, b...)
	p := next(t, o, 400)
	require.NotEmpty(t, p.Facts)
	big := Refused{Line: []byte("fact body=\"" + string(make([]byte, 1<<20)) + "\" 1"), Reason: "too_large"}
	require.NoError(t, j.Limit(ctx, 1))
	require.ErrorIs(t, o.Done(ctx, p, []Refused{big}), ErrUnwritable)
	require.NoError(t, j.Limit(ctx, 0))
	done(t, o, p, big)
	again := next(t, o, 400)
	for _, f := range again.Facts {
		require.NotContains(t, p.Facts, f)
	}
}

// What is only confirmed is not queued in the file, and is not lost with it.
func TestAConfirmationWritesNothingAndIsNotLost(t *testing.T) {
	for name, end := range map[string]func(j *Journal) *Journal{
		"in order": func(j *Journal) *Journal {
			require.NoError(t, j.Close())
			return open(t, j.path, Options{})
		},
		"a crash": func(j *Journal) *Journal { return crash(t, j) },
	} {
		for _, given := range []bool{false, true} {
			t.Run(fmt.Sprint(name, ", given out: ", given), func(t *testing.T) {
				ctx := context.Background()
				j := fresh(t)
				o := outbox(t, j)
				v := 2.5
				report := func(minute int) {
					at := t0.Add(time.Duration(minute) * time.Minute)
					commitAll(t, j, Entry{Facts: []reading.Fact{{Kind: reading.FactSetting, Device: "d-1", At: at, Received: at, CM3Per100h: &v}}})
				}
				x := newReceiver()
				report(0)
				x.drain(t, o, 10)
				report(1)
				var rows int
				require.NoError(t, j.reader.QueryRow("SELECT count(*) FROM forward_fact").Scan(&rows))
				require.Zero(t, rows)
				if given {
					p := next(t, o, 10)
					require.Len(t, p.Facts, 1)
				}
				b, err := o.Backlog(ctx)
				require.NoError(t, err)
				require.EqualValues(t, 1, b.Facts)
				j = end(j)
				x.drain(t, outbox(t, j), 10)
				x.holds(t, j)
			})
		}
	}
}

// What is forwarded is a journal of its own.
func TestAForwardedJournalTakesNothingOver(t *testing.T) {
	j := fresh(t)
	outbox(t, j)
	_, err := j.TakeOver(t.Context(), Copied{Stretches: []Stretch{{Device: "mill-1", To: t0, Readings: []reading.Reading{hours("mill-1", t0, 1)}}}})
	require.ErrorIs(t, err, ErrRefused)
	require.Empty(t, all(t, j))
}

// A fact that names no device is known at the receiver by its id alone.
func TestAMovedFactIsTakenAwayByItsID(t *testing.T) {
	ctx := context.Background()
	j, err := Open(ctx, filepath.Join(t.TempDir(), "journal.db"), Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, j.Close()) }()
	o := outbox(t, j)
	f := reading.Fact{ID: "entry-1", Kind: reading.FactChange, Point: "p-1", At: t0, Received: t0}
	_, err = j.Commit(ctx, Batch{{Facts: []reading.Fact{f}, Person: true}})
	require.NoError(t, err)
	newReceiver().drain(t, o, 100)
	_, err = j.Shift(ctx, t0.Add(-time.Hour), t0.Add(time.Hour), 24*time.Hour)
	require.NoError(t, err)
	p, err := o.Next(ctx, 100)
	require.NoError(t, err)
	require.Equal(t, []Range{{Fact: reading.FactChange, ID: "entry-1", From: t0, To: t0, Gone: true}}, p.Ranges)
	require.Len(t, p.Facts, 1)
	require.Equal(t, t0.Add(24*time.Hour), p.Facts[0].At)
}
