package station

import (
	"os"
	"runtime/debug"
)

// passGCPercent is how much garbage may pile up during a pass, as a share of
// what lives: the runtime's own 100 would double the memory that a fleet of a
// hundred thousand points takes, and this costs a few percent of the time.
const passGCPercent = 25

// Sparing holds memory down until the result is called, for passes over the
// fleet. Whoever set GOGC has decided otherwise.
func Sparing() (end func()) {
	if os.Getenv("GOGC") != "" {
		return func() {}
	}
	before := debug.SetGCPercent(passGCPercent)
	return func() { debug.SetGCPercent(before) }
}
