package account

import (
	"net/netip"
	"sync"
	"time"
)

// The pace of failed logins. One account from one address may fail five times a
// minute (common practice); an address may fail ten times as often in all (a
// proposal), since a gateway's devices may share it, and one that is set up
// wrongly must not keep its neighbours out.
const (
	failWindow     = time.Minute
	failsOfAccount = 5
	failsOfAddress = 50
	maxFailures    = 4096 // entries remembered; beyond, the oldest is given up
)

// source is who fails: an address as a whole, or one account from it.
type source struct {
	from  netip.Prefix
	whole bool
	name  string
}

func of(from netip.Addr, name string) source { return source{from: network(from), name: name} }

func all(from netip.Addr) source { return source{from: network(from), whole: true} }

// failures of a source in its window.
type failures struct {
	since time.Time
	count int
}

// limiter counts failed logins. Safe for concurrent use.
type limiter struct {
	mu sync.Mutex
	m  map[source]failures
}

func newLimiter() *limiter { return &limiter{m: map[source]failures{}} }

// network is what counts as one address: a machine has a whole /64 of IPv6.
func network(a netip.Addr) netip.Prefix {
	bits := 64
	if a = a.Unmap(); a.Is4() {
		bits = 32
	}
	p, _ := a.WithZone("").Prefix(bits) // an invalid address is one of its own
	return p
}

func (l *limiter) allowed(from netip.Addr, name string, now time.Time) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.count(of(from, name), now) < failsOfAccount && l.count(all(from), now) < failsOfAddress
}

func (l *limiter) count(s source, now time.Time) int {
	f, ok := l.m[s]
	if !ok || now.Sub(f.since) >= failWindow {
		return 0
	}
	return f.count
}

func (l *limiter) failed(from netip.Addr, name string, now time.Time) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, s := range []source{of(from, name), all(from)} {
		f := l.m[s]
		if now.Sub(f.since) >= failWindow {
			f = failures{since: now}
		}
		f.count++
		if _, ok := l.m[s]; !ok && len(l.m) >= maxFailures {
			l.forget(now)
		}
		l.m[s] = f
	}
}

// forget makes room: what is over, else the oldest.
func (l *limiter) forget(now time.Time) {
	var oldest source
	var since time.Time
	for s, f := range l.m {
		if now.Sub(f.since) >= failWindow {
			delete(l.m, s)
		} else if since.IsZero() || f.since.Before(since) {
			oldest, since = s, f.since
		}
	}
	if len(l.m) >= maxFailures {
		delete(l.m, oldest)
	}
}

func (l *limiter) succeeded(from netip.Addr, name string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.m, of(from, name))
}
