package station

import (
	"os"
	"runtime/debug"
	"sync"
)

// A pass over a fleet, and the learning of a calibration, let the heap grow to
// so many bytes before garbage is collected, but by so much of what lives at
// least and at most, in percent. The runtime's own 100 % would double the memory
// that a fleet of a hundred thousand points takes; a fixed share that is small
// enough for it would collect all the time while little lives.
const (
	sparingHeap         = 388 << 20
	sparingLeastPercent = 15
	sparingMostPercent  = 100
	// sparingSmall is up to what lives, in bytes, somebody who has set a smaller
	// share for the whole program keeps it in passes: that is a gateway with some
	// thousand points.
	sparingSmall = 64 << 20
)

// sparingPercent is how much garbage may pile up on what lives, in percent, where
// so much may as a rule; that is negative where garbage is not collected.
func sparingPercent(live uint64, before int) int {
	if before > 0 && before < sparingMostPercent && live <= sparingSmall {
		return before
	}
	room := 100 * (sparingHeap - float64(live)) / float64(max(live, 1))
	return int(min(max(room, sparingLeastPercent), sparingMostPercent))
}

// spared counts who wants memory held down now, and keeps what was before.
var spared struct {
	sync.Mutex
	n, before int
	now       int // percent
	round     int // counts how often it began
}

// spare sets the share of garbage by what lives, as long as somebody wants memory
// held down.
func spare(live uint64, round int) (goOn bool) {
	spared.Lock()
	defer spared.Unlock()
	if spared.n == 0 || spared.round != round {
		return false
	}
	if percent := sparingPercent(live, spared.before); percent != spared.now {
		spared.now = percent
		debug.SetGCPercent(percent)
	}
	return true
}

// Sparing holds memory down until the result is called, for passes over the
// fleet and for learning; both may go on at once. Whoever set GOGC has decided
// otherwise.
func Sparing() (end func()) {
	if os.Getenv("GOGC") != "" {
		return func() {}
	}
	spared.Lock()
	spared.n++
	first := spared.n == 1
	if first {
		spared.before = debug.SetGCPercent(sparingMostPercent)
		spared.now = sparingMostPercent
		spared.round++
	}
	round := spared.round
	spared.Unlock()
	if first {
		eachCollection(func(live uint64) bool { return spare(live, round) })
	}
	return sync.OnceFunc(func() {
		spared.Lock()
		defer spared.Unlock()
		if spared.n--; spared.n == 0 {
			debug.SetGCPercent(spared.before)
		}
	})
}
