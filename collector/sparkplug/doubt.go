package sparkplug

import "dwindle/collector/sparkplug/wire"

// doubtful is what of a message cannot be read before the next birth, because
// one may have been among what is missing.
type doubtful struct {
	held
	before *names // what its aliases meant up to the gap
	births int    // of its edge node since
}

// suspect keeps what of a message cannot be read now. The next birth tells: if
// it says the same of an alias as the last one did, so did any in between.
func (r *run) suspect(e *edge, m held, metrics []wire.Metric) {
	before := e.own
	if m.device != "" {
		before = nil
		if d := e.devices[m.device]; d != nil {
			before = d.names
		}
	}
	if len(metrics) == 0 {
		return
	}
	if before == nil || len(e.doubt) >= maxHeld || r.h.heldBytes+m.size > maxHeldAll {
		r.h.stats.Unresolved += uint64(len(metrics))
		return
	}
	m.payload.Metrics = metrics
	r.h.heldBytes += m.size
	e.doubt = append(e.doubt, doubtful{held: m, before: before})
}

// settleDoubt reads what was in doubt of an edge node, or of one of its
// devices, by its new birth.
func (r *run) settleDoubt(e *edge, device string, after *names) {
	r.forgetDoubt(e, func(d *doubtful) bool {
		if d.device != device {
			return false
		}
		var out, others []wire.Metric
		for _, m := range d.payload.Metrics {
			if m.Name == "" && m.Alias != nil && d.before.aliases[*m.Alias] == after.aliases[*m.Alias] {
				m.Name = after.aliases[*m.Alias]
			}
			told, known := after.types[m.Name]
			if was, ok := d.before.types[m.Name]; m.Name == "" || !known || !ok || was != told {
				others = append(others, m)
				continue
			}
			if m.Datatype == wire.NoDatatype {
				m.Datatype = told
			}
			out = append(out, m)
		}
		r.h.stats.Recovered += uint64(len(out))
		r.hand(d.held, out)
		d.payload.Metrics = others
		return true
	})
}

// forgetDoubt gives up what is in doubt.
func (r *run) forgetDoubt(e *edge, which func(*doubtful) bool) {
	keep := e.doubt[:0]
	for i := range e.doubt {
		d := e.doubt[i]
		if !which(&d) {
			keep = append(keep, d)
			continue
		}
		r.h.heldBytes -= d.size
		r.h.stats.Unresolved += uint64(len(d.payload.Metrics))
	}
	clear(e.doubt[len(keep):])
	e.doubt = keep
}
