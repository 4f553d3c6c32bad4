package simulate

import (
	"iter"
	"time"
)

// Live gives what the same plant sends after an instant, every device once in
// each step, until the known future ends. All messages of a step carry its
// time, which is the plant's: the caller paces the steps. Faults and silences
// go on as they stand.
func (p *Plant) Live(from time.Time, step time.Duration) iter.Seq[Sent] {
	step = max(step.Truncate(time.Second), time.Second)
	return func(yield func(Sent) bool) {
		w := p.newWriter("live ")
		every := int64(step / time.Second)
		last := int64(p.hours-1) * 3600
		for sec := max(0, p.since(from)); sec < last; sec += every {
			if !p.liveStep(w, sec, yield) {
				return
			}
		}
	}
}

func (p *Plant) liveStep(w *writer, at int64, yield func(Sent) bool) bool {
	for i := range p.schedule {
		sl := &p.schedule[i]
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
