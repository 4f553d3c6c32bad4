package collector

import (
	"fmt"
	"sync"
	"time"

	"dwindle/collector/health"
)

// When storage is called slow. Cards and disks stall now and then, so one commit
// that takes a second is no news; a row of them is, and so is one of which
// nothing has been heard for long, while it still runs: brokers keep only so
// many messages for us. Common practice.
const (
	slowCommit  = time.Second      // a commit that takes longer is slow
	slowRow     = 3                // slow ones in a row are told
	slowQuick   = 5                // quick ones in a row end it
	slowWait    = 5 * time.Second  // told while it still runs
	stuckCommit = 30 * time.Second // nothing is stored: as bad as a disk that fails
)

const checkStorage = "journal disk"

// patience watches how long commits take and says so in health. The clock is
// that which nobody sets.
type patience struct {
	health *health.Checks
	wait   time.Duration // slowWait

	mu          sync.Mutex
	slow, quick int // in a row
	told        bool
}

// begin watches one commit; ended must be called when it returns.
func (p *patience) begin() (ended func()) {
	began := time.Now()
	over := make(chan struct{})
	timer := time.AfterFunc(p.wait, func() { p.running(began, over) })
	return func() {
		close(over)
		timer.Stop()
		p.took(time.Since(began))
	}
}

// running tells of a commit that does not come back, until it does.
func (p *patience) running(began time.Time, over <-chan struct{}) {
	tick := time.NewTicker(p.wait)
	defer tick.Stop()
	for {
		p.mu.Lock()
		select {
		case <-over:
			p.mu.Unlock()
			return
		default:
		}
		p.told, p.quick = true, 0
		level, since := health.Warn, time.Since(began).Round(time.Second)
		if since >= stuckCommit {
			level = health.Bad
		}
		p.health.Set(checkStorage, level, fmt.Sprintf("storage slow: a commit has been waiting for the disk for %v; nothing is acknowledged meanwhile, brokers keep the messages", since), "see the system's log for faults of the disk or card, and what else writes to it; it goes on by itself")
		p.mu.Unlock()
		select {
		case <-over:
			return
		case <-tick.C:
		}
	}
}

// took judges a commit that has ended.
func (p *patience) took(d time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if d <= slowCommit {
		p.slow = 0
		if p.quick++; p.quick >= slowQuick || !p.told {
			p.told = false
			p.health.Set(checkStorage, health.Ok, "", "")
		}
		return
	}
	p.quick = 0
	if p.slow++; p.slow >= slowRow || d >= p.wait {
		p.told = true
		p.health.Set(checkStorage, health.Warn, fmt.Sprintf("storage slow: the last commit took %v; messages are acknowledged that much later", d.Round(100*time.Millisecond)), "see the system's log for faults of the disk or card, and what else writes to it; where all is in order, a linger under connections.intake makes fewer, larger commits")
	}
}
