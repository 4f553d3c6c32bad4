package station

import (
	"sync/atomic"

	"dwindle/forecast"
)

// latest holds the newest pass for the pages. Readers get a consistent fleet
// without waiting for the pass under way.
type latest struct {
	fleet atomic.Pointer[forecast.Fleet]
}

func newLatest() *latest { return &latest{} }

func (l *latest) store(f forecast.Fleet) { l.fleet.Store(&f) }

// load gives the newest fleet; ok is false before the first pass.
func (l *latest) load() (forecast.Fleet, bool) {
	f := l.fleet.Load()
	if f == nil {
		return forecast.Fleet{}, false
	}
	return *f, true
}
