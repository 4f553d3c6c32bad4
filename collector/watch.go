package collector

import (
	"slices"
	"sync"
)

// Event tells that something new was committed. Events coalesce: one may stand
// for many commits.
type Event struct {
	Devices []string // that have something new, sorted
	Facts   bool     // a dated fact is among it
}

// merge gives one event that stands for two.
func (e Event) merge(x Event) Event {
	e.Devices = slices.Concat(e.Devices, x.Devices)
	slices.Sort(e.Devices)
	e.Devices = slices.Compact(e.Devices)
	e.Facts = e.Facts || x.Facts
	return e
}

// watchers hands events to whoever watches, without ever waiting for them.
type watchers struct {
	mu sync.Mutex
	m  map[chan Event]struct{}
}

// Watch gives events after commits until stop is called, which closes the
// channel. A slow reader gets fewer, larger events.
func (in *Intake) Watch() (events <-chan Event, stop func()) {
	w := &in.watchers
	ch := make(chan Event, 1) // full: the waiting event takes the new one in
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.m == nil {
		w.m = map[chan Event]struct{}{}
	}
	w.m[ch] = struct{}{}
	return ch, func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		if _, ok := w.m[ch]; ok {
			delete(w.m, ch)
			close(ch)
		}
	}
}

func (w *watchers) publish(e Event) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for ch := range w.m {
		x := e
		select {
		case old := <-ch:
			x = old.merge(e)
		default:
		}
		ch <- x // only publish sends, under the lock, and has made room
	}
}
