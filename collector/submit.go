package collector

import (
	"context"
	"time"

	"dwindle/collector/reading"
)

// Submit hands a message in; it waits while the queue is full. When it returns
// an error, Done is not called.
func (in *Intake) Submit(ctx context.Context, m reading.Message) error {
	return in.put(ctx, item{m: &m, done: m.Done})
}

// Feed is Submit for whoever wants to know what became of each message. fate is
// called exactly once if Feed returns nil, after the commit; it must not wait.
func (in *Intake) Feed(ctx context.Context, m reading.Message, fate func(Fate)) error {
	return in.put(ctx, item{m: &m, done: m.Done, fate: fate})
}

// Record commits dated facts that people entered and returns after the commit.
// A fact that is known already is no error.
func (in *Intake) Record(ctx context.Context, facts ...reading.Fact) error {
	if len(facts) == 0 {
		return nil
	}
	now, ok := in.Now()
	if !ok {
		return errClockUnset
	}
	now = now.Truncate(time.Millisecond)
	own := make([]reading.Fact, len(facts))
	for i, f := range facts {
		if f.Received.IsZero() {
			f.Received = now
		}
		if f.At.IsZero() {
			f.At = f.Received
		}
		own[i] = f
	}
	done := make(chan error, 1) // one answer, which nobody may wait for any more
	if err := in.put(ctx, item{facts: own, done: func(err error) { done <- err }}); err != nil {
		return err
	}
	return wait(ctx, done)
}

// Flush returns when everything submitted before is committed and the daily
// figures are saved.
func (in *Intake) Flush(ctx context.Context) error {
	done := make(chan error, 1)
	if err := in.put(ctx, item{flush: done}); err != nil {
		return err
	}
	return wait(ctx, done)
}

// Rebuild makes all derived tables anew from the readings and returns when
// that is done.
func (in *Intake) Rebuild(ctx context.Context) error {
	if err := in.Flush(ctx); err != nil {
		return err
	}
	done := make(chan error, 1)
	in.derive.ask(wish{rebuild: true, done: done})
	return wait(ctx, done)
}

func wait(ctx context.Context, done <-chan error) error {
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// put queues an item.
func (in *Intake) put(ctx context.Context, x item) error {
	in.mu.RLock()
	if in.stopped {
		in.mu.RUnlock()
		return ErrStopped
	}
	in.senders.Add(1)
	in.mu.RUnlock()
	defer in.senders.Done()
	if err := in.enter(ctx, &x); err != nil {
		return err
	}
	select {
	case in.queue <- x:
		return nil
	case <-in.stopping:
		in.room.Release(x.size)
		return ErrStopped
	case <-ctx.Done():
		in.room.Release(x.size)
		return ctx.Err()
	}
}

// enter waits for room for a message. One that is larger than all of it gets in
// when there is no other.
func (in *Intake) enter(ctx context.Context, x *item) error {
	if x.m == nil {
		return nil
	}
	x.size = min(int64(len(x.m.Topic)+len(x.m.Payload)), roomBytes)
	if in.room.TryAcquire(x.size) {
		return nil
	}
	waiting, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() {
		select {
		case <-in.stopping:
			cancel()
		case <-waiting.Done():
		}
	}()
	if err := in.room.Acquire(waiting, x.size); err != nil {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		return ErrStopped
	}
	return nil
}
