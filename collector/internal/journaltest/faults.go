package journaltest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/config/civil"
)

// Fault is what befalls one call of a store.
type Fault int

// The faults.
const (
	Refused  Fault = iota // nothing was done, and that is said
	TimedOut              // nothing was done in time
	Cut                   // a half was done
	Unheard               // all was done, but the answer got lost
	Twice                 // it was done two times
	faultsEnd
)

// String names the fault.
func (f Fault) String() string {
	return [...]string{"refused", "timed out", "cut", "unheard", "twice"}[f]
}

// ErrFault is what a call that met a fault says.
var ErrFault = errors.New("the store was in trouble")

// Faulty is a store of which one call meets a fault.
type Faulty struct {
	s Readings

	mu    sync.Mutex
	fault Fault
	in    int // calls until then; negative: none will
	met   bool
}

// NewFaulty puts faults between a store and who asks it.
func NewFaulty(s Readings) *Faulty { return &Faulty{s: s, in: -1} }

// Arm has the nth call from now on, counted from 0, meet a fault.
func (f *Faulty) Arm(fault Fault, n int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.fault, f.in, f.met = fault, n, false
}

// Disarm ends it, and says whether a call has met the fault.
func (f *Faulty) Disarm() (met bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.in = -1
	return f.met
}

// meets counts a call.
func (f *Faulty) meets() (Fault, bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.in--
	if f.in != -1 {
		f.in = max(f.in, -2) // calls without end
		return 0, false
	}
	f.met = true
	return f.fault, true
}

// call does something of which a half is a call of its own.
func (f *Faulty) call(ctx context.Context, do func(ctx context.Context) error, half func(ctx context.Context) error) error {
	fault, now := f.meets()
	if !now {
		return do(ctx)
	}
	said := fmt.Errorf("%w: %s", ErrFault, fault)
	switch fault {
	case Refused:
		return said
	case TimedOut:
		ctx, cancel := context.WithDeadline(ctx, time.Unix(0, 0))
		defer cancel()
		// Whatever a store makes of it, it must not be an answer that is wrong.
		return do(ctx)
	case Cut:
		return errors.Join(half(ctx), said)
	case Unheard:
		return errors.Join(do(ctx), said)
	default: // Twice
		if err := do(ctx); err != nil {
			return err
		}
		return do(ctx)
	}
}

func nothing(context.Context) error { return nil }

// Put stores a batch.
func (f *Faulty) Put(ctx context.Context, b journal.Batch) (out []journal.Outcome, err error) {
	err = f.call(ctx, func(ctx context.Context) (err error) {
		out, err = f.s.Put(ctx, b)
		return err
	}, func(ctx context.Context) error {
		_, err := f.s.Put(ctx, b[:len(b)/2])
		return err
	})
	return out, err
}

// Readings hands readings on.
func (f *Faulty) Readings(ctx context.Context, devices []string, after, to time.Time, fn func(reading.Reading) error) error {
	n, second := 0, false
	count := func(context.Context) error {
		return f.s.Readings(ctx, devices, after, to, func(reading.Reading) error { n++; return nil })
	}
	return f.call(ctx, func(ctx context.Context) error {
		if second { // who listens hears it once
			return count(ctx)
		}
		second = true
		return f.s.Readings(ctx, devices, after, to, fn)
	}, func(ctx context.Context) error {
		if err := count(ctx); err != nil {
			return err
		}
		half := n / 2
		err := f.s.Readings(ctx, devices, after, to, func(r reading.Reading) error {
			if half--; half < 0 {
				return errEnough
			}
			return fn(r)
		})
		if errors.Is(err, errEnough) {
			return nil
		}
		return err
	})
}

// store is what the rest is asked of; RunFaults asks it of none that is not one.
func (f *Faulty) store() Store { return f.s.(Store) }

// Days gives days.
func (f *Faulty) Days(ctx context.Context, device string, kind reading.Kind, first, last civil.Date) (out []reading.Day, err error) {
	err = f.call(ctx, func(ctx context.Context) (err error) {
		out, err = f.store().Days(ctx, device, kind, first, last)
		return err
	}, nothing)
	return out, err
}

// Levels gives levels.
func (f *Faulty) Levels(ctx context.Context, device string, from, to time.Time) (out []reading.Sample, err error) {
	err = f.call(ctx, func(ctx context.Context) (err error) {
		out, err = f.store().Levels(ctx, device, from, to)
		return err
	}, nothing)
	return out, err
}

// LastSeen gives the last sign of life.
func (f *Faulty) LastSeen(ctx context.Context, device string, until time.Time) (seen time.Time, every time.Duration, ok bool, err error) {
	err = f.call(ctx, func(ctx context.Context) (err error) {
		seen, every, ok, err = f.store().LastSeen(ctx, device, until)
		return err
	}, nothing)
	return seen, every, ok, err
}

