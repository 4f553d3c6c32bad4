package collector

import (
	"fmt"
	"time"

	"dwindle/collector/decode"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
)

// decode turns items into work until the queue is closed and empty.
func (in *Intake) decode() {
	defer close(in.decoded)
	tick := time.NewTicker(in.own.every)
	defer tick.Stop()
	site := in.site()
	for {
		select {
		case <-tick.C:
			in.lookAtClock()
			if now := in.site(); now != site { // devices may have gone from the register
				site = now
				gone := func(device string) bool { _, ok := in.register.Lookup(device); return !ok }
				in.clocks.forget(gone)
				in.units.forget(gone)
			}
		case x, ok := <-in.queue:
			if !ok {
				return
			}
			if x.beat {
				in.decoded <- work{beat: true}
				continue
			}
			if x.m != nil && !in.awaitClock(x.m) {
				in.answer(x, fmt.Errorf("stopped before the clock was set: %w", errClockUnset))
				continue
			}
			in.decoded <- in.understand(x)
		}
	}
}

// understand decodes and vets one item.
func (in *Intake) understand(x item) (w work) {
	w = work{done: x.done, fate: x.fate, flush: x.flush, size: x.size}
	if x.m == nil {
		w.entry = journal.Entry{Facts: x.facts, Person: true}
		return w
	}
	now := x.m.Received
	if now.IsZero() {
		now, _ = in.Now()
	}
	defer func() {
		// No message is known to do this. Should one, then it would do so again
		// after each restart, and the brokers would keep it for us for ever.
		if fault := recover(); fault != nil {
			in.log.Error("a message could not be decoded and was kept aside; please report this", "topic", x.m.Topic, "fault", fault)
			k := in.kept(x.m, now, &decode.Kept{Detail: fmt.Sprint(fault)})
			k.Reason = reasonUndecodable
			w.entry = journal.Entry{Kept: &k}
		}
	}()
	d, kept := decode.Decode(*x.m, in.rules.of(in.site(), in.log), in.register, now)
	if kept != nil {
		k := in.kept(x.m, now, kept)
		w.entry.Kept = &k
		return w
	}
	w.entry = journal.Entry{Person: x.m.Source == "person", Ignored: d.Ignored, Skipped: d.Skipped}
	// A replay by the broker without a time of its own leaves a sample empty:
	// it is counted as known.
	for i := range d.Samples {
		s := &d.Samples[i]
		w.entry.Readings, w.entry.Facts = append(w.entry.Readings, s.Readings...), append(w.entry.Facts, s.Facts...)
		w.entry.Coerced += s.Coerced
		w.entry.Missing += len(s.Missing)
		w.entry.BadTime = w.entry.BadTime || s.RawAt != ""
		in.clocks.look(x.m, s)
		in.own.hear(x.m, s)
		in.units.look(x.m, s)
	}
	for i := range d.Beside {
		w.entry.Beside = append(w.entry.Beside, in.kept(x.m, now, &d.Beside[i]))
	}
	if !w.entry.Person && !w.entry.Skipped {
		w.entry.Raw = &journal.Raw{Received: now, Topic: x.m.Topic, Payload: x.m.Payload, Retained: x.m.Retained, Dup: x.m.Dup}
	}
	if in.reads != nil {
		in.reads(&w.entry)
	}
	return w
}

// kept is a message as it is kept aside.
func (in *Intake) kept(m *reading.Message, now time.Time, k *decode.Kept) journal.Kept {
	return journal.Kept{
		Received: now, Device: k.Device, Reason: k.Reason.String(), Topic: m.Topic,
		Payload: m.Payload[:min(len(m.Payload), decode.MaxPayload)], Detail: k.Detail, Unknown: k.Unknown != "", Retained: m.Retained,
	}
}
