package simulate

import (
	"iter"
	"time"
)

// Live gives what the same plant sends after an instant, every device once in
// each step, until the known future ends. The times are those of the plant:
// the caller paces them. Faults and silences go on as they stand.
func (p *Plant) Live(from time.Time, step time.Duration) iter.Seq[Sent] {
	step = max(step.Truncate(time.Second), time.Second)
	return func(yield func(Sent) bool) {
		w := p.newWriter("live ")
		every := int64(step / time.Second)
		last := int64(p.hours-1) * 3600
		for sec := max(0, p.since(from)); sec < last; sec += every {
			if !p.liveStep(w, sec, every, yield) {
				return
			}
		}
	}
}

func (p *Plant) liveStep(w *writer, sec, step int64, yield func(Sent) bool) bool {
	order := make([]slot, len(p.schedule))
	copy(order, p.schedule)
	for i := range order {
		order[i].phase = order[i].phase * step / 3606 // spread over the step; phases lie below 3606
	}
	for i := range order {
		sl := &order[i]
		at := sec + sl.phase
		var g int
		var topic string
		var payload []byte
		silent := false
		switch sl.what {
		case fromMachine:
			m := &p.machines[sl.index]
			g, topic, silent, payload = m.gateway, m.topic, m.lost.holds(at), w.run(m, at)
		case fromDispenser:
			pt := &p.points[sl.index]
			g, topic, silent, payload = p.gatewayOf(pt), pt.topics[sl.kind], pt.silent.holds(at), w.dispenser(sl.index, sl.kind, at)
		case fromGateway:
			g, topic, payload = sl.index, p.gateways[sl.index].topic, w.gatewayStatus(&p.gateways[sl.index], at)
		}
		if silent || p.gateways[g].silent.holds(at) {
			continue
		}
		if !yield(Sent{At: p.at(at), Topic: topic, Payload: payload}) {
			return false
		}
	}
	return true
}
