package collector

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/journal"
	"dwindle/collector/journal/disktest"
	"dwindle/collector/reading"
	"dwindle/config"
)

// A crash at each step of the way from the queue to the acknowledgement, and
// at each step of what goes on beside it. The process ends itself by kill -9 at
// the step, so that nothing of it is tidied up.

// The steps.
const (
	beforeBegin  = "before the transaction"
	inTheWrite   = "in writing the transaction"
	beforeSync   = "before the sync of the commit"
	beforeAck    = "after the commit, before the acknowledgement"
	amidAcks     = "amid the acknowledgements"
	inCheckpoint = "in the checkpoint"
	inMigration  = "in the migration"
	inDerived    = "in saving daily figures"
)

// stepJournal names the journal of a process that kills itself at a step, the
// so-many-th time that it comes there.
const stepJournal = "COLLECTOR_STEP_JOURNAL"

// increment is message i of the tests that count exactly: two pulses, told by
// an id of their own.
func increment(i int) reading.Message {
	when := t0.Add(time.Duration(i) * time.Second)
	return message("d-1", "pulse", when.Add(time.Second), `{"pulses":2,"id":"p-%d","at":%q}`, i, at(when))
}

func stepChild(path, step string) {
	fail := func(err error) {
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	number := func(name string) int {
		n, err := strconv.Atoi(os.Getenv(stepJournal + name))
		fail(err)
		return n
	}
	var armed atomic.Bool
	var left atomic.Int64
	left.Store(int64(number("_AT")))
	come := func(here string) {
		if here == step && armed.Load() && left.Add(-1) == 0 {
			fail(syscall.Kill(os.Getpid(), syscall.SIGKILL))
			select {}
		}
	}
	disk, _, err := disktest.Under(filepath.Dir(path))
	fail(err)
	disk.Hook(func(c disktest.Call) error {
		switch {
		case c.Kind == disktest.Main && c.Op != disktest.Make:
			come(inCheckpoint)
		case c.Kind == disktest.Log && c.Op == disktest.Write:
			come(inTheWrite)
			come(inMigration)
			come(inDerived)
		case c.Kind == disktest.Log && c.Op == disktest.Sync:
			come(beforeSync)
		}
		return nil
	})
	ctx := context.Background()
	site, err := plant(1, 1)
	fail(err)
	armed.Store(step == inMigration)
	j, err := journal.Open(ctx, path, journal.Options{})
	fail(err)
	in := NewIntake(func() *config.Site { return site }, j, nil, nil)
	commit := in.commitTo
	in.commitTo = func(ctx context.Context, b journal.Batch) (journal.Result, error) {
		come(beforeBegin)
		r, err := commit(ctx, b)
		come(beforeAck)
		return r, err
	}
	running, stop := context.WithCancel(ctx)
	ended := make(chan struct{})
	go func() { _ = in.Run(running); close(ended) }()
	armed.Store(step != inDerived && step != inCheckpoint)
	from, n := number("_FROM"), number("_MESSAGES")
	var done sync.WaitGroup
	for i := from; i < from+n; i++ {
		m := increment(i)
		done.Add(1)
		m.Done = func(err error) {
			defer done.Done()
			fail(err)
			fmt.Println(i)
			come(amidAcks)
		}
		fail(in.Submit(ctx, m))
		if i%20 == 19 {
			done.Wait() // batches of some twenty
		}
	}
	done.Wait()
	armed.Store(true)
	fail(in.Rebuild(ctx))
	stop()
	<-ended
	fail(j.Close())
}

// stepped runs the child once and adds what it acknowledged. It says whether
// the child came to the step.
func stepped(t *testing.T, path, step string, at, from, n int, acknowledged map[int]bool) (killed bool) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), stepJournal+"="+path, stepJournal+"_STEP="+step, stepJournal+"_AT="+strconv.Itoa(at),
		stepJournal+"_FROM="+strconv.Itoa(from), stepJournal+"_MESSAGES="+strconv.Itoa(n))
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	for lines := bufio.NewScanner(out); lines.Scan(); {
		i, err := strconv.Atoi(lines.Text())
		require.NoError(t, err)
		acknowledged[i] = true
	}
	if err := cmd.Wait(); err != nil {
		status, ok := cmd.ProcessState.Sys().(syscall.WaitStatus)
		require.True(t, ok && status.Signal() == syscall.SIGKILL, "%v", err)
		return true
	}
	return false
}

// requireCounted wants all that was acknowledged in the journal, and after
// everything was delivered again, as a broker does that saw no acknowledgement,
// each of n increments once.
func requireCounted(t *testing.T, path string, acknowledged map[int]bool, n int) {
	t.Helper()
	ctx := context.Background()
	x := startAt(t, terminal(t, 1, 1), path)
	there := map[int]bool{}
	require.NoError(t, x.h.Readings(ctx, nil, time.Time{}, t0.AddDate(1, 0, 0), func(r reading.Reading) error {
		there[int(r.At.Sub(t0)/time.Second)] = true
		return nil
	}))
	lost := 0
	for i := range acknowledged {
		if !there[i] {
			lost++
		}
	}
	require.Zero(t, lost, "acknowledged and lost, of %d", len(acknowledged))
	for i := range n {
		x.submit(t, increment(i))
	}
	x.flush(t)
	a, err := x.h.Amount(ctx, "d-1", reading.Pulse, t0.Add(-time.Hour), t0.Add(time.Duration(n)*time.Second))
	require.NoError(t, err)
	require.InDelta(t, float64(2*n), a.Value, 1e-9, "counts each increment once")
	require.NoError(t, x.stop())
	_, err = journal.Verify(ctx, path)
	require.NoError(t, err)
}

func TestACrashAtAnyStepLosesNothingAcknowledged(t *testing.T) {
	const n = 120 // messages of one life
	for _, step := range []string{beforeBegin, inTheWrite, beforeSync, beforeAck, amidAcks, inCheckpoint, inMigration, inDerived} {
		t.Run(step, func(t *testing.T) {
			t.Parallel()
			path := filepath.Join(t.TempDir(), "data", "journal.db")
			acknowledged := map[int]bool{}
			chance := rand.New(rand.NewPCG(3, uint64(len(step))))
			kills, from := 0, 0
			for range rounds(4, 25) {
				// How often a life comes to a step differs; what it never came
				// to is tried sooner.
				for at := 1 + chance.IntN(60); at > 0; at /= 2 {
					killed := stepped(t, path, step, at, from, n, acknowledged)
					from += n
					if killed {
						kills++
						break
					}
					if step == inMigration { // only a new journal has one
						require.NoError(t, os.RemoveAll(filepath.Dir(path)))
						clear(acknowledged)
					}
				}
			}
			require.Positive(t, kills, "never came to the step")
			requireCounted(t, path, acknowledged, from)
		})
	}
}
