package sparkplug

import "fmt"

// Sound checks the host's sums against what it holds.
func (h *Host) Sound() error {
	held, devices, known := 0, 0, 0
	for key, e := range h.edges {
		for _, m := range e.held {
			held += m.size
		}
		for _, d := range e.doubt {
			held += d.size
		}
		known += e.own.bytes()
		for _, d := range e.devices {
			devices++
			known += d.names.bytes()
		}
		if waits := !e.deadline.IsZero() || e.wants != ""; waits != (h.timed[key] == e) {
			return fmt.Errorf("%s waits: %t, and is not noted so", key, waits)
		}
		if len(e.held) > 0 && e.deadline.IsZero() {
			return fmt.Errorf("%s holds messages back without end", key)
		}
		if len(e.held) > maxHeld || len(e.doubt) > maxHeld {
			return fmt.Errorf("%s holds %d and %d messages back", key, len(e.held), len(e.doubt))
		}
	}
	if held != h.heldBytes || devices != h.devices || known != h.known || held > maxHeldAll || known > maxKnown+(1<<20) {
		return fmt.Errorf("held %d of %d bytes, %d of %d devices, %d of %d bytes known", h.heldBytes, held, h.devices, devices, h.known, known)
	}
	return nil
}
