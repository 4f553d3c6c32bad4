package mqtt

import (
	"math/rand/v2"
	"time"
)

// flap watches how connections end and says how long to wait before the next
// one.
type flap struct {
	first   time.Duration // shortest wait
	longest time.Duration // bound of the wait, differs per instance
	short   []time.Time   // ends of connections that hardly lived
	row     int           // failures or short connections in a row
}

const (
	// A second client with the same id takes the session over within moments
	// of our connecting, again and again.
	shortLife   = 2 * time.Second
	shortWindow = time.Minute
	shortMost   = 5
	// firstWait doubles with each failure in a row. With the five that it
	// takes to notice a take-over, the waits add up to 31 s, inside the window.
	firstWait = time.Second
)

// newFlap spreads the longest wait over instances, so that a broker that
// comes back is not met by all its clients at once.
func newFlap() *flap {
	return &flap{first: firstWait, longest: 45*time.Second + rand.N(45*time.Second)}
}

// ended notes that a connection that lived for the given time was ended by
// the other side at now. It reports whether this happens too often.
func (f *flap) ended(now time.Time, lived time.Duration) (tooOften bool) {
	if lived >= shortLife {
		f.row = 0
		f.short = nil
		return false
	}
	f.short = append(f.short, now)
	for len(f.short) > 0 && now.Sub(f.short[0]) > shortWindow {
		f.short = f.short[1:]
	}
	return len(f.short) > shortMost
}

// wait returns how long to wait before the next attempt, half of it random.
func (f *flap) wait() time.Duration {
	d := f.longest
	if f.row < 16 {
		d = min(f.longest, f.first<<f.row)
	}
	f.row++
	return d/2 + rand.N(d/2)
}
