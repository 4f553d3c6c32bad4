package collector

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"dwindle/collector/decode"
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

// reasonUndecodable marks a message on which the decoder itself failed.
const reasonUndecodable = "undecodable"

// write commits what is decoded until there is no more.
func (in *Intake) write() {
	batch := make([]work, 0, in.batch)
	for {
		first, ok := <-in.decoded
		if !ok {
			return
		}
		if first.beat {
			in.progress.arrived()
			continue
		}
		batch = in.gather(append(batch[:0], first))
		in.commit(batch)
		in.progress.note()
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
	for hurry := in.linger <= 0 || urgent(batch[0]); len(batch) < in.batch && batch[len(batch)-1].mend == nil; {
		if hurry {
			select {
			case w, ok := <-in.decoded:
				if !ok {
					return batch
				}
				if w.beat {
					in.progress.arrived()
					continue
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
			if w.beat {
				in.progress.arrived()
				continue
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

// commit stores a batch and answers for each of its messages. What is to be
// mended comes last and follows what was stamped before it.
func (in *Intake) commit(batch []work) {
	if last := batch[len(batch)-1]; last.mend != nil {
		defer in.mend(last)
		if batch = batch[:len(batch)-1]; len(batch) == 0 {
			return
		}
	}
	entries := make(journal.Batch, 0, len(batch))
	for i := range batch {
		if batch[i].flush == nil {
			entries = append(entries, batch[i].entry)
		}
	}
	var fates []Fate // one per entry
	if len(entries) > 0 {
		fates = in.store(entries)
	}
	var failed error // of what comes before a flush; who handed in what is refused was told
	for _, f := range fates {
		if f.Err != nil && !errors.Is(f.Err, journal.ErrRefused) {
			failed = f.Err
		}
	}
	for i, next := 0, 0; i < len(batch); i++ {
		w := &batch[i]
		in.room.Release(w.size)
		switch {
		case w.flush == nil:
			if w.done != nil {
				w.done(fates[next].Err)
			}
			if w.fate != nil {
				w.fate(fates[next])
			}
			next++
		case failed != nil:
			w.flush <- failed
		default:
			in.derive.ask(wish{done: w.flush})
		}
	}
}

// store commits entries, again and again until it is done or the intake stops,
// and gives the fate of each.
func (in *Intake) store(entries journal.Batch) []Fate {
	pause := retryFirst
	for failed := false; ; failed = true {
		began, ended := time.Now(), in.patience.begin()
		result, err := in.commitTo(context.Background(), entries)
		ended()
		in.commits.ended(time.Since(began), in.now(), err)
		in.progress.note()
		if errors.Is(err, journal.ErrRefused) {
			if len(entries) == 1 {
				return []Fate{in.refused(entries[0], err)}
			}
			// One message must not stop the line: each goes alone.
			fates := make([]Fate, 0, len(entries))
			for i := range entries {
				fates = append(fates, in.store(entries[i:i+1])...)
			}
			return fates
		}
		if err == nil {
			if failed {
				in.log.Info("the journal can be written again", "file", in.j.Path())
			}
			in.health.Set(checkJournal, health.Ok, "", "")
			in.done(entries, result)
			fates := make([]Fate, len(entries))
			for i, o := range result.Outcomes {
				fates[i].Outcome = o
				if o == journal.KeptAside {
					fates[i].Reason = journal.ReasonConflict
					if k := entries[i].Kept; k != nil {
						fates[i].Reason = k.Reason
					}
				}
			}
			return fates
		}
		in.complain(err)
		var hopeless <-chan struct{} // a damaged file does not get better
		if errors.Is(err, journal.ErrDamaged) {
			hopeless = in.stopping
		}
		wait := time.NewTimer(pause)
		select {
		case <-wait.C:
		case <-in.giveUp:
			wait.Stop()
			return unwritten(len(entries), err)
		case <-hopeless:
			wait.Stop()
			return unwritten(len(entries), err)
		}
		pause = min(2*pause, retryMost)
	}
}

// unwritten is the fate of entries that a stop has overtaken.
func unwritten(n int, err error) []Fate {
	fates := make([]Fate, n)
	for i := range fates {
		fates[i].Err = fmt.Errorf("stopped before the journal could be written: %w", err)
	}
	return fates
}

// refused deals with an entry that can never be stored: a message is kept
// aside, a person is told.
func (in *Intake) refused(e journal.Entry, err error) Fate {
	if e.Person || e.Kept != nil {
		return Fate{Err: err}
	}
	now, _ := in.Now()
	k := &journal.Kept{Received: now, Reason: reasonUnstorable, Detail: err.Error(), Payload: fmt.Appendf(nil, "%+v %+v", e.Readings, e.Facts)}
	if len(e.Readings) > 0 {
		k.Device, k.Received = e.Readings[0].Device, e.Readings[0].Received
	} else if len(e.Facts) > 0 {
		k.Device, k.Received = e.Facts[0].Device, e.Facts[0].Received
	}
	if raw := e.Raw; raw != nil { // as it came, so that it can be run again
		k.Received, k.Topic, k.Payload, k.Retained = raw.Received, raw.Topic, raw.Payload[:min(len(raw.Payload), decode.MaxPayload)], raw.Retained
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
	what, try, _ := strings.Cut(err.Error(), "\ntry: ")
	switch {
	case errors.Is(err, journal.ErrDamaged):
		try = "dwindle serve puts it aside and goes on from the newest snapshot; elsewhere restore the newest backup"
	case errors.Is(err, journal.ErrGone):
		try = "put the file back under its name; or stop dwindle and `dwindle restore` the newest backup"
	case try == "":
		try = "see that no other program holds the file, and the system's log"
	}
	in.health.Set(checkJournal, health.Bad, what+"; nothing is acknowledged, brokers keep the messages", try+"; attempts go on, it recovers by itself")
}
