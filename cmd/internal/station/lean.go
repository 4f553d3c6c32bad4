package station

import (
	"os"
	"runtime/debug"
	"sync"
)

// A program that serves keeps what Go holds of memory, in bytes, below leanLeast
// where it can, by giving back at once what is free and by collecting garbage
// earlier; but never so near to what lives that it would do nothing else.
// Judgement: with 5,000 dispensers some 40 MB live in a pass.
const (
	leanLeast = 50 << 20
	leanRoom  = 14 << 20 // for garbage, stacks and what the runtime needs itself
)

// leanLimit is the soft limit while so much lives, in bytes.
func leanLimit(live uint64) int64 {
	return max(leanLeast, int64(live+live/8)+leanRoom)
}

// Lean holds down what Go takes until the result is called. Whoever set
// GOMEMLIMIT or GOGC has decided otherwise.
func Lean() (end func()) {
	if os.Getenv("GOMEMLIMIT") != "" || os.Getenv("GOGC") != "" {
		return func() {}
	}
	l := &lean{before: debug.SetMemoryLimit(-1)}
	eachCollection(l.adapt)
	return l.end
}

// lean sets the limit by what lives, after each collection.
type lean struct {
	mu          sync.Mutex
	before, now int64
	ended       bool
}

func (l *lean) adapt(live uint64) (goOn bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.ended {
		return false
	}
	if limit := min(leanLimit(live), l.before); limit != l.now {
		l.now = limit
		debug.SetMemoryLimit(limit)
	}
	return true
}

func (l *lean) end() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if !l.ended {
		l.ended = true
		debug.SetMemoryLimit(l.before)
	}
}
