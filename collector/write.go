package collector

import (
	"context"
	"errors"
	"fmt"
	"time"

	"dwindle/collector/health"
	"dwindle/collector/journal"
)

// Retries of a commit that failed.
const (
	retryFirst = 100 * time.Millisecond
	retryMost  = 15 * time.Second
)

// reasonUnstorable marks a message that the journal itself refused. It should
// not happen; if it does, one message must not stop the line.
const reasonUnstorable = "unstorable"

// write commits what is decoded until there is no more.
func (in *Intake) write() {
	batch := make([]work, 0, in.batch)
	for {
		first, ok := <-in.decoded
		if !ok {
			return
		}
		batch = in.gather(append(batch[:0], first))
		in.commit(batch)
		clear(batch)
	}
}

// gather adds what has piled up, and with a linger what comes within it. Who
// waits for an answer does not have to wait for the linger.
func (in *Intake) gather(batch []work) []work {
	var late <-chan time.Time
	if in.linger > 0 {
		t := time.NewTimer(in.linger)
		defer t.Stop()
		late = t.C
	}
	urgent := func(w work) bool { return w.flush != nil || w.entry.Person }
	for hurry := in.linger <= 0 || urgent(batch[0]); len(batch) < in.batch; {
		if hurry {
			select {
			case w, ok := <-in.decoded:
				if !ok {
					return batch
				}
				batch = append(batch, w)
			default:
				return batch
			}
			continue
		}
		select {
		case w, ok := <-in.decoded:
			if !ok {
				return batch
			}
			batch = append(batch, w)
			hurry = urgent(w)
		case <-late:
			hurry = true
		case <-in.stopping:
			hurry = true
		}
	}
	return batch
}

// commit stores a batch and answers for each of its messages.
func (in *Intake) commit(batch []work) {
	entries := make(journal.Batch, 0, len(batch))
	for i := range batch {
		if batch[i].flush == nil {
			entries = append(entries, batch[i].entry)
		}
	}
	var errs []error // one per entry
	if len(entries) > 0 {
		errs = in.store(entries)
	}
	failed := errors.Join(errs...)
	for i, next := 0, 0; i < len(batch); i++ {
		w := &batch[i]
		switch {
		case w.flush == nil:
			if w.done != nil {
				w.done(errs[next])
			}
			next++
		case failed != nil:
			w.flush <- failed
		default:
			in.derive.ask(wish{done: w.flush})
		}
	}
}

// store commits entries, again and again until it is done or the intake stops.
// It gives an error for each entry that is not stored.
func (in *Intake) store(entries journal.Batch) []error {
	pause := retryFirst
	for failed := false; ; failed = true {
		result, err := in.j.Commit(context.Background(), entries)
		if errors.Is(err, journal.ErrRefused) {
			if len(entries) == 1 {
				return []error{in.refused(entries[0], err)}
			}
			// One message must not stop the line: each goes alone.
			errs := make([]error, 0, len(entries))
			for i := range entries {
				errs = append(errs, in.store(entries[i:i+1])...)
			}
			return errs
		}
		if err == nil {
			if failed {
				in.log.Info("the journal can be written again", "file", in.j.Path())
			}
			in.health.Set(checkJournal, health.Ok, "", "")
			in.done(entries, result)
			return make([]error, len(entries))
		}
		in.complain(err)
		wait := time.NewTimer(pause)
		select {
		case <-wait.C:
		case <-in.giveUp:
			wait.Stop()
			errs := make([]error, len(entries))
			for i := range errs {
				errs[i] = fmt.Errorf("stopped before the journal could be written: %w", err)
			}
			return errs
		}
		pause = min(2*pause, retryMost)
	}
}

// refused deals with an entry that can never be stored: a message is kept
// aside, a person is told.
func (in *Intake) refused(e journal.Entry, err error) error {
	if e.Person || e.Kept != nil {
		return err
	}
	k := &journal.Kept{Received: time.Now(), Reason: reasonUnstorable, Detail: err.Error(), Payload: fmt.Appendf(nil, "%+v %+v", e.Readings, e.Facts)}
	if len(e.Readings) > 0 {
		k.Device, k.Received = e.Readings[0].Device, e.Readings[0].Received
	} else if len(e.Facts) > 0 {
		k.Device, k.Received = e.Facts[0].Device, e.Facts[0].Received
	}
	return in.store(journal.Batch{{Kept: k}})[0]
}

// done tells the rest of the house what a commit brought.
func (in *Intake) done(entries journal.Batch, result journal.Result) {
	if result.Facts {
		for i := range entries {
			in.register.learn(entries[i].Facts)
		}
	}
	in.derive.mark(result.Series, result.Rows)
	if len(result.Devices) > 0 || result.Facts {
		in.watchers.publish(Event{Devices: result.Devices, Facts: result.Facts})
	}
}

func (in *Intake) complain(err error) {
	try := "free space on the disk of the data directory; it recovers by itself"
	if errors.Is(err, journal.ErrDamaged) {
		try = "stop dwindle, move the journal aside and `dwindle restore` the newest backup"
	}
	in.health.Set(checkJournal, health.Bad, err.Error()+"; nothing is acknowledged, brokers keep the messages", try)
}
