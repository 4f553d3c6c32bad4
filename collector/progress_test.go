package collector

import (
	"context"
	"fmt"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/collector/wallclock"
)

// moves says whether a beat sent now arrives.
func moves(x *Intake) bool {
	x.progress.moved.Store(int64(-time.Hour)) // long ago
	x.Beat()
	for until := time.Now().Add(5 * time.Second); time.Now().Before(until); time.Sleep(time.Millisecond) {
		if x.Still() < time.Minute {
			return true
		}
	}
	return false
}

func TestAnIdleIntakeMovesByItsBeats(t *testing.T) {
	x := start(t, terminal(t, 1, 1))
	require.True(t, moves(x.Intake))
	require.True(t, moves(x.Intake), "and again")
	x.flush(t)
	s := x.Stats()
	require.Zero(t, s.Received, "a beat is no message")
	require.Zero(t, s.Commits, "and nothing is written for it")
	require.NoError(t, x.stop())
	x.Beat() // to one that has stopped: nothing
}

// stall makes commits wait until it is closed, as a disk that hangs in a flush
// does.
func stall(in *Intake) (hang, release chan struct{}) {
	hang, release = make(chan struct{}), make(chan struct{})
	store := in.commitTo
	in.commitTo = func(ctx context.Context, b journal.Batch) (journal.Result, error) {
		close(hang)
		<-release
		return store(ctx, b)
	}
	return hang, release
}

func TestACommitThatHangsIsAStandstill(t *testing.T) {
	var hang, release chan struct{}
	x := startWith(t, terminal(t, 1, 1), filepath.Join(t.TempDir(), "journal.db"), nil, func(in *Intake) { hang, release = stall(in) })
	x.submit(t, message("elevator-1", "run", t0, `{"hours":100,"at":%q}`, at(t0)))
	<-hang
	x.progress.moved.Store(int64(-time.Hour))
	for range 3 {
		x.Beat()
	}
	require.Greater(t, x.Still(), time.Minute)
	require.LessOrEqual(t, len(x.queue)+len(x.decoded), 1, "one beat waits, not one for each try")
	close(release)
	x.flush(t)
	require.Less(t, x.Still(), time.Minute, "it moves again")
	require.True(t, moves(x.Intake))
}

// A full disk answers each attempt with an error. Restarting the program would
// not make room.
func TestADiskThatRefusesIsNoStandstill(t *testing.T) {
	x := start(t, terminal(t, 1, 1))
	require.NoError(t, x.j.Limit(t.Context(), 1))
	for i := range 3000 {
		when := t0.Add(time.Duration(i) * time.Second)
		x.submit(t, message("elevator-1", "run", when, `{"hours":100.25,"at":%q}`, at(when)))
	}
	for range 2 {
		x.progress.moved.Store(int64(-time.Hour))
		failed := x.Stats().FailedCommits
		require.Eventually(t, func() bool { return x.Stats().FailedCommits > failed }, 20*time.Second, time.Millisecond)
		require.Eventually(t, func() bool { return x.Still() < time.Minute }, time.Second, time.Millisecond)
	}
	require.NoError(t, x.j.Limit(t.Context(), 0))
}

func TestAnAnswerThatNeverEndsIsAStandstill(t *testing.T) {
	x := start(t, terminal(t, 1, 1))
	asked, release := make(chan struct{}), make(chan struct{})
	m := message("elevator-1", "run", t0, `{"hours":100,"at":%q}`, at(t0))
	m.Done = func(error) { close(asked); <-release }
	x.submit(t, m)
	<-asked
	x.progress.moved.Store(int64(-time.Hour))
	x.Beat()
	require.Greater(t, x.Still(), time.Minute)
	close(release)
	x.flush(t)
	require.Less(t, x.Still(), time.Minute)
}

// Decoding only, since a journal's connections do not live in a bubble.
func TestWaitingForTheClockIsNoStandstill(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		in := &Intake{progress: newProgress(), now: func() time.Time { return time.Date(1970, 1, 1, 0, 0, 9, 0, time.UTC) }, stopping: make(chan struct{})}
		in.own = ownClock{guard: wallclock.New(time.Time{}, wallclock.Doubt{}), look: func(now time.Time) wallclock.Look { return wallclock.Look{Wall: now} }, every: clockEvery}
		in.lookAtClock()
		ended := make(chan bool)
		go func() { ended <- in.awaitClock(&reading.Message{Received: in.now()}) }()
		time.Sleep(time.Hour)
		require.LessOrEqual(t, in.Still(), clockEvery)
		close(in.stopping)
		require.False(t, <-ended)
	})
}

func TestCommitTimes(t *testing.T) {
	var c commits
	at := time.UnixMilli(1_800_000_000_000)
	for _, took := range []time.Duration{500 * time.Microsecond, time.Millisecond, 3 * time.Millisecond, time.Minute} {
		c.ended(took, at, nil)
	}
	c.ended(time.Second, at.Add(time.Hour), fmt.Errorf("disk full"))
	l := c.latency()
	require.Len(t, l.UpTo, len(l.Bounds))
	require.EqualValues(t, 2, l.UpTo[0], "up to 1 ms")
	require.EqualValues(t, 2, l.UpTo[1], "up to 2.5 ms")
	require.EqualValues(t, 3, l.UpTo[2], "up to 5 ms")
	require.EqualValues(t, 3, l.UpTo[len(l.UpTo)-1], "a minute is beyond all")
	require.EqualValues(t, 4, l.Count, "failed ones do not count")
	require.Equal(t, time.Minute+4500*time.Microsecond, l.Sum)
	require.EqualValues(t, 1, c.failed.Load())
	require.Equal(t, at.UnixMilli(), c.last.Load())
}
