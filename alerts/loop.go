package alerts

import (
	"context"
	"time"
)

// settle is how long Loop waits after a trigger for more of them: messages
// come in bursts, and a pass over the fleet answers them all.
const settle = 2 * time.Second

// share bounds what triggered passes may take of a processor: after a pass that
// took long, the next one waits this many times as long.
const share = 9

// Loop calls pass at once, then every so often, and soon after each trigger,
// never twice at a time, until ctx ends; it returns ctx's error, or the first
// error of pass. A closed trigger is like one that never fires.
func (w *Watch) Loop(ctx context.Context, every time.Duration, trigger <-chan struct{}, pass func(context.Context) error) error {
	timer := time.NewTimer(0)
	defer timer.Stop()
	waiting := true // a pass is due soon
	pause := settle
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case _, ok := <-trigger:
			if !ok {
				trigger = nil
				continue
			}
			// The first trigger sets the time; later ones must not put it off
			// for ever.
			if !waiting {
				waiting = true
				timer.Reset(pause)
			}
			continue
		case <-timer.C:
		}
		began := time.Now()
		if err := pass(ctx); err != nil {
			return err
		}
		pause = min(max(settle, share*time.Since(began)), max(every, settle))
		waiting = false
		timer.Reset(every)
	}
}
