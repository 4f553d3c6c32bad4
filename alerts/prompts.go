package alerts

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"dwindle/alerts/alarm"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
)

// planDays is how far ahead changes are listed as planned work.
const planDays = 28

// Prompts gives planned work and hints as of a pass: reservoirs to change in
// the coming weeks, dispensers that have yet to be heard of, gaps in the
// register. They ask for planning, not for a person in time.
func Prompts(ctx context.Context, site *config.Site, fleet forecast.Fleet, src forecast.Source) ([]alarm.Prompt, error) {
	e := newEvaluation(site, fleet, src)
	var out []alarm.Prompt
	for i := range fleet.States {
		s := e.subject(&fleet.States[i])
		out = append(out, e.planned(s)...)
	}
	for _, d := range e.devices() {
		q, err := e.silence(ctx, d.id, d.newest)
		if err != nil {
			return nil, err
		}
		if q.ok || !reports(site, d) {
			continue
		}
		p := alarm.Prompt{Kind: alarm.PromptCommission, Device: d.id, Owner: owner(site, alarm.NoTelemetry)}
		p.Text = fmt.Sprintf("%s was never heard of: check its topic, or take it into service", d.id)
		if d.machine {
			p.Text = fmt.Sprintf("the run signal of %s was never heard of: %d points are forecast by plan only", machineName(site, d.id), len(d.points))
		} else {
			p.Point = d.points[0].Row.Point
		}
		out = append(out, p)
	}
	slices.SortStableFunc(out, func(a, b alarm.Prompt) int {
		switch {
		case a.Due != nil && b.Due != nil:
			return cmp.Compare(*a.Due, *b.Due)
		case a.Due != nil:
			return -1
		case b.Due != nil:
			return 1
		}
		return cmp.Compare(a.Kind, b.Kind)
	})
	return out, nil
}

// reports says that the register expects messages from a device. A run-paced
// dispenser without a channel or an interval is a plain device that keeps to
// itself.
func reports(site *config.Site, d *device) bool {
	if d.machine {
		return true
	}
	c := site.Dispenser(d.id)
	return c != nil && (c.Every > 0 || len(c.Channels) > 0 || d.points[0].Row.Pacing == config.PacingPulse)
}

// planned gives the prompts of one point.
func (e *evaluation) planned(s *subject) []alarm.Prompt {
	var out []alarm.Prompt
	r := &s.Row
	name := s.point
	if s.register != nil {
		name = named(s.point, s.register.Name)
	}
	add := func(p alarm.Prompt) {
		p.Point, p.Device = s.point, s.Device
		out = append(out, p)
	}
	technician, reliability := owner(e.site, alarm.EmptyBeforeVisit), owner(e.site, alarm.EmptyDateDrifts)
	if by := r.ActBy(); by != nil && *by <= e.today+planDays {
		text := fmt.Sprintf("change the reservoir of %s by %s", name, date(by))
		if r.EmptyP50 != nil {
			text += fmt.Sprintf(", likely empty %s", date(r.EmptyP50))
		}
		if r.ChanceBeforeVisit != nil && r.NextVisit != nil {
			text += fmt.Sprintf("; next visit %s (%s that it is empty before)", date(r.NextVisit), percent(*r.ChanceBeforeVisit))
		}
		add(alarm.Prompt{Kind: alarm.PromptChange, Due: by, Owner: technician, Text: text})
	}
	switch {
	case s.Device == "":
		add(alarm.Prompt{Kind: alarm.PromptRegister, Owner: reliability, Text: fmt.Sprintf("%s has no dispenser in the register", name)})
	case s.InCommissioning:
		add(alarm.Prompt{Kind: alarm.PromptCommission, Owner: technician, Text: fmt.Sprintf("%s is being commissioned: accept it once its first doses are seen", name)})
	case r.Withheld != "":
		add(alarm.Prompt{Kind: alarm.PromptEvidence, Owner: reliability, Text: fmt.Sprintf("no forecast for %s: %s", name, r.Withheld)})
	}
	for _, n := range r.Notices {
		add(alarm.Prompt{Kind: alarm.PromptEvidence, Owner: technician, Text: name + ": " + n})
	}
	if p := e.laterThanPlanned(s, name); p != nil {
		add(*p)
	}
	if d := e.stayLimit(s); d != nil {
		add(*d)
	}
	if s.Setting == nil && s.Device != "" {
		add(alarm.Prompt{Kind: alarm.PromptRegister, Owner: reliability, Text: fmt.Sprintf("%s has no setting in the register; enter one with valid_from", s.Device)})
	}
	return out
}

// soonerBy says that a date is known and not after another.
func soonerBy(d *civil.Date, other civil.Date) bool { return d != nil && *d <= other }

// laterThanPlanned is the prompt for a date that moved behind the plan without
// a fault that another alarm names.
func (e *evaluation) laterThanPlanned(s *subject, name string) *alarm.Prompt {
	days, limit, ok := e.drift(s)
	if !ok || days <= limit || *s.Row.PlannedEmpty >= *s.Row.EmptyP10 {
		return nil
	}
	if v := s.Delivery.Verdict; v == forecast.Under || v == forecast.NotDispensing {
		return nil // that alarm names the cause
	}
	return &alarm.Prompt{
		Kind: alarm.PromptPlan, Owner: owner(e.site, alarm.EmptyDateDrifts),
		Text: fmt.Sprintf("%s is likely empty on %s, %.0f days later than planned: see whether its machine runs less than the plan says, and correct the plan", name, date(s.Row.EmptyP50), days),
	}
}

// stayLimit reminds of a reservoir whose lubricant gets too old before it is
// empty.
func (e *evaluation) stayLimit(s *subject) *alarm.Prompt {
	if s.register == nil || s.Row.FillStarted == nil {
		return nil
	}
	res := e.site.Reservoir(s.register.Reservoir)
	if res == nil || res.MaxStayMonths <= 0 {
		return nil
	}
	due := e.site.Today(s.Row.FillStarted.AddDate(0, res.MaxStayMonths, 0))
	if due > e.today+30 || soonerBy(s.Row.ActBy(), due) {
		return nil
	}
	return &alarm.Prompt{
		Kind: alarm.PromptChange, Due: &due, Owner: owner(e.site, alarm.EmptyBeforeVisit),
		Text: fmt.Sprintf("change the reservoir of %s by %s although it is not empty: %d months are its longest stay", s.point, date(&due), res.MaxStayMonths),
	}
}
