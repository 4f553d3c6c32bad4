package journaltest

import (
	"context"
	"errors"
	"math"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/journal"
	"dwindle/collector/reading"
)

// A table that any store passes says nothing. Here are stores that are wrong, each
// in one way; the table must find every one of them, and the sound one sound.
// Each is run by a process of its own, whose tests then fail.

const sloppyVariable = "DWINDLE_TEST_SLOPPY"

// sloppy is a store in memory.
type sloppy struct {
	how string
	all []reading.Reading // as they came
}

var sloppiness = []string{
	"range with its beginning", "range without its end", "the first stands", "the last stands", "counts as floats", "as they came",
	"flags forgotten", "received to the second", "increments by time", "no number is kept", "5,000 at most", "names in lower case",
	"no device of its own", "key forgotten", "half a batch",
}

// hidings show under faults alone.
var hidings = []string{"short answers for cut ones", "a reading less once the fault is gone", "done, it says"}

func (s *sloppy) Put(_ context.Context, b journal.Batch) ([]journal.Outcome, error) {
	out := make([]journal.Outcome, len(b))
	for i, e := range b {
		if s.how == "half a batch" && i > len(b)/2 && i > 5 {
			break
		}
		for _, r := range e.Readings {
			if math.IsNaN(r.Value) || math.IsInf(r.Value, 0) {
				out[i] = journal.KeptAside
				if s.how != "no number is kept" {
					continue
				}
			}
			s.all = append(s.all, r)
		}
	}
	return out, nil
}

func (s *sloppy) list() []reading.Reading {
	at := func(r reading.Reading) entry {
		e := entry{r.Channel, r.At.UnixMilli(), r.Key}
		if r.Key != "" && s.how != "increments by time" {
			e.at = 0
		}
		if s.how == "key forgotten" {
			e.key = ""
		}
		return e
	}
	m := model{}
	var order []entry
	for _, r := range s.all {
		old, ok := m[at(r)]
		if !ok {
			order = append(order, at(r))
		}
		switch {
		case !ok || s.how == "the last stands":
		case s.how == "the first stands":
			r = old
		default:
			r, _ = reading.Resolve(old, r)
		}
		m[at(r)] = r
	}
	out := m.list()
	if s.how == "as they came" {
		out = out[:0]
		for _, e := range order {
			out = append(out, m[e])
		}
		slices.SortStableFunc(out, func(a, b reading.Reading) int { return strings.Compare(a.Device, b.Device) })
	}
	for i := range out {
		r := &out[i]
		switch s.how {
		case "counts as floats":
			if r.Quantity.Exact() {
				r.Count = int64(min(r.Value, 1<<62))
			}
		case "flags forgotten":
			r.Flags &^= reading.Suspect
		case "received to the second":
			r.Received = r.Received.Truncate(time.Second)
		}
	}
	return out
}

func (s *sloppy) Readings(_ context.Context, devices []string, after, to time.Time, fn func(reading.Reading) error) error {
	list := s.list()
	if devices == nil {
		for _, r := range list {
			if !slices.Contains(devices, r.Device) {
				devices = append(devices, r.Device)
			}
		}
	}
	n := 0
	for _, d := range devices {
		for _, r := range list {
			if s.how == "names in lower case" {
				d, r.Device = strings.ToLower(d), strings.ToLower(r.Device)
			}
			if r.Device != d && s.how != "no device of its own" {
				continue
			}
			// To the ms.
			a, b, x := after.UnixMilli(), to.UnixMilli(), r.At.UnixMilli()
			if x < a || x > b || x == a && s.how != "range with its beginning" && !after.IsZero() || x == b && s.how == "range without its end" {
				continue
			}
			if n++; n > 5_000 && s.how == "5,000 at most" {
				return nil
			}
			if err := fn(r); err != nil {
				return err
			}
		}
	}
	return nil
}

// hiding is a Faulty that does not say all that befell it.
type hiding struct {
	s   Readings
	how string
	bad bool // something befell it
}

func (h *hiding) Put(ctx context.Context, b journal.Batch) ([]journal.Outcome, error) {
	out, err := h.s.Put(ctx, b)
	h.bad = h.bad || err != nil
	if err != nil && h.how == "done, it says" {
		return make([]journal.Outcome, len(b)), nil
	}
	return out, err
}

func (h *hiding) Readings(ctx context.Context, devices []string, after, to time.Time, fn func(reading.Reading) error) error {
	if h.bad && h.how == "a reading less once the fault is gone" {
		skip := true
		hear := fn
		fn = func(r reading.Reading) error {
			if skip {
				skip = false
				return nil
			}
			return hear(r)
		}
	}
	err := h.s.Readings(ctx, devices, after, to, fn)
	h.bad = h.bad || err != nil
	if errors.Is(err, ErrFault) && h.how == "short answers for cut ones" {
		return nil
	}
	return err
}

// TestAStoreInMemory runs the table against a store in memory: a sound one, or
// one that the environment says is wrong.
func TestAStoreInMemory(t *testing.T) {
	how := os.Getenv(sloppyVariable)
	open := func(*testing.T) Readings { return &sloppy{how: how} }
	if !slices.Contains(hidings, how) {
		RunReadings(t, open)
	}
	if how != "" && !slices.Contains(hidings, how) {
		return // that was to find it
	}
	RunFaults(t, Trial{
		Truth: func(*testing.T) Readings { return &sloppy{} }, Steps: 2, Rounds: int(faultsEnd),
		Open: func(t *testing.T) (Readings, Breaker) {
			f := NewFaulty(open(t))
			return &hiding{s: bare{f}, how: how}, breaker{f}
		},
	})
}

func TestTheTableFindsWhatIsWrong(t *testing.T) {
	run := func(how string) ([]byte, error) {
		c := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^TestAStoreInMemory$")
		c.Env = append(os.Environ(), sloppyVariable+"="+how)
		return c.CombinedOutput()
	}
	for _, how := range slices.Concat(sloppiness, hidings) {
		t.Run(how, func(t *testing.T) {
			t.Parallel()
			out, err := run(how)
			var failed *exec.ExitError
			require.ErrorAs(t, err, &failed, "nothing was found")
			require.Contains(t, string(out), "--- FAIL: TestAStoreInMemory/")
			require.NotContains(t, string(out), "panic:")
		})
	}
}
