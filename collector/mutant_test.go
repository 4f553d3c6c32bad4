package collector

import (
	"context"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/journal"
	"dwindle/collector/reading"
)

// The checks behind the promise of the intake, each held against an intake
// that breaks it: a check that would not notice is worth nothing.

// earlyAcks sends messages and counts those that another connection to the
// journal cannot see at the moment of their acknowledgement, which is the
// question that a power cut would ask.
func earlyAcks(t *testing.T, x *house, n int) (acknowledged, early int64) {
	t.Helper()
	var acks, missing atomic.Int64
	var wg sync.WaitGroup
	for i := range n {
		when := t0.Add(time.Duration(i) * time.Second)
		m := message("elevator-1", "run", when, `{"hours":%d.5,"at":%q}`, 100+i/3600, at(when))
		wg.Add(1)
		m.Done = func(err error) {
			defer wg.Done()
			if err != nil {
				return
			}
			acks.Add(1)
			found := false
			err = x.h.Readings(context.Background(), []string{"elevator-1"}, when.Add(-time.Millisecond), when, func(reading.Reading) error {
				found = true
				return nil
			})
			if err != nil || !found {
				missing.Add(1)
			}
		}
		x.submit(t, m)
	}
	wg.Wait()
	return acks.Load(), missing.Load()
}

func TestNoMessageIsAcknowledgedBeforeItIsOnDisk(t *testing.T) {
	acknowledged, early := earlyAcks(t, start(t, terminal(t, 1, 1)), 500)
	require.EqualValues(t, 500, acknowledged)
	require.Zero(t, early)
}

// acknowledgeFirst makes an intake answer before the commit, which follows
// soon after.
func acknowledgeFirst(in *Intake) {
	var mu sync.Mutex
	in.commitTo = func(ctx context.Context, b journal.Batch) (journal.Result, error) {
		own := append(journal.Batch(nil), b...)
		go func() {
			mu.Lock()
			defer mu.Unlock()
			time.Sleep(20 * time.Millisecond)
			_, _ = in.j.Commit(ctx, own) // after a stop the journal is closed: that is the loss
		}()
		return journal.Result{Outcomes: make([]journal.Outcome, len(b))}, nil
	}
}

func TestAcknowledgingBeforeTheCommitIsCaught(t *testing.T) {
	x := startWith(t, terminal(t, 1, 1), t.TempDir()+"/journal.db", nil, acknowledgeFirst)
	_, early := earlyAcks(t, x, 100)
	require.Positive(t, early, "the check does not see what it is there for")
	require.Eventually(t, func() bool { return x.Stats().Stored == 100 }, 10*time.Second, time.Millisecond)
}

// storm sends increments, each several times and in a mixed order, and gives
// what was counted.
func storm(t *testing.T, x *house) float64 {
	t.Helper()
	const n, copies = 60, 3
	for k := range n * copies {
		i := k * 7 % n // 7 and 60 have no factor in common
		when := t0.Add(time.Duration(i) * time.Minute)
		x.submit(t, message("d-1", "pulse", t0.Add(2*time.Hour), `{"pulses":2,"id":"p-%d","at":%q}`, i, at(when)))
	}
	x.flush(t)
	a, err := x.h.Amount(context.Background(), "d-1", reading.Pulse, t0.Add(-time.Hour), t0.Add(2*time.Hour))
	require.NoError(t, err)
	return a.Value
}

func TestAStormOfDuplicatesCountsOnce(t *testing.T) {
	require.InDelta(t, 120, storm(t, start(t, terminal(t, 1, 1))), 1e-9)
}

// loseKeys makes an intake store each arrival under a key of its own.
func loseKeys(in *Intake) {
	n := 0
	in.commitTo = func(ctx context.Context, b journal.Batch) (journal.Result, error) {
		for i := range b {
			for k := range b[i].Readings {
				n++
				b[i].Readings[k].Key = fmt.Sprintf("arrival-%d", n)
			}
		}
		return in.j.Commit(ctx, b)
	}
}

func TestKeysThatDoNotRepeatAreCaught(t *testing.T) {
	x := startWith(t, terminal(t, 1, 1), t.TempDir()+"/journal.db", nil, loseKeys)
	require.Greater(t, storm(t, x), 120.0, "the check does not see what it is there for")
}
