package alerts

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"time"

	"dwindle/alerts/alarm"
	"dwindle/config"
	"dwindle/config/civil"
)

// dateLayout is how people read a date; never digits for the month.
const dateLayout = "2 Jan 2006"

// clock writes an instant in the site's time.
func (e *evaluation) clock(t time.Time) string {
	return t.In(e.site.Location()).Format("2 Jan 2006 15:04")
}

// texts fills what a person is to read, for one subject.
func (e *evaluation) texts(d *alarm.Definition, s *alarm.Seen, values map[string]string) {
	s.Cause, s.Consequence, s.Response = d.Texts(values)
	s.Owner = owner(e.site, d.Type)
}

// describe completes the observation of a point with the words for it.
func (e *evaluation) describe(_ context.Context, kind alarm.Type, s *subject, o *alarm.Observation) {
	d, _ := alarm.Lookup(kind)
	o.Seen.Point, o.Seen.Machine, o.Seen.Device = s.point, s.Row.Machine, s.Device
	values := e.values(s)
	r := &s.Row
	switch kind {
	case alarm.EmptyBeforeVisit:
		o.Seen.Detail = e.visitDetail(s, o.Seen.Value)
	case alarm.EmptyDateDrifts:
		way := "later"
		if o.Seen.Value < 0 {
			way = "earlier"
		}
		o.Seen.Detail = fmt.Sprintf("likely empty on %s, %.0f days %s than the planned %s", date(r.EmptyP50), math.Abs(o.Seen.Value), way, date(r.PlannedEmpty))
	case alarm.UnderDelivery, alarm.OverDelivery:
		if o.Seen.Detail == "" {
			o.Seen.Detail = deliveryDetail(s, o.Seen.Value)
			values["share"] = "about " + percent(o.Seen.Value)
			if o.Seen.Value < 0.05 {
				values["share"] = "next to nothing"
			}
		} else {
			values["share"] = "far more than all"
		}
		if m := missed(&s.Delivery); m > 0 {
			values["missed"] = "about " + number(m) + " cm³, in small portions"
		}
	case alarm.RunWithoutDose:
		values["value"] = number(o.Seen.Value)
		values["interval"] = number(*s.DoseIntervalHours) + " h"
		o.Seen.Detail = fmt.Sprintf("%s run-hours since the last dose; one is due every %s h", number(o.Seen.Value), number(*s.DoseIntervalHours))
		if s.register != nil && s.register.Plan.DoseCM3Per100h > 0 {
			values["missed"] = "about " + number(o.Seen.Value*s.register.Plan.DoseCM3Per100h/100) + " cm³, in small portions"
		}
	case alarm.SettingDiffers:
		values["difference"] = percent(1 + o.Seen.Value/100)
		switch {
		case s.SettingReported && s.Setting != nil && s.Registered != nil:
			o.Seen.Detail = fmt.Sprintf("%s in force, %s registered", setting(s.Setting), setting(s.Registered))
		case s.Counted != nil:
			o.Seen.Detail = s.Counted.Why
		}
	}
	e.texts(&d, &o.Seen, values)
}

func (e *evaluation) visitDetail(s *subject, chance float64) string {
	r := &s.Row
	what := fmt.Sprintf("chance of %s that it is empty before the visit on %s", percent(chance), date(r.NextVisit))
	if r.NextVisit == nil {
		what = fmt.Sprintf("chance of %s that it is empty within %d days, and no round goes there", percent(chance), noVisitDays)
	}
	if r.EmptyP50 != nil && r.EmptyP10 != nil {
		upTo := "later"
		if r.EmptyP90 != nil {
			upTo = date(r.EmptyP90)
		}
		what += fmt.Sprintf("; empty likely on %s (%s to %s, 80 %%)", date(r.EmptyP50), date(r.EmptyP10), upTo)
	}
	return what
}

func deliveryDetail(s *subject, ratio float64) string {
	d := &s.Delivery
	what := percent(ratio) + " of what was commanded was delivered"
	if d.DeliveredCM3 != nil && d.CommandedCM3 != nil {
		what += fmt.Sprintf(": %s of %s cm³", number(max(0, *d.DeliveredCM3)), number(*d.CommandedCM3))
	}
	if d.RatioSD != nil {
		what += fmt.Sprintf(" (± %s)", percent(*d.RatioSD))
	}
	if d.Why != "" {
		what += "; " + d.Why
	}
	return what
}

