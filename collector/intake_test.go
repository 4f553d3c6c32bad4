package collector

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/health"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
)

func TestEveryMessageEndsStoredKnownOrKeptAside(t *testing.T) {
	x := start(t, terminal(t, 1, 1))
	var acked atomic.Int64
	send := func(m reading.Message) {
		m.Done = func(err error) {
			if err == nil {
				acked.Add(1)
			}
		}
		x.submit(t, m)
	}
	good := message("elevator-1", "run", t0, `{"hours":100.5,"running":true,"at":%q}`, at(t0))
	send(good)
	send(good)
	send(message("elevator-1", "run", t0, `{"hours":`))
	send(message("elevator-1", "run", t0, ``))
	send(message("elevator-9", "run", t0, `{"hours":1}`))
	send(message("d-1", "level", t0, `{"cm3":900}`))
	send(message("d-1", "change", t0, `{"volume_cm3":120}`))
	send(message("d-1", "change", t0.Add(time.Hour), `{"volume_cm3":120}`))
	retained := message("elevator-1", "run", t0, `{"hours":3}`)
	retained.Retained = true // without a time of its own: nobody knows when
	send(retained)
	x.flush(t)
	s := x.Stats()
	require.EqualValues(t, 9, acked.Load(), "all are acknowledged")
	require.EqualValues(t, 9, s.Received)
	require.EqualValues(t, 2, s.Stored)
	require.EqualValues(t, 3, s.Duplicates)
	require.Equal(t, map[string]int64{"not_json": 1, "empty": 1, "unknown_device": 1, "above_volume": 1}, s.Kept)
	require.EqualValues(t, 1, s.Unknown)
	unknown, err := x.j.Unknown(context.Background())
	require.NoError(t, err)
	require.Equal(t, "elevator-9", unknown[0].Device)
}

func TestAFullDiskStopsAcknowledgingAndRecoversAlone(t *testing.T) {
	x := start(t, terminal(t, 1, 1))
	ctx := context.Background()
	require.NoError(t, x.j.Limit(ctx, 1))
	var acked atomic.Int64
	var wg sync.WaitGroup
	const n = 3000
	for i := range n {
		when := t0.Add(time.Duration(i) * time.Second)
		m := message("elevator-1", "run", when, `{"hours":%d.25,"at":%q}`, 100, at(when))
		wg.Add(1)
		m.Done = func(err error) {
			defer wg.Done()
			if err == nil {
				acked.Add(1)
			}
		}
		x.submit(t, m)
	}
	require.Eventually(t, func() bool {
		for _, c := range x.checks.List() {
			if c.Name == checkJournal && c.Level == health.Bad {
				require.Contains(t, c.What, "disk full")
				require.Contains(t, c.What, "nothing is acknowledged")
				return true
			}
		}
		return false
	}, 10*time.Second, time.Millisecond)
	stored := 0
	require.NoError(t, x.h.Readings(ctx, nil, time.Time{}, t0.AddDate(1, 0, 0), func(reading.Reading) error { stored++; return nil }), "reads go on")
	require.LessOrEqual(t, acked.Load(), int64(stored), "nothing is acknowledged that is not there")
	require.Less(t, stored, n)
	require.NoError(t, x.j.Limit(ctx, 0))
	wg.Wait()
	require.EqualValues(t, n, acked.Load())
	x.flush(t)
	require.EqualValues(t, n, x.Stats().Stored, "and counted once")
	for _, c := range x.checks.List() {
		require.Equal(t, health.Ok, c.Level, c.Name)
	}
}

func TestAStopOnAFullDiskHandsMessagesBack(t *testing.T) {
	x := start(t, terminal(t, 1, 1))
	x.drain = 200 * time.Millisecond
	require.NoError(t, x.j.Limit(context.Background(), 1))
	var refused, acked atomic.Int64
	const n = 2500
	for i := range n {
		when := t0.Add(time.Duration(i) * time.Second)
		m := message("elevator-1", "run", when, `{"hours":%d.25,"at":%q}`, 100, at(when))
		m.Done = func(err error) {
			if err != nil {
				refused.Add(1)
			} else {
				acked.Add(1)
			}
		}
		x.submit(t, m)
	}
	err := x.stop()
	if err != nil {
		require.ErrorContains(t, err, "disk full") // closing writes, too
	}
	require.EqualValues(t, n, refused.Load()+acked.Load(), "each gets exactly one answer")
	require.NotZero(t, refused.Load())
	require.ErrorIs(t, x.Submit(context.Background(), message("elevator-1", "run", t0, `{"hours":1}`)), ErrStopped)
}

func TestWhatWasTakenIsCommittedAtAStop(t *testing.T) {
	site := terminal(t, 1, 1)
	site.Connections.Intake.Linger = time.Hour // a stop does not wait for it
	x := start(t, site)
	var acked atomic.Int64
	for i := range 100 {
		when := t0.Add(time.Duration(i) * time.Second)
		m := message("elevator-1", "run", when, `{"hours":%d.25,"at":%q}`, 100, at(when))
		m.Done = func(err error) {
			if err == nil {
				acked.Add(1)
			}
		}
		x.submit(t, m)
	}
	require.NoError(t, x.stop())
	require.EqualValues(t, 100, acked.Load())
	y := startAt(t, site, x.path)
	n := 0
	require.NoError(t, y.h.Readings(context.Background(), nil, time.Time{}, t0.AddDate(1, 0, 0), func(reading.Reading) error { n++; return nil }))
	require.Equal(t, 100, n)
}

