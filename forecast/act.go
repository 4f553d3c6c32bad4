package forecast

import (
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/depletion"
)

// accepted is the chance of running dry that costs accept, where running dry
// costs ratio times what a change too early does.
//
// Waiting for the next opportunity costs the chance p of running dry until then
// times the cost of it; acting now costs 1 - p times that of a change too
// early. So one acts where p is above early / (early + dry), the critical ratio
// of the one-period inventory problem (K. J. Arrow, T. Harris, J. Marschak,
// Optimal Inventory Policy, Econometrica 19, 1951, 250-272, cited from memory).
func accepted(ratio float64) float64 { return 1 / (1 + ratio) }

// dryCost is what running dry costs at a machine, in costs of a change too
// early. A machine of criticality A counts no less than the others.
func dryCost(l config.Limits, m *config.Machine) float64 {
	ratio := l.DryCostRatio
	if m != nil && m.Criticality == config.CriticalityA {
		ratio = max(ratio, l.DryCostRatioA)
	}
	return ratio
}

// actBefore sets the date to act by: the day before the one on which the chance
// of being empty passes what is accepted; none where that is beyond the horizon.
func (p *pass) actBefore(w *work, law depletion.Law) {
	level := accepted(dryCost(p.limits, p.site.Machine(w.point.Machine)))
	w.Row.ActChance = &level
	if t, ok := law.Quantile(level, w.budget); ok {
		d := depletion.DateAt(p.today, t) - 1
		w.Row.ActBefore = &d
	}
}

// emptySince works out about when a reservoir that is empty by estimate ran
// dry: back from now along what was commanded, at the factor now believed.
func (p *pass) emptySince(w *work) {
	e := w.track.Estimate
	if w.budget.Mean > 0 {
		return
	}
	day, missing := p.today, -e.Remaining
	for i := len(w.cells) - 1; i >= 0; i-- {
		c := &w.cells[i]
		day = c.date
		if missing -= c.cm3 * max(e.Factor, 0); missing <= 0 && c.cm3 > 0 {
			break
		}
	}
	w.Row.EmptySince = &day
}

// ActBy is the date to act by: by the site's costs where they are known, else
// the contract's.
func (r *Row) ActBy() *civil.Date {
	if r.ActChance == nil {
		return r.ChangeBefore
	}
	return r.ActBefore
}
