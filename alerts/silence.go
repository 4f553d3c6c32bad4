package alerts

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"dwindle/alerts/alarm"
	"dwindle/config"
	"dwindle/forecast"
)

// silence is what is known about a device's reporting.
type silence struct {
	ok     bool          // it has reported at all
	seen   time.Time     // newest live message
	every  time.Duration // reporting interval, declared or learned; 0: not asked for
	limit  time.Duration // silent for longer is an alarm
	silent bool
	// cluster says that it fell silent together with others behind its gateway.
	cluster bool
}

// unknownEvery is taken for a device whose reporting interval is neither
// declared nor learned yet: one report a shift.
const unknownEvery = 8 * time.Hour

// silence asks for a device once per evaluation. hint is a time at which the
// device is known to have reported; a recent one saves the question.
func (e *evaluation) silence(ctx context.Context, device string, hint time.Time) (silence, error) {
	if q, ok := e.silences[device]; ok {
		return q, nil
	}
	l := &e.limits
	if !hint.IsZero() && e.at.Sub(hint) <= l.SilenceMin {
		// Not kept: the limit is not known, and others may ask for it.
		return silence{ok: true, seen: hint, limit: l.SilenceMin}, nil
	}
	seen, every, ok, err := e.src.LastSeen(ctx, device, e.at)
	if err != nil {
		return silence{}, fmt.Errorf("newest message of %s: %w", device, err)
	}
	// A declared interval is a promise at least that long; a learned one may
	// come from a burst.
	every = max(every, declared(e.site, device))
	if every <= 0 {
		every = unknownEvery
	}
	q := silence{ok: ok, seen: seen, every: every, limit: max(time.Duration(l.SilenceIntervals*float64(every)), l.SilenceMin)}
	q.silent = ok && e.at.Sub(seen) > q.limit
	e.silences[device] = q
	return q, nil
}

func declared(site *config.Site, device string) time.Duration {
	if m := site.Machine(device); m != nil {
		return m.Every
	}
	if d := site.Dispenser(device); d != nil {
		return d.Every
	}
	return 0
}

// device is one that is expected to report, with the points that are blind
// without it.
type device struct {
	id      string
	machine bool
	points  []*forecast.State
	newest  time.Time // a time at which it is known to have reported
}

// devices gives what is expected to report: machines with a run signal that
// points depend on, and dispensers at points, in register order.
func (e *evaluation) devices() []*device {
	var out []*device
	byID := map[string]*device{}
	add := func(id string, machine bool, st *forecast.State, newest time.Time) {
		if id == "" {
			return
		}
		d, ok := byID[id]
		if !ok {
			d = &device{id: id, machine: machine}
			byID[id] = d
			out = append(out, d)
		}
		d.points = append(d.points, st)
		d.newest = later(d.newest, newest)
	}
	for i := range e.fleet.States {
		st := &e.fleet.States[i]
		if m := e.site.Machine(st.Row.Machine); m != nil && (m.RunSignal == nil || *m.RunSignal) {
			newest := st.NewestDuty
			if st.Row.Pacing == config.PacingPulse {
				newest = time.Time{}
			}
			add(m.ID, true, st, newest)
		}
		newest := st.NewestLevel
		if st.Row.Pacing == config.PacingPulse {
			newest = later(newest, st.NewestDuty)
		}
		add(st.Device, false, st, newest)
	}
	return out
}

// silent builds the alarms of the data path: gateways first, then devices,
// whose alarms a silent gateway stands for.
func (e *evaluation) silent(ctx context.Context, known map[alarm.Key]alarm.Alarm) ([]finding, error) {
	all := e.devices()
	states := make(map[string]silence, len(all))
	for _, d := range all {
		q, err := e.silence(ctx, d.id, d.newest)
		if err != nil {
			return nil, err
		}
		states[d.id] = q
	}
	behind := map[string][]*device{}
	for _, d := range all {
		if g := e.site.GatewayOf(d.id); g != nil {
			behind[g.ID] = append(behind[g.ID], d)
		}
	}
	var out []finding
	for i := range e.site.Gateways {
		g := &e.site.Gateways[i]
		out = worth(out, e.gatewaySilent(g, behind[g.ID], states, known), known)
	}
	for _, d := range all {
		out = worth(out, e.noTelemetry(d, states[d.id], known), known)
	}
	return out, nil
}

