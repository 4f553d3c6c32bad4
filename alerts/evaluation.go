package alerts

import (
	"context"
	"slices"
	"time"

	"dwindle/alerts/alarm"
	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
)

// evaluation is what one look at a pass needs: values only, so that the same
// pass always gives the same conditions.
type evaluation struct {
	site   *config.Site
	limits config.Limits
	fleet  forecast.Fleet
	src    forecast.Source
	at     time.Time
	today  civil.Date

	silences map[string]silence // by device, asked once
	standing map[string]bool    // by machine, asked once
	deafness []span             // when messages were not received or not stored
}

func newEvaluation(site *config.Site, fleet forecast.Fleet, src forecast.Source) *evaluation {
	return &evaluation{
		site: site, limits: limits(site), fleet: fleet, src: src, at: fleet.At.UTC(), today: site.Today(fleet.At),
		silences: map[string]silence{}, standing: map[string]bool{},
	}
}

// finding is what was found out about one key.
type finding struct {
	key         alarm.Key
	observation alarm.Observation
}

// observe builds the conditions of all types, gateways before the devices
// behind them, because a silent gateway stands for its devices.
func (e *evaluation) observe(ctx context.Context, known map[alarm.Key]alarm.Alarm) ([]finding, error) {
	e.deafness = deafness(known)
	out, err := e.silent(ctx, known)
	if err != nil {
		return nil, err
	}
	builders := []struct {
		kind  alarm.Type
		build func(context.Context, *subject) (alarm.Observation, error)
	}{
		{alarm.EmptyBeforeVisit, e.emptyBeforeVisit},
		{alarm.EmptyDateDrifts, e.emptyDateDrifts},
		{alarm.UnderDelivery, e.underDelivery},
		{alarm.OverDelivery, e.overDelivery},
		{alarm.RunWithoutDose, e.runWithoutDose},
		{alarm.SettingDiffers, e.settingDiffers},
	}
	for i := range e.fleet.States {
		s := e.subject(&e.fleet.States[i])
		for _, b := range builders {
			key := alarm.Key{Type: b.kind, Subject: s.point}
			before, open := known[key]
			s.open = open && before.Open()
			s.latching = s.open && before.Latching
			s.named = b.kind == alarm.EmptyDateDrifts && causeNamed(known, s.point)
			o, err := b.build(ctx, s)
			if err != nil {
				return nil, err
			}
			// Texts and rules cost something; a condition that is not there
			// and was not there needs neither.
			if o.Says == alarm.Set || s.open {
				if o.Says != alarm.Unknown {
					e.describe(ctx, b.kind, s, &o)
				}
				if o.Rules, err = e.rules(ctx, b.kind, s, o); err != nil {
					return nil, err
				}
			}
			out = worth(out, finding{key, o}, known)
		}
	}
	return out, nil
}

// worth keeps a finding that can change something: of a condition that is not
// there and never was, there is nothing to book.
func worth(out []finding, f finding, known map[alarm.Key]alarm.Alarm) []finding {
	if _, ok := known[f.key]; !ok && f.observation.Says != alarm.Set {
		return out
	}
	return append(out, f)
}

// causeNamed says that an alarm about the dispenser of a point is there: what
// moves its empty date is known then, and is being asked for already.
func causeNamed(known map[alarm.Key]alarm.Alarm, point string) bool {
	for _, t := range []alarm.Type{alarm.UnderDelivery, alarm.OverDelivery, alarm.RunWithoutDose, alarm.SettingDiffers} {
		if a, ok := known[alarm.Key{Type: t, Subject: point}]; ok && a.Condition {
			return true
		}
	}
	return false
}

// subject is one point with what the register says about it.
type subject struct {
	*forecast.State
	point       string
	register    *config.Point // nil if the register does not know it
	machine     *config.Machine
	criticality config.Criticality
	episode     string // the fill
	open        bool   // the alarm being built for is open
	latching    bool   // and it stays listed until reset
	named       bool   // another alarm of the point says why
}

func (e *evaluation) subject(st *forecast.State) *subject {
	s := &subject{State: st, point: st.Row.Point, register: e.site.Point(st.Row.Point), machine: e.site.Machine(st.Row.Machine), criticality: config.CriticalityB}
	if s.machine != nil && s.machine.Criticality != "" {
		s.criticality = s.machine.Criticality
	}
	if st.Row.FillStarted != nil {
		s.episode = "fill " + st.Row.FillStarted.UTC().Format(time.RFC3339)
	}
	return s
}

// standingFor is how long a machine must have stood before daily evidence is
// put aside as "machine down". Half an hour would do for fast signals; with
// daily evidence it would hide alarms every night.
const standingFor = 24 * time.Hour

// stands says that a machine is known to have stood for standingFor.
func (e *evaluation) stands(ctx context.Context, machine string) (bool, error) {
	if v, ok := e.standing[machine]; ok {
		return v, nil
	}
	m := e.site.Machine(machine)
	if m == nil || m.RunSignal != nil && !*m.RunSignal {
		e.standing[machine] = false
		return false, nil
	}
	a, err := e.src.Amount(ctx, machine, reading.Run, e.at.Add(-standingFor), e.at)
	if err != nil {
		return false, err
	}
	// A report may be under way at either end, hence not quite all.
	v := a.Value < 0.01 && a.Seen > 0.9
	e.standing[machine] = v
	return v, nil
}

// rules gives the suppression rules of a type that apply to a point now.
func (e *evaluation) rules(ctx context.Context, kind alarm.Type, s *subject, o alarm.Observation) ([]alarm.Rule, error) {
	d, _ := alarm.Lookup(kind)
	var out []alarm.Rule
	for _, r := range d.Suppress {
		applies := false
		switch r {
		case alarm.PlannedDown:
			until := e.today
			if kind == alarm.EmptyBeforeVisit && s.Row.NextVisit != nil {
				until = *s.Row.NextVisit
			}
			applies = e.shutThrough(s.Row.Machine, until)
		case alarm.MachineDown:
			// A machine that stands says nothing against a leak.
			if o.Latching || s.latching {
				break
			}
			var err error
			if applies, err = e.stands(ctx, s.Row.Machine); err != nil {
				return nil, err
			}
		case alarm.Commissioning:
			applies = s.InCommissioning
		case alarm.JustChanged:
			applies = s.LastChange != nil && e.at.Sub(s.LastChange.At) < e.limits.SettleAfterChange
		case alarm.CauseNamed:
			applies = s.named
		case alarm.Withheld:
			applies = s.Row.Withheld != ""
		}
		if applies {
			out = append(out, r)
		}
	}
	return out, nil
}

// shutThrough says that a planned shutdown covers every day from today to a
// date, both included.
func (e *evaluation) shutThrough(machine string, until civil.Date) bool {
	const bound = 400 // days; longer shutdowns are not planned
	for d := e.today; d <= until; d++ {
		if d-e.today > bound || e.site.Shutdown(machine, d) == nil {
			return false
		}
	}
	return true
}

// owner is the role that owns a type: the first that the site file gives it
// to, else the type's default.
func owner(site *config.Site, t alarm.Type) string {
	for i := range site.Roles {
		if slices.Contains(site.Roles[i].Alarms, string(t)) {
			return site.Roles[i].ID
		}
	}
	d, _ := alarm.Lookup(t)
	return d.Owner
}