// Facts gives facts.
func (f *Faulty) Facts(ctx context.Context, until time.Time) (out []reading.Fact, err error) {
	err = f.call(ctx, func(ctx context.Context) (err error) {
		out, err = f.store().Facts(ctx, until)
		return err
	}, nothing)
	return out, err
}

// Breaker lets something between a store and its data fail. The nth step from
// now on, counted from 0, meets a fault of a kind, which is a number from 0.
type Breaker interface {
	Arm(kind, n int)
	Disarm() (met bool)
	Kinds() int
	Name(kind int) string
}

// bare hides the other methods of a Faulty from whoever looks for a Store.
type bare struct{ f *Faulty }

func (b bare) Put(ctx context.Context, batch journal.Batch) ([]journal.Outcome, error) {
	return b.f.Put(ctx, batch)
}

func (b bare) Readings(ctx context.Context, devices []string, after, to time.Time, fn func(reading.Reading) error) error {
	return b.f.Readings(ctx, devices, after, to, fn)
}

type breaker struct{ *Faulty }

func (b breaker) Arm(kind, n int)      { b.Faulty.Arm(Fault(kind), n) }
func (b breaker) Kinds() int           { return int(faultsEnd) }
func (b breaker) Name(kind int) string { return Fault(kind).String() }

// Broken puts a Faulty before a store, for RunFaults.
func Broken(s Readings) (Readings, Breaker) {
	f := NewFaulty(s)
	if _, ok := s.(Store); ok {
		return f, breaker{f}
	}
	return bare{f}, breaker{f}
}

// tries bounds how often who puts a batch tries again.
const tries = 8

// Trial says how a store is put to the test by RunFaults.
type Trial struct {
	// Truth makes a sound store, Open the one under test with what breaks it.
	Truth func(t *testing.T) Readings
	Open  func(t *testing.T) (Readings, Breaker)
	// Steps is about how many steps a batch and the questions that follow it take.
	Steps int
	// Rounds is how often all of it is done, each time with other faults at other
	// batches: as many as there are kinds has all at all.
	Rounds int
	// Every is how many batches are put before the questions; 0: each is asked about.
	Every int
	// Leave names rows that are left out.
	Leave []string
}

// RunFaults puts the batches of the small rows of the table, one after the other,
// and asks about everything after each, while now this step fails and now that.
// Each batch is put until it is taken; each answer must be that of a sound
// store, or an error; and once the fault is gone all must be right.
func RunFaults(t *testing.T, trial Trial) {
	first, _ := trial.Open(t)
	_, all := first.(Store)
	var batches []journal.Batch
	for _, b := range readings {
		if !b.large && !slices.Contains(trial.Leave, b.name) {
			batches = append(batches, b.puts()...)
		}
	}
	for _, d := range derivations {
		if all && !slices.Contains(trial.Leave, d.name) {
			batches = append(batches, d.puts()...)
		}
	}
	// The rows meddle with each other, and so do they in the sound store.
	var want []Answers
	sound := trial.Truth(t)
	groups := slices.Collect(slices.Chunk(batches, max(1, trial.Every)))
	for _, group := range groups {
		for _, b := range group {
			commit(t, sound, b)
		}
		a, err := Ask(t.Context(), sound)
		require.NoError(t, err)
		if !all {
			a = Answers{Readings: a.Readings}
		}
		want = append(want, a)
	}
	for round := range trial.Rounds {
		t.Run(strconv.Itoa(round+1), func(t *testing.T) {
			t.Parallel()
			s, b := trial.Open(t)
			met := 0
			for i, group := range groups {
				kind := (i + round) % b.Kinds()
				b.Arm(kind, i*stride%trial.Steps)
				about := func() string { return fmt.Sprintf("questions %d, %s", i, b.Name(kind)) }
				for _, batch := range group {
					var err error
					for range tries {
						if _, err = s.Put(t.Context(), batch); err == nil {
							break
						}
					}
					require.NoError(t, err, about())
				}
				for range tries {
					a, err := Ask(t.Context(), s)
					if err == nil {
						equal(t, want[i], a, about())
						break
					}
				}
				if b.Disarm() {
					met++
				}
				if i%3 != 0 && i < len(groups)-1 {
					continue // the next fault comes upon what this one left
				}
				a, err := Ask(t.Context(), s)
				require.NoError(t, err, "the fault is gone: %s", about())
				equal(t, want[i], a, about())
			}
			require.Greater(t, met, len(groups)/2, "faults that nobody meets show nothing")
		})
	}
}

// stride goes through all steps of any number that it does not divide, out of
// order, so that rows that are alike do not meet the same.
const stride = 7

func equal(t testing.TB, want, got Answers, about string) {
	t.Helper()
	require.Equal(t, len(want.Readings), len(got.Readings), about)
	same(t, want.Readings, got.Readings)
	want.Readings, got.Readings = nil, nil
	require.Equal(t, want, got, about)
}
