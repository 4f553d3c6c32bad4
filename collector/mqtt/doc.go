// Package mqtt receives messages over MQTT and acknowledges each one only
// after its content is on disk: as a durable client of an external broker
// ([Client]), or as a small broker inside the program for one box ([Server]).
//
// Both hand every message to a [Sink] and answer the sender from the message's
// Done function, which the intake calls after its commit. What is not
// acknowledged comes again, so a message may arrive twice and is never lost
// between the sender's acknowledgement and the disk. Nothing is decoded here.
//
// [DialGuarded] opens a connection with the same care for clients of another
// kind.
//
// It imports config, collector/reading and collector/health, never the
// collector's root or the journal. Start with [NewClient] and [NewServer].
package mqtt

import (
	"context"
	"time"

	"golang.org/x/sync/semaphore"

	"dwindle/collector/reading"
)

// Sink takes over a message. It may block while the queue behind it is full,
// which is the back-pressure, and returns an error if it did not take the
// message. If it did, it calls m.Done exactly once.
type Sink func(ctx context.Context, m reading.Message) error

const (
	// maxBytesInHand bounds the payloads received and not yet answered. At the
	// 200 bytes of a usual message it is out of the way; it is there for
	// senders of large ones.
	maxBytesInHand = 64 << 20
	// messageOverhead is what a message occupies beside topic and payload,
	// about.
	messageOverhead = 256
	// drainTime bounds how long a stop waits for the commits of what was
	// already handed over, so that it is acknowledged and need not come again.
	drainTime = 5 * time.Second
	// writeTime bounds one write to a connection: a peer that takes nothing
	// for so long is gone (common practice).
	writeTime = 10 * time.Second
)

// hand bounds and counts the bytes of messages that were received and not yet
// answered.
type hand struct{ bytes *semaphore.Weighted }

func newHand() hand { return hand{semaphore.NewWeighted(maxBytesInHand)} }

// weight is what a message counts.
func weight(topic string, payload []byte) int64 {
	return min(int64(len(topic)+len(payload)+messageOverhead), maxBytesInHand)
}

// take waits until there is room.
func (h hand) take(ctx context.Context, n int64) error { return h.bytes.Acquire(ctx, n) }

// give returns what take took.
func (h hand) give(n int64) { h.bytes.Release(n) }

// drained waits until everything taken was given back. Meanwhile nothing more
// can be taken.
func (h hand) drained(ctx context.Context) error {
	if err := h.bytes.Acquire(ctx, maxBytesInHand); err != nil {
		return err
	}
	h.bytes.Release(maxBytesInHand)
	return nil
}