// values gives what is known about a point to the texts.
func (e *evaluation) values(s *subject) map[string]string {
	r := &s.Row
	v := map[string]string{
		"point": s.point, "machine": machineName(e.site, r.Machine), "dispenser": s.Device, "device": s.Device,
		"early": date(r.EmptyP10), "likely": date(r.EmptyP50), "before": date(r.ActBy()), "planned": date(r.PlannedEmpty), "visit": date(r.NextVisit),
		"setting": setting(s.Setting), "setting_registered": setting(s.Registered),
	}
	if s.register != nil {
		v["point"] = named(s.point, s.register.Name)
		v["reservoir"] = reservoirName(e.site, s.register.Reservoir)
		v["duty_planned"] = plannedDuty(&s.register.Plan, r.Pacing)
		v["manual"] = e.manual(s)
	}
	if r.DutyPerDay != nil {
		unit := "h a week"
		if r.Pacing == config.PacingPulse {
			unit = "pulses a week"
		}
		v["duty"] = number(*r.DutyPerDay*7) + " " + unit
	}
	if r.RemainingCM3 != nil {
		v["remaining"] = number(max(0, *r.RemainingCM3)) + " cm³"
	}
	if !s.SettingSince.IsZero() {
		v["since"] = e.site.Today(s.SettingSince).Format(dateLayout)
	}
	if by := r.ActBy(); by != nil && *by < e.today {
		v["before"] = "today"
	}
	if r.EmptySince != nil {
		v["early"], v["likely"] = date(r.EmptySince), date(r.EmptySince)
	}
	return v
}

// plannedDuty writes the plan's duty in the unit in which the point is paced.
func plannedDuty(p *config.Plan, by config.Pacing) string {
	if by != config.PacingPulse {
		if p.HoursPerWeek > 0 {
			return number(p.HoursPerWeek) + " h a week"
		}
		return ""
	}
	if pulses := max(p.PulsesPerDay*7, p.PulsesPer100h*p.HoursPerWeek/100); pulses > 0 {
		return number(pulses) + " pulses a week"
	}
	return ""
}

// manual is the plan's dose for the days without supply.
func (e *evaluation) manual(s *subject) string {
	perDay := dayDose(&s.register.Plan)
	if perDay <= 0 {
		return ""
	}
	from, to := e.today, e.today+noVisitDays
	if s.Row.EmptyP10 != nil {
		from = max(from, *s.Row.EmptyP10)
	}
	if s.Row.NextVisit != nil {
		to = *s.Row.NextVisit
	}
	if to <= from {
		return ""
	}
	return fmt.Sprintf("about %s cm³ (the plan's dose from %s to %s) in small portions", number(perDay*float64(to-from)), date(&from), date(&to))
}

func date(d *civil.Date) string {
	if d == nil {
		return ""
	}
	return d.Format(dateLayout)
}

func setting(s *config.Setting) string {
	switch {
	case s == nil:
		return ""
	case s.Pacing == config.PacingPulse:
		return number(s.CM3PerPulse) + " cm³ per pulse"
	}
	return number(s.CM3Per100h) + " cm³ per 100 h"
}

// named puts the plain name after an id where there is one.
func named(id, name string) string {
	if name == "" || name == id {
		return id
	}
	return id + " (" + name + ")"
}

func machineName(site *config.Site, id string) string {
	if m := site.Machine(id); m != nil {
		return named(id, m.Name)
	}
	return id
}

func reservoirName(site *config.Site, id string) string {
	r := site.Reservoir(id)
	if r == nil {
		return id
	}
	if r.Item != "" {
		return named(id, r.Name) + ", item " + r.Item
	}
	return named(id, r.Name)
}

// number writes a value with three digits, never with an exponent.
func number(v float64) string {
	return strconv.FormatFloat(rounded(v), 'f', -1, 64)
}

// rounded keeps three digits: more is noise, and noise would be written to
// disk at every evaluation.
func rounded(v float64) float64 {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0
	}
	unit := math.Pow(10, 2-math.Floor(math.Log10(math.Abs(v))))
	if unit >= 1 {
		return math.Round(v*unit) / unit
	}
	return math.Round(v*unit) * math.Round(1/unit)
}

// percent writes a share; what is neither none nor all is never shown as it.
func percent(share float64) string {
	switch p := share * 100; {
	case p > 0 && p < 1:
		return "under 1 %"
	case p > 99 && p < 100:
		return "over 99 %"
	default:
		return strconv.FormatFloat(math.Round(p), 'f', -1, 64) + " %"
	}
}
