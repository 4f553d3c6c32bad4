package station

import (
	"os"
	"runtime/debug"
	"sync"
)

// sparingGCPercent is how much garbage may pile up during a pass, or while a
// calibration is learned, as a share of what lives: the runtime's own 100 would
// double the memory that a fleet of a hundred thousand points takes, and this
// costs a few percent of the time.
const sparingGCPercent = 25

// spared counts who wants memory held down now, and keeps what was before.
var spared struct {
	sync.Mutex
	n, before int
}

// Sparing holds memory down until the result is called, for passes over the
// fleet and for learning; both may go on at once. Whoever set GOGC has decided
// otherwise.
func Sparing() (end func()) {
	if os.Getenv("GOGC") != "" {
		return func() {}
	}
	spared.Lock()
	defer spared.Unlock()
	if spared.n++; spared.n == 1 {
		spared.before = debug.SetGCPercent(sparingGCPercent)
	}
	return sync.OnceFunc(func() {
		spared.Lock()
		defer spared.Unlock()
		if spared.n--; spared.n == 0 {
			debug.SetGCPercent(spared.before)
		}
	})
}
