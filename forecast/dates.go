package forecast

import (
	"fmt"
	"math"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/calibration"
	"dwindle/forecast/depletion"
	"dwindle/forecast/duty"
)

// dates turns what is left into empty dates, or says why not.
func (p *pass) dates(w *work, sc *scratch) {
	p.visit(w)
	p.planned(w)
	if w.Row.Withheld = p.withheld(w); w.Row.Withheld != "" {
		return
	}
	w.Row.Basis = w.look.model.Rung()
	kind, calibrated := calibration.KindOf(&w.look.model)
	if calibrated {
		w.Row.Calibration = p.opt.Calibration.Version
		w.Row.Basis = p.basis(w.Row.Basis)
	}
	mean, variance := w.track.Estimate.Budget(w.usage.perUnit)
	w.budget = depletion.Budget{Mean: mean, Var: variance}
	ahead, share, loads := p.ahead(w.point.Machine), p.firstShare(), w.look.after
	sc.law = w.look.model.ForecastUntil(sc.law, ahead, share, w.budget, loads...)
	if sc.law.Days() < leastDays {
		sc.law = w.look.model.ForecastInto(sc.law, ahead, share, loads...) // so many are looked at in any case
	}
	curve := p.opt.Calibration.Law(&w.look.model, sc.law, ahead, share, loads...)
	p10, p50, p90 := curve.Range(w.budget)
	for _, q := range []struct {
		days float64
		to   **civil.Date
	}{{p10, &w.Row.EmptyP10}, {p50, &w.Row.EmptyP50}, {p90, &w.Row.EmptyP90}} {
		if math.IsInf(q.days, 1) {
			beyond := p.limits.HorizonDays
			w.Row.BeyondDays = &beyond
			continue
		}
		d := depletion.DateAt(p.today, q.days)
		*q.to = &d
	}
	if w.Row.EmptyP10 != nil {
		before := *w.Row.EmptyP10 - 1
		w.Row.ChangeBefore = &before
	}
	p.actBefore(w, curve)
	p.emptySince(w)
	// After a change that nobody recorded, the plan speaks of another fill.
	if w.Row.EmptyP50 != nil && w.Row.PlannedEmpty != nil && w.Row.LevelRose == nil {
		likely := *w.Row.EmptyP50
		if w.Row.EmptySince != nil {
			likely = *w.Row.EmptySince
		}
		drift := int(likely - *w.Row.PlannedEmpty)
		w.Row.DriftDays = &drift
	}
	if perDay, ok := p.perDay(curve.Mixture, p50); ok {
		w.Row.DutyPerDay = &perDay
	}
	today, budget, model, table := p.today, w.budget, w.look.keep(p.opt.Calibration), p.opt.Calibration
	// Whoever asks later has the curves made anew: a fleet that kept them all
	// would not fit a small machine.
	w.ChanceBefore = func(d civil.Date) float64 {
		law := depletion.Calibrated{Mixture: model.Forecast(ahead, share, loads...)}
		if calibrated {
			law = table.LawOf(kind, model, law.Mixture, ahead, share, loads...)
		}
		return law.Chance(depletion.EndOf(today, d), budget)
	}
	if w.Row.NextVisit != nil {
		chance := curve.Chance(depletion.EndOf(today, *w.Row.NextVisit-1), budget)
		w.Row.ChanceBeforeVisit = &chance
	}
}

// basis names a rung with the calibration, once for all points of a chunk.
func (p *pass) basis(rung string) string {
	name := p.bases[rung]
	if name == "" {
		name = rung + " " + p.opt.Calibration.Version
		p.bases[rung] = name
	}
	return name
}

// leastDays is how many days the expected mean duty is taken over at least:
// today and a week.
const leastDays = 8

// perDay is the expected mean duty over the forecast: to the likely date, but
// over a week at least and within the horizon.
func (p *pass) perDay(curve depletion.Mixture, p50 float64) (float64, bool) {
	n := curve.Days()
	if n < 1 {
		return 0, false
	}
	k := n
	if !math.IsInf(p50, 1) {
		k = min(n, max(leastDays, int(math.Ceil(p50))))
	}
	span := depletion.Elapsed(float64(k), p.firstShare())
	if span <= 0 {
		return 0, false
	}
	return curve.MeanAt(k) / span, true
}

// visit finds the next planned visit after today.
func (p *pass) visit(w *work) {
	area := ""
	if m := p.site.Machine(w.point.Machine); m != nil {
		area = m.Area
	}
	if v, ok := p.site.NextVisit(area, p.today+1); ok {
		w.Row.NextVisit = &v.Date
	}
}

