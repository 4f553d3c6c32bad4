package collector

import (
	"context"
	"fmt"
	"sync"
	"time"

	"dwindle/collector/health"
)

// How often it is looked at what was written, how much time a figure needs to
// say something of a day, and how far back it looks.
const (
	wearEvery = 5 * time.Minute
	wearLeast = time.Hour
	wearMost  = 24 * time.Hour
)

const checkWear = "disk writes"

// wear knows how much is written to disks, since flash wears by it.
type wear struct {
	health *health.Checks
	count  func() (int64, bool) // bytes so far

	mu    sync.Mutex
	marks []wearMark // oldest first
	day   int64      // bytes a day, -1: not known yet
}

type wearMark struct {
	at    time.Time
	bytes int64
}

func newWear(checks *health.Checks) *wear {
	return &wear{health: checks, count: written, day: -1}
}

// written gives the bytes that this process has sent towards disks since it
// began, as the kernel counts them: whole pages, each time one becomes dirty.
func written() (n int64, ok bool) { return ProcessBytes("write_bytes") }

// run looks until ctx ends.
func (w *wear) run(ctx context.Context, budget func() int) {
	tick := time.NewTicker(wearEvery)
	defer tick.Stop()
	for {
		w.look(time.Now(), budget())
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// look takes a mark and says what a day comes to; budget is in MB, 0: none.
func (w *wear) look(now time.Time, budget int) {
	n, ok := w.count()
	if !ok {
		return
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.marks = append(w.marks, wearMark{now, n})
	for len(w.marks) > 2 && now.Sub(w.marks[1].at) >= wearMost {
		w.marks = w.marks[1:]
	}
	past := now.Sub(w.marks[0].at)
	if past < wearLeast {
		return
	}
	w.day = int64(float64(n-w.marks[0].bytes) * float64(wearMost) / float64(past))
	mb := float64(w.day) / 1e6
	if budget > 0 && mb > float64(budget) {
		w.health.Set(checkWear, health.Warn, fmt.Sprintf("disk writes about %.0f MB a day, more than the %d MB that were set as what the flash stands", mb, budget),
			"a linger under connections.intake of some seconds, with an external broker, makes fewer and larger commits; or say under disk_mb_per_day there what this disk stands")
		return
	}
	w.health.Set(checkWear, health.Ok, fmt.Sprintf("disk writes about %.0f MB a day", mb), "")
}

// total gives all bytes so far, -1 where they are not known.
func (w *wear) total() int64 {
	if n, ok := w.count(); ok {
		return n
	}
	return -1
}

// perDay gives bytes a day, -1 where they are not known (yet).
func (w *wear) perDay() int64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.day
}
