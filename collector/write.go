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
	var err error
	if len(entries) > 0 {
		err = in.store(entries)
	}
	for i := range batch {
		w := &batch[i]
		switch {
		case w.flush != nil && err != nil:
			w.flush <- err
		case w.flush != nil:
			in.derive.ask(wish{done: w.flush})
		case w.done != nil:
			w.done(err)
		}
	}
}

// store commits entries, again and again until it is done or the intake stops.
func (in *Intake) store(entries journal.Batch) error {
	pause := retryFirst
	for failed := false; ; failed = true {
		result, err := in.j.Commit(context.Background(), entries)
		if err == nil {
			if failed {
				in.log.Info("the journal can be written again", "file", in.j.Path())
			}
			in.health.Set(checkJournal, health.Ok, "", "")
			in.done(entries, result)
			return nil
		}
		in.complain(err)
		if !errors.Is(err, journal.ErrUnwritable) && !errors.Is(err, journal.ErrDamaged) && in.isolate(entries) {
			return nil
		}
		wait := time.NewTimer(pause)
		select {
		case <-wait.C:
		case <-in.giveUp:
			wait.Stop()
			return fmt.Errorf("stopped before the journal could be written: %w", err)
		}
		pause = min(2*pause, retryMost)
	}
}

// isolate commits entries one by one, so that a single one that the journal
// cannot take is kept aside alone. It says whether all are dealt with.
func (in *Intake) isolate(entries journal.Batch) bool {
	for i, e := range entries {
		one := entries[i : i+1]
		result, err := in.j.Commit(context.Background(), one)
		if err != nil {
			if errors.Is(err, journal.ErrUnwritable) || errors.Is(err, journal.ErrDamaged) {
				return false // what is in already counts as known the next time
			}
			k := &journal.Kept{Received: time.Now(), Reason: reasonUnstorable, Detail: err.Error()}
			if e.Kept != nil {
				k.Device, k.Topic, k.Payload = e.Kept.Device, e.Kept.Topic, e.Kept.Payload
			}
			if len(e.Readings) > 0 {
				k.Device, k.Payload = e.Readings[0].Device, fmt.Append(nil, e.Readings)
			}
			if result, err = in.j.Commit(context.Background(), journal.Batch{{Kept: k}}); err != nil {
				return false
			}
		}
		in.done(one, result)
	}
	in.health.Set(checkJournal, health.Ok, "", "")
	return true
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
