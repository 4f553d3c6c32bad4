package alerts

import (
	"fmt"
	"slices"
	"time"

	"dwindle/alerts/alarm"
	"dwindle/config"
)

// gatewaySilent: several devices behind a gateway fell silent together.
func (e *evaluation) gatewaySilent(g *config.Gateway, behind []*device, states map[string]silence, known map[alarm.Key]alarm.Alarm) finding {
	f := finding{key: alarm.Key{Type: alarm.GatewaySilent, Subject: g.ID}}
	type member struct {
		d *device
		q silence
	}
	var quiet []member
	heard := 0
	for _, d := range behind {
		q := states[d.id]
		if !q.ok {
			continue
		}
		heard++
		// What was not received here is no fault of the gateway.
		if q.silent && !e.deaf(q.seen, q.limit) {
			quiet = append(quiet, member{d, q})
		}
	}
	if heard == 0 {
		return f
	}
	// The largest group that fell silent within two intervals of each other:
	// devices that died one by one over months are no gateway's fault.
	slices.SortFunc(quiet, func(a, b member) int { return a.q.seen.Compare(b.q.seen) })
	var group []member
	for i := range quiet {
		j := i
		for j < len(quiet) && quiet[j].q.seen.Sub(quiet[i].q.seen) <= 2*e.interval(quiet[i].q, quiet[j].q) {
			j++
		}
		if j-i > len(group) {
			group = quiet[i:j]
		}
	}
	l := &e.limits
	// The share rule needs two: one silent device of two is its own alarm.
	threshold := min(l.GatewayDevices, max(2, int(float64(heard)*l.GatewayPercent/100+0.999)))
	n := len(group)
	o := &f.observation
	o.Seen.Gateway = g.ID
	o.Seen.Value, o.Seen.Limit, o.Seen.Unit = float64(n), float64(threshold), "{device}"
	before := known[f.key]
	switch {
	case n >= threshold:
		o.Says = alarm.Set
	case 2*n <= threshold:
		o.Says = alarm.Clear
	default:
		o.Says = alarm.Between
	}
	if o.Says != alarm.Set && !before.Open() {
		return f
	}
	o.Priority, o.Seen.PriorityReason = alarm.Medium, "medium: several devices at once"
	var blind []string
	since := e.at
	for _, m := range group {
		if o.Says == alarm.Set || before.Condition {
			q := states[m.d.id]
			q.cluster = true
			states[m.d.id] = q
		}
		o.Seen.Children = append(o.Seen.Children, m.d.id)
		if at := m.q.seen.Add(m.q.limit); at.Before(since) {
			since = at
		}
		for _, st := range m.d.points {
			blind = append(blind, st.Row.Point)
			c := criticality(e.site, st)
			actBy, left, ok := e.left(st)
			if !ok {
				continue
			}
			if o.Seen.ActBy.IsZero() || actBy.Before(o.Seen.ActBy) {
				o.Seen.ActBy = actBy
			}
			if c == config.CriticalityA && left < 48*time.Hour && o.Priority != alarm.High {
				o.Priority = alarm.High
				o.Seen.PriorityReason = fmt.Sprintf("high: %s of criticality A is behind it, %s to its early empty date", st.Row.Point, alarm.Left(left))
			}
		}
	}
	slices.Sort(o.Seen.Children)
	o.Since = since
	if n > 0 {
		o.Seen.Detail = fmt.Sprintf("%d of %d devices behind %s silent, the last heard %s", n, heard, g.ID, e.clock(group[n-1].q.seen))
	} else {
		o.Seen.Detail = fmt.Sprintf("all %d devices behind %s report", heard, g.ID)
	}
	d, _ := alarm.Lookup(alarm.GatewaySilent)
	e.texts(&d, &o.Seen, map[string]string{"gateway": named(g.ID, g.Name), "blind": list(blind)})
	return f
}

// interval is the longer of two devices' reporting intervals.
func (e *evaluation) interval(a, b silence) time.Duration {
	per := max(e.limits.SilenceIntervals, 1)
	return max(time.Duration(float64(max(a.limit, b.limit))/per), 30*time.Minute)
}