// noTelemetry: a device that has reported before is silent. For a machine that
// is its run signal, with the points it blinds under it.
func (e *evaluation) noTelemetry(d *device, q silence, known map[alarm.Key]alarm.Alarm) finding {
	f := finding{key: alarm.Key{Type: alarm.NoTelemetry, Subject: d.id}}
	o := &f.observation
	if !q.ok {
		return f // never heard of: a prompt to commission it, not an alarm
	}
	o.Says, o.Evidence = alarm.Clear, q.seen
	if q.silent {
		o.Says, o.Since = alarm.Set, q.seen.Add(q.limit)
	}
	before := known[f.key]
	if o.Says != alarm.Set && !before.Open() {
		return f
	}
	if g := e.site.GatewayOf(d.id); g != nil {
		o.Seen.Gateway = g.ID
		if q.cluster {
			o.Rules = []alarm.Rule{alarm.ParentSilent}
		}
	}
	if e.deaf(q.seen, q.limit) {
		o.Rules = append(o.Rules, alarm.CollectorDown)
	}
	if !q.silent {
		return f // texts of the open occurrence stay as they were
	}
	o.Seen.Device = d.id
	o.Seen.Value, o.Seen.Limit, o.Seen.Unit = rounded(e.at.Sub(q.seen).Hours()), rounded(q.limit.Hours()), "h"
	o.Priority, o.Seen.PriorityReason = alarm.Low, "low: nothing is near its early empty date"
	var blind []string
	for _, st := range d.points {
		blind = append(blind, st.Row.Point)
		actBy, left, ok := e.left(st)
		if !ok {
			continue
		}
		if o.Seen.ActBy.IsZero() || actBy.Before(o.Seen.ActBy) {
			o.Seen.ActBy = actBy
		}
		p := alarm.Low
		switch c := criticality(e.site, st); {
		case c == config.CriticalityA && left < 48*time.Hour:
			p = alarm.High
		case left < 7*24*time.Hour:
			p = alarm.Medium
		}
		if p.Rank() < o.Priority.Rank() {
			o.Priority = p
			o.Seen.PriorityReason = fmt.Sprintf("%s: silence can hide an empty reservoir at %s, criticality %s, %s to its early empty date",
				p, st.Row.Point, criticality(e.site, st), alarm.Left(left))
		}
	}
	if o.Seen.ActBy.IsZero() {
		// A forecast withheld for lack of messages must not make us forget
		// the date that was known before.
		o.Seen.ActBy = before.Seen.ActBy
	}
	values := map[string]string{"device": d.id, "blind": list(blind), "gateway": "the same gateway"}
	what := "dispenser " + d.id
	if d.machine {
		o.Seen.Machine, o.Seen.Children = d.id, blind
		what = "run signal of " + machineName(e.site, d.id)
		values["device"] = "the run signal of " + machineName(e.site, d.id)
	} else {
		o.Seen.Point = d.points[0].Row.Point
		o.Seen.Machine = d.points[0].Row.Machine
	}
	if g := e.site.GatewayOf(d.id); g != nil {
		values["gateway"] = named(g.ID, g.Name)
	}
	if !o.Seen.ActBy.IsZero() {
		values["before"] = e.site.Today(o.Seen.ActBy).Format(dateLayout)
	}
	o.Seen.Detail = fmt.Sprintf("%s silent since %s (%s); expected within %s", what, e.clock(q.seen), alarm.Left(e.at.Sub(q.seen)), alarm.Left(q.limit))
	def, _ := alarm.Lookup(alarm.NoTelemetry)
	e.texts(&def, &o.Seen, values)
	return f
}

// left is the early empty date's begin and the time until then.
func (e *evaluation) left(st *forecast.State) (time.Time, time.Duration, bool) {
	if st.Row.Withheld != "" || st.Row.EmptyP10 == nil {
		return time.Time{}, 0, false
	}
	at := st.Row.EmptyP10.Start(e.site.Location())
	return at, at.Sub(e.at), true
}

func criticality(site *config.Site, st *forecast.State) config.Criticality {
	if m := site.Machine(st.Row.Machine); m != nil && m.Criticality != "" {
		return m.Criticality
	}
	return config.CriticalityB
}

// list names a few and counts the rest.
func list(ids []string) string {
	const few = 6
	ids = slices.Compact(slices.Sorted(slices.Values(ids)))
	if len(ids) <= few {
		return strings.Join(ids, ", ")
	}
	return fmt.Sprintf("%s and %d more", strings.Join(ids[:few], ", "), len(ids)-few)
}
