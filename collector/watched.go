package collector

import (
	"encoding/binary"
	"encoding/json"
	"time"

	"dwindle/collector/meter"
	"dwindle/collector/reading"
	"dwindle/collector/suspicion"
)

// watched is the meter of a series with the suspicions about its readings. It
// is a meter whose intervals are unknown while what was booked is held back.
type watched struct {
	meter.Fold
	watch   suspicion.Watch
	changes []suspicion.Change // by the newest reading; valid until the next
	mark    [1]meter.Interval  // of a reading that is no evidence
}

func newWatched(r recipe) *watched {
	w := &watched{}
	w.Reset(r.group, r.rules)
	return w
}

// Reset makes an empty one of a used one.
func (w *watched) Reset(g meter.Group, r meter.Rules) {
	w.Fold.Reset(g, r)
	w.watch.Reset(g)
	w.changes = w.changes[:0]
}

// online takes what a status says of whether the device can be reached, its own
// or its gateway's.
func (w *watched) online(r reading.Reading, gateway bool) {
	if r.Flags&reading.Retained != 0 && !r.FromDevice {
		return // nobody knows when it was true
	}
	w.watch.Online(r.At, gateway, r.Value != 0)
}

// Add is that of the meter. A value that is only repeated while the device is
// said to be offline is kept from it: the stretch stays unknown until a reading
// of the device itself shows what was counted in it.
func (w *watched) Add(r reading.Reading) []meter.Interval {
	w.changes = append(w.changes[:0], w.watch.Add(r)...)
	if w.watch.Repeated() {
		w.mark = [1]meter.Interval{{From: r.At, To: r.At, Flags: reading.Suspect}}
		return w.mark[:]
	}
	out := w.Fold.Add(r)
	if w.watch.Returned() && r.Quantity.Cumulative() {
		for i := range out {
			if out[i].Known {
				out[i].Seen = false
				out[i].Flags |= reading.Gap
			}
		}
	}
	for i := range out {
		w.changes = append(w.changes, w.watch.Settled(out[i])...)
	}
	if w.watch.Holding() {
		for i := range out {
			iv := &out[i]
			iv.Amount, iv.Seen, iv.Known = 0, false, false
			iv.Flags |= reading.Suspect
		}
	}
	return out
}

// Flush is that of the meter: nothing is said of the present while a suspicion
// holds it back.
func (w *watched) Flush(at time.Time) []meter.Interval {
	if w.watch.Holding() {
		return nil
	}
	return w.Fold.Flush(at)
}

// State gives the state for a checkpoint: the meter's, with its length before
// it, then the watch's.
func (w *watched) State() []byte {
	own := w.Fold.State()
	out := make([]byte, 0, len(own)+512)
	out = binary.LittleEndian.AppendUint16(out, uint16(len(own))) // some kB at most
	return w.watch.State(append(out, own...))
}

// Restore puts it into a state that State gave.
func (w *watched) Restore(state []byte) error {
	if len(state) < 2 {
		return meter.ErrState
	}
	n, rest := int(binary.LittleEndian.Uint16(state)), state[2:]
	if n > len(rest) {
		return meter.ErrState
	}
	if err := w.Fold.Restore(rest[:n]); err != nil {
		return err
	}
	return w.watch.Restore(rest[n:])
}

// notices turns changes into what is kept of them.
func notices(r recipe, changes []suspicion.Change) ([]reading.Notice, error) {
	var out []reading.Notice
	for _, c := range changes {
		n := reading.Notice{Kind: c.Kind.String(), Device: r.Device, About: string(r.Kind), At: c.At, Until: c.Over, Words: c.Words, Evidence: c.Evidence}
		if c.Break != nil {
			data, err := json.Marshal(c.Break)
			if err != nil {
				return nil, err
			}
			n.Data = string(data)
		}
		out = append(out, n)
	}
	return out, nil
}
