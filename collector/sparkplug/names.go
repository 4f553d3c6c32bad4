package sparkplug

import (
	"fmt"
	"slices"

	"dwindle/collector/sparkplug/wire"
)

// names are what a birth said.
type names struct {
	types   map[string]wire.Datatype
	aliases map[uint64]string // empty: two metrics share it
	size    int               // bytes in memory, about
}

func (n *names) bytes() int {
	if n == nil {
		return 0
	}
	return n.size
}

// learn takes names, datatypes and aliases from a birth.
func (r *run) learn(p wire.Payload) *names {
	n := &names{types: make(map[string]wire.Datatype, len(p.Metrics)), aliases: map[uint64]string{}}
	for _, m := range p.Metrics {
		if m.Name == "" {
			continue
		}
		if r.h.known+n.size > maxKnown {
			r.h.stats.Refused++
			break
		}
		n.types[m.Name] = m.Datatype
		n.size += metricSize + len(m.Name)
		if m.Alias == nil {
			continue
		}
		if other, taken := n.aliases[*m.Alias]; taken && other != m.Name {
			n.aliases[*m.Alias] = "" // which of the two is meant cannot be known
			continue
		}
		n.aliases[*m.Alias] = m.Name
	}
	r.h.known += n.bytes()
	return n
}

// data hands on a message with the names of its births.
func (r *run) data(e *edge, m held, n *names) {
	out := make([]wire.Metric, 0, len(m.payload.Metrics))
	for _, one := range m.payload.Metrics {
		if one.Name == "" {
			if one.Alias == nil {
				r.h.stats.Unresolved++
				continue
			}
			name, known := n.aliases[*one.Alias]
			if name == "" {
				r.h.stats.Unresolved++
				if !known { // a new birth would not tell apart two that share one
					r.want(e, fmt.Sprintf("alias %d is not in the birth", *one.Alias))
				}
				continue
			}
			one.Name = name
			r.h.stats.Resolved++
		}
		told, known := n.types[one.Name]
		if one.Datatype == wire.NoDatatype {
			one.Datatype = told
		}
		if !known {
			r.want(e, fmt.Sprintf("metric %q is not in the birth", clip(one.Name)))
			if !stands(one) {
				r.h.stats.Unresolved++
				continue
			}
		}
		out = append(out, one)
	}
	r.hand(m, out)
}

func clip(text string) string {
	if len(text) > 48 {
		return text[:48] + "..."
	}
	return text
}

// stands says that a metric can be read without any birth.
func stands(m wire.Metric) bool {
	if m.Name == "" {
		return false
	}
	if m.Datatype != wire.NoDatatype || m.Null {
		return true
	}
	switch m.Value.Field {
	case wire.FloatField, wire.DoubleField, wire.BooleanField, wire.StringField:
		return true
	}
	return false
}

// loose hands on what of a message stands for itself.
func (r *run) loose(m held, more ...wire.Metric) {
	r.h.stats.Unresolved += uint64(len(r.part(m, more...)))
}

// part hands on the metrics of a message that stand for themselves and gives
// the others.
func (r *run) part(m held, more ...wire.Metric) (others []wire.Metric) {
	var out []wire.Metric
	for _, one := range m.payload.Metrics {
		if stands(one) {
			out = append(out, one)
		} else {
			others = append(others, one)
		}
	}
	r.hand(m, out, more...)
	return others
}

// online is the metric of this name.
func online(at *uint64, on bool) wire.Metric {
	m := wire.Metric{Name: OnlineMetric, Time: at, Datatype: wire.Boolean, Value: wire.Value{Field: wire.BooleanField}}
	if on {
		m.Value.Bits = 1
	}
	return m
}

// hand writes a message to be stored, in parts where it is large. A message
// of which nothing is left is none.
func (r *run) hand(of held, metrics []wire.Metric, more ...wire.Metric) {
	head := wire.AppendHead(nil, of.payload)
	b := slices.Clip(head)
	for _, list := range [][]wire.Metric{metrics, more} {
		for _, m := range list {
			if m.Name == "" {
				continue // a birth should have given it one
			}
			one := wire.AppendMetric(nil, m)
			if len(b) > len(head) && len(b)+len(one) > maxPart {
				r.Messages = append(r.Messages, Message{of.full, b, of.at})
				b = slices.Clip(head)
			}
			b = append(b, one...)
		}
	}
	if len(b) > len(head) {
		r.Messages = append(r.Messages, Message{of.full, b, of.at})
	}
}
