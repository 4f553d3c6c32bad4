package mqtt

import (
	"sync"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// ackQueue acknowledges messages from a goroutine of its own, because the
// library's Ack waits for the network and whoever commits must not.
type ackQueue struct {
	mu     sync.Mutex
	filled sync.Cond
	queue  []paho.Message
	closed bool
}

func (q *ackQueue) init() { q.filled.L = &q.mu }

// add never blocks. What comes after close is dropped: the connection is gone
// and the broker sends it again.
func (q *ackQueue) add(m paho.Message) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if !q.closed {
		q.queue = append(q.queue, m)
		q.filled.Signal()
	}
}

// close ends run, after what is queued if finish says so.
func (q *ackQueue) close(finish bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.closed = true
	if !finish {
		q.queue = nil
	}
	q.filled.Signal()
}

// run acknowledges until the queue is closed and empty.
func (q *ackQueue) run() {
	for {
		q.mu.Lock()
		for len(q.queue) == 0 && !q.closed {
			q.filled.Wait()
		}
		batch := q.queue
		q.queue = nil
		q.mu.Unlock()
		if len(batch) == 0 {
			return
		}
		for _, m := range batch {
			m.Ack()
		}
	}
}