// planned works out the empty date that the plan gives to this fill: plan dose
// x planned duty over the calendar from the fill's start.
func (p *pass) planned(w *work) {
	if w.LastChange == nil || w.capacity <= 0 {
		return
	}
	plan := w.point.Plan
	var budget, perWeek, cap float64
	switch {
	case plan.DoseCM3Per100h > 0 && plan.HoursPerWeek > 0:
		budget, perWeek, cap = w.capacity/plan.DoseCM3Per100h*100, plan.HoursPerWeek, 24
	case plan.DoseCM3PerDay > 0:
		budget, perWeek, cap = w.capacity/plan.DoseCM3PerDay, 7, 1
	default:
		return
	}
	means := p.byPlan(perWeek, cap)
	start := p.site.Today(w.LastChange.At)
	days := p.calendar(w.point.Machine)
	behind, ahead, loads := days.past, days.ahead, &days.loads
	perDay := cap == 1 // whatever the use
	// The first day counts from the hour of the change.
	share := 1.0
	if start >= p.first {
		whole := float64(p.end(start).Sub(p.start(start)))
		share = float64(p.end(start).Sub(w.LastChange.At)) / whole
	}
	for d, i := start, 0; i < p.limits.HorizonDays; d, i = d+1, i+1 {
		t, load := config.Monday, 1.0
		switch {
		case d >= p.first && d <= p.today:
			t, load = behind[p.index(d)], loadAt(loads.before, p.index(d))
		case d > p.today && int(d-p.today) < p.limits.HorizonDays:
			t, load = ahead[d-p.today], loadAt(loads.after, int(d-p.today))
		}
		if perDay {
			load = 1
		}
		if t == config.ShutdownType {
			share = 1
			continue
		}
		if budget -= share * min(cap, load*means[t]); budget <= 1e-9 {
			date := d
			w.Row.PlannedEmpty = &date
			return
		}
		share = 1
	}
}

// byPlan gives the duty of a day of each type that a plan alone expects. Most
// points of a fleet have one of a few plans.
func (p *pass) byPlan(perWeek, maxPerDay float64) *[config.DayTypes]float64 {
	key := [2]float64{perWeek, maxPerDay}
	out := p.plans[key]
	if out == nil {
		out = &[config.DayTypes]float64{}
		model := duty.Rules{MaxPerDay: maxPerDay}.Fit(nil, &duty.Plan{PerWeek: perWeek})
		for t := range out {
			out[t] = model.Day(config.DayType(t))
		}
		p.plans[key] = out
	}
	return out
}

// withheld says in plain words why there is no forecast, and what to do; empty
// if there is one.
func (p *pass) withheld(w *work) string {
	switch {
	case w.LastChange == nil:
		return "no reservoir change recorded yet, so what is left is not known: record it with `dwindle change`"
	case w.capacity <= 0:
		return fmt.Sprintf("the volume put in is not known: record the change with its volume, or name a reservoir with usable_cm3 at point %s", w.point.ID)
	case !w.priced:
		return fmt.Sprintf("no setting of dispenser %s is known: add it under settings: in the site file, or record it with `dwindle commission`", w.Device)
	case rate(w.setting.Setting) <= 0:
		return fmt.Sprintf("dispenser %s is set to zero, so by command nothing goes out: check the setting", w.Device)
	}
	signal := "run signal of machine " + w.usage.device
	if w.usage.kind == reading.Pulse {
		signal = "pulses of dispenser " + w.usage.device
	}
	last, ever := w.lastDuty()
	silent := p.at.Sub(last).Hours() / 24
	if !w.look.known() {
		reason := w.look.model.Reason()
		if w.NewestDuty.IsZero() {
			reason = "no " + signal + " seen yet, and the plan states no expected duty"
		}
		return reason + ": wait for " + signal + ", or state it in the plan (" + p.planKey(w) + ")"
	}
	if silent > silentDays && p.expectsSignal(w) {
		if !ever {
			return fmt.Sprintf("no %s since the fill began %.0f days ago: check the device, its gateway and its topic", signal, silent)
		}
		return fmt.Sprintf("no %s since %s (%.0f days): check the device, its gateway and its topic", signal, last.In(p.site.Location()).Format("2006-01-02"), silent)
	}
	if !w.chargeable() {
		return fmt.Sprintf("for a part of the fill no setting of the dispenser is known: add its valid_from on or before %s", p.site.Today(w.LastChange.At))
	}
	if w.Delivery.Verdict == NotDispensing {
		return "not dispensing, so no empty date by use; " + w.Delivery.Why
	}
	// A factor that cannot be told from nothing gives dates from today to never.
	if f, sd := w.Row.DeliveryFactor, w.Row.DeliveryFactorSD; w.Delivery.Verdict == Under && f != nil && sd != nil && *f < unsureFactors**sd {
		return "delivers little or nothing, and how little cannot be told yet, so no empty date by use; " + w.Delivery.Why
	}
	return ""
}

// unsureFactors is how many standard deviations a factor must lie above zero
// for a date to rest on it: about one chance in forty that it is zero.
const unsureFactors = 2

// expectsSignal says that silence of the duty is a fault, not the plan.
func (p *pass) expectsSignal(w *work) bool {
	if w.usage.kind == reading.Run {
		m := p.site.Machine(w.usage.device)
		return m == nil || m.RunSignal == nil || *m.RunSignal
	}
	// A dispenser that never reported pulses is forecast by its plan.
	return w.pulsesSeen
}

// planKey is the key of the site file that states the expected duty.
func (p *pass) planKey(w *work) string {
	if w.usage.kind == reading.Pulse {
		return "pulses_per_day, or pulses_per_100h with hours_per_week"
	}
	return "hours_per_week"
}
