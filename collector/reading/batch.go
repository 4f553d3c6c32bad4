package reading

import (
	"context"
	"time"

	"dwindle/config/civil"
)

// Batch is the observed past of a few devices, read ahead together: asked one by
// one, a fleet of a hundred thousand would spend its time on questions. It is
// for one goroutine, and Close must follow soon. Devices that it was not made
// for may be asked about, too, and take longer.
type Batch interface {
	// Days gives the daily figures of a device for kind Run (h, a machine),
	// Pulse (pulses, a dispenser) or Dose (cm3, a dispenser), from the first to
	// the last date, both included, in order. Days with nothing known are left
	// out. The list may be overwritten by the next question.
	Days(ctx context.Context, device string, kind Kind, first, last civil.Date) ([]Day, error)
	// Amount gives what was counted between two instants, exact to the
	// reporting interval at both ends.
	Amount(ctx context.Context, device string, kind Kind, from, to time.Time) (Amount, error)
	// Levels gives the last valid level reading of each civil day and quantity
	// in [from, to], in time order. The list may be overwritten by the next
	// question.
	Levels(ctx context.Context, device string, from, to time.Time) ([]Sample, error)
	// Newest gives the time of a device's newest live reading at or before an
	// instant; ok is false if it never reported.
	Newest(ctx context.Context, device string, until time.Time) (at time.Time, ok bool, err error)
	// Digest gives what KeepDigest took of a device, as far as it still holds
	// for Days up to a last date; ok is false where nothing does.
	Digest(ctx context.Context, device string, kind Kind, last civil.Date) (d Digest, ok bool, err error)
	// KeepDigest takes what was made of Days up to a day, for who asks for Days
	// up to a last date. Nothing is kept where the days may still change, or
	// where nobody writes. The body is copied.
	KeepDigest(ctx context.Context, device string, kind Kind, last civil.Date, d Digest) error
	Close()
}