func TestPeopleDoNotWaitForTheLinger(t *testing.T) {
	site := terminal(t, 1, 1)
	site.Connections.Intake.Linger = time.Hour
	x := start(t, site)
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	left := 60.0
	f := reading.Fact{ID: "e-1", Kind: reading.FactWeighing, Point: "p-1", Device: "d-1", At: t0, CM3: &left, By: "Noor"}
	require.NoError(t, x.Record(ctx, f))
	require.NoError(t, x.Record(ctx, f), "known already is no error")
	facts, err := x.h.Facts(ctx, t0)
	require.NoError(t, err)
	require.Len(t, facts, 1)
	require.False(t, facts[0].Received.IsZero())
	require.EqualValues(t, 1, x.Stats().Duplicates)
}

func TestSubmitWaitsWhileTheQueueIsFull(t *testing.T) {
	site := terminal(t, 1, 1)
	site.Connections.Intake.Queue, site.Connections.Intake.Batch = 4, 2
	x := start(t, site)
	hold := make(chan struct{})
	first := message("elevator-1", "run", t0, `{"hours":1}`)
	first.Done = func(error) { <-hold } // the writer is busy
	x.submit(t, first)
	ctx, cancel := context.WithTimeout(context.Background(), 300*time.Millisecond)
	defer cancel()
	var err error
	n := 0
	for ; err == nil && n < 100; n++ {
		err = x.Submit(ctx, message("elevator-1", "run", t0.Add(time.Duration(n)*time.Second), `{"hours":1}`))
	}
	require.ErrorIs(t, err, context.DeadlineExceeded)
	require.Less(t, n, 20, "queue, batch and what is under way bound it")
	close(hold)
	x.flush(t)
}

func TestWatchersGetCoalescedEvents(t *testing.T) {
	x := start(t, terminal(t, 2, 1))
	events, stop := x.Watch()
	silent, stopSilent := x.Watch()
	defer stopSilent()
	for i := range 10 {
		when := t0.Add(time.Duration(i) * time.Minute)
		x.submit(t, message("elevator-1", "run", when, `{"hours":%d.5}`, i), message("elevator-2", "run", when, `{"hours":%d.5}`, i))
		x.flush(t)
	}
	x.submit(t, message("d-1", "change", t0, `{"volume_cm3":120}`))
	x.flush(t)
	e := <-events
	require.Equal(t, []string{"d-1", "elevator-1", "elevator-2"}, e.Devices)
	require.True(t, e.Facts)
	select {
	case e := <-events:
		t.Fatalf("one event stands for all, got another: %v", e)
	default:
	}
	stop()
	stop()
	_, open := <-events
	require.False(t, open)
	require.Len(t, silent, 1, "nobody waits for one who does not listen")
}

func TestManySendersAndAStopLoseNoAnswer(t *testing.T) {
	x := start(t, terminal(t, 4, 1))
	var sent, answered, taken atomic.Int64
	var wg sync.WaitGroup
	for g := range 4 {
		wg.Go(func() {
			for i := 0; ; i++ {
				m := message(fmt.Sprintf("elevator-%d", g+1), "run", t0.Add(time.Duration(i)*time.Second), `{"hours":%d.5}`, i/3600)
				m.Done = func(error) { answered.Add(1) }
				err := x.Submit(context.Background(), m)
				if errors.Is(err, ErrStopped) {
					return
				}
				if err == nil {
					taken.Add(1)
				}
				sent.Add(1)
			}
		})
	}
	require.Eventually(t, func() bool { return taken.Load() > 2000 }, 20*time.Second, time.Millisecond)
	require.NoError(t, x.stop())
	wg.Wait()
	require.Equal(t, taken.Load(), answered.Load())
	require.Equal(t, sent.Load(), taken.Load())
}

func TestWhatCanNeverBeStoredDoesNotStopTheLine(t *testing.T) {
	x := start(t, terminal(t, 1, 1))
	ctx := context.Background()
	nan := math.NaN()
	poison := reading.Fact{Kind: reading.FactWeighing, Device: "d-1", Point: "p-1", At: t0, Received: t0, CM3: &nan}
	require.ErrorIs(t, x.Record(ctx, poison), journal.ErrRefused, "a person is told")

	// No decoder lets such a thing through; should one do so some day, it
	// must cost that message only.
	answers := make(chan error, 3)
	done := func(err error) { answers <- err }
	good := x.understand(item{m: &reading.Message{Topic: "lube/v1/terminal/elevator-1/run", Payload: []byte(`{"hours":5.5}`), Received: t0}, done: done})
	x.commit([]work{good, {entry: journal.Entry{Facts: []reading.Fact{poison}, Raw: &journal.Raw{Received: t0, Topic: "lube/v1/terminal/d-1/refill", Payload: []byte("{}")}}, done: done}, good})
	for range 3 {
		require.NoError(t, <-answers)
	}
	kept, err := x.j.KeptAside(ctx, 10)
	require.NoError(t, err)
	require.Len(t, kept, 1)
	require.Equal(t, reasonUnstorable, kept[0].Reason)
	require.Equal(t, "d-1", kept[0].Device)
	require.Equal(t, "lube/v1/terminal/d-1/refill", kept[0].Topic, "as it came, so that it can be run again")
	require.Equal(t, "{}", string(kept[0].Payload))
	n := 0
	require.NoError(t, x.h.Readings(ctx, nil, time.Time{}, t0, func(reading.Reading) error { n++; return nil }))
	require.Equal(t, 1, n)
}
