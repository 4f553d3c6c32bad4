package suspicion

import (
	"fmt"
	"time"

	"dwindle/collector/reading"
)

// Online takes what a status says, the device's own or that of the gateway in
// front of it: whether it can be reached. It goes before readings of the same
// time.
func (w *Watch) Online(at time.Time, gateway, on bool) {
	s := &w.s.Says[0]
	if gateway {
		s = &w.s.Says[1]
	}
	if on {
		*s = standing{}
		return
	}
	w.s.Belied = false
	if !s.Off {
		*s = standing{true, at.UnixMilli()}
	}
}

// Repeated says that the newest reading only repeats an earlier one while the
// device is said to be offline. A gateway that goes on to send the last value it
// had does not show that the device stands still.
func (w *Watch) Repeated() bool { return w.repeated }

// Returned says that the newest reading is the first of the device's own after
// such ones.
func (w *Watch) Returned() bool { return w.returned }

// offline compares a reading with what is said of whether the device can be
// reached. What a counter buffered meanwhile and sent later is its own word,
// whatever it says; of others, a repeat takes the place of the first report, so
// that nobody knows.
func (w *Watch) offline(r reading.Reading, t int64) {
	s := &w.s
	if r.Quantity.Cumulative() && r.FromDevice && r.Received.Sub(r.At) > lagLeast {
		return
	}
	said := s.Says[0].Off || s.Says[1].Off
	if said && !s.Belied && w.same(r) {
		w.repeated = true
		if s.Repeats = min(s.Repeats+1, 100); s.Repeats == 1 {
			s.RepeatsAt = t
		}
		if s.Repeats >= repeatsLeast {
			w.open(Repeats, byStatus, t, func() (string, string) {
				return name(r.Quantity) + " repeats itself while the device is said to be offline",
					fmt.Sprintf("%s since %s; %s", shown(r), stamp(s.RepeatsAt), w.saidSince())
			})
		}
		return
	}
	if s.Repeats > 0 {
		w.returned, s.Repeats, s.RepeatsAt = true, 0, 0
		w.clear(Repeats, byStatus, t)
	}
	if !said {
		s.Belied, s.Moves = false, 0
		w.clear(Disagrees, byStatus, t)
		return
	}
	if !w.moved(r) {
		return
	}
	s.Belied = true
	if !r.Quantity.Cumulative() {
		return // perhaps sent later
	}
	if s.Moves = min(s.Moves+1, 100); s.Moves >= movesLeast {
		w.open(Disagrees, byStatus, t, func() (string, string) {
			return name(r.Quantity) + " moves on while the device is said to be offline",
				fmt.Sprintf("%d times, to %s; %s", s.Moves, shown(r), w.saidSince())
		})
	}
}

// same says that a reading shows what was known already.
func (w *Watch) same(r reading.Reading) bool {
	switch r.Quantity {
	case reading.RunRunning:
		return w.s.StateT != 0 && w.s.On == (r.Value != 0)
	case reading.PulseIncrement:
		return r.Count == 0
	}
	g, ok := gaugeOf(r.Quantity)
	c := &w.s.Channels[g.index]
	return ok && c.Has && c.Last[0].V == valueOf(r)
}

// moved says that a reading shows something new of something that was known.
func (w *Watch) moved(r reading.Reading) bool {
	known := r.Quantity == reading.RunRunning && w.s.StateT != 0
	if g, ok := gaugeOf(r.Quantity); ok {
		known = w.s.Channels[g.index].Has
	}
	return known && !w.same(r)
}

// saidSince tells who says since when that the device is offline.
func (w *Watch) saidSince() string {
	own, gateway := w.s.Says[0], w.s.Says[1]
	switch {
	case !gateway.Off:
		return "offline since " + stamp(own.Since) + " by its own status"
	case !own.Off:
		return "offline since " + stamp(gateway.Since) + " by the status of its gateway"
	}
	return "offline since " + stamp(min(own.Since, gateway.Since)) + " by its own status and that of its gateway"
}
