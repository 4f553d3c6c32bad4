package forecast

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/calibration"
	"dwindle/forecast/duty"
	"dwindle/forecast/virtual"
)

// Explain says in plain lines what the forecast of one point rests on: what is
// assumed, which calendar, which evidence, which numbers.
func Explain(ctx context.Context, site *config.Site, src Source, at time.Time, point string, opt Options) ([]string, error) {
	pt := site.Point(point)
	if pt == nil {
		return nil, fmt.Errorf("forecast: point %q is not in the site file", point)
	}
	all, err := newShared(ctx, site, src, at, opt)
	if err != nil {
		return nil, err
	}
	w, p, err := all.one(ctx, pt)
	if err != nil {
		return nil, err
	}
	if w.deferred {
		if all.spread, err = all.learnPumps(ctx, all.chunks(), func(int, *work) {}); err != nil {
			return nil, err
		}
		p.Close()
		if w, p, err = all.one(ctx, pt); err != nil {
			return nil, err
		}
	}
	defer p.Close()
	e := explainer{p: p, w: w}
	e.fill()
	e.command()
	e.evidence()
	e.use()
	if err := e.calibration(ctx); err != nil {
		return nil, err
	}
	e.result()
	return e.lines, nil
}

// one works out a single point. Close of what it was worked out with must follow.
func (p *shared) one(ctx context.Context, pt *config.Point) (*work, *pass, error) {
	some, err := p.on(ctx, pt)
	if err != nil {
		return nil, nil, fmt.Errorf("forecast of point %s: %w", pt.ID, err)
	}
	w, err := some.point(ctx, pt, &scratch{})
	if err != nil {
		some.Close()
		return nil, nil, fmt.Errorf("forecast of point %s: %w", pt.ID, err)
	}
	return w, some, nil
}

type explainer struct {
	p     *pass
	w     *work
	lines []string
}

func (e *explainer) say(format string, args ...any) {
	e.lines = append(e.lines, fmt.Sprintf(format, args...))
}

func (e *explainer) day(t time.Time) string {
	return t.In(e.p.site.Location()).Format("2006-01-02 15:04")
}

func (e *explainer) fill() {
	w := e.w
	e.say("Point %s on machine %s, dispenser %s, as of %s (%s).", w.Row.Point, w.Row.Machine, orNone(w.Device), e.day(e.p.at), e.p.site.Zone)
	if f := w.LastChange; f != nil {
		how := "the reservoir's usable volume"
		if f.VolumeCM3 != nil {
			how = "as recorded"
		}
		e.say("The fill began on %s (%s, %s) with %.1f cm3 (%s); a new fill scatters by %.1f cm3.", e.day(f.At), f.Kind, reportedBy(f.By), w.capacity, how, w.fillSD)
	}
	if n := len(e.p.records.stints[w.Row.Point]); n > 1 {
		last := e.p.records.stints[w.Row.Point][n-1]
		e.say("The dispenser was swapped; %s is there since %s; what is known of the pump before does not count for it.", orNone(last.device), e.day(last.from))
	}
}

func (e *explainer) command() {
	w := e.w
	if !w.priced {
		return
	}
	from := "register"
	if w.SettingReported {
		from = "reported by the device or found on site"
	}
	unit := "cm3 per 100 h"
	value := w.setting.CM3Per100h
	if w.setting.Pacing == config.PacingPulse {
		unit, value = "cm3 per pulse", w.setting.CM3PerPulse
	}
	e.say("Setting in force: %g %s, %s, since %s.", value, unit, from, e.day(w.setting.since))
	if w.usage.byHours {
		e.say("The dispenser reports no pulses: they are taken from the machine's run-hours at %g pulses per 100 h by plan.", w.point.Plan.PulsesPer100h)
	}
	if w.LastChange == nil {
		return
	}
	var unknown, span float64
	changes := 0
	for i := range w.cells {
		c := &w.cells[i]
		h := c.to.Sub(c.from).Hours()
		span += h
		unknown += h * (1 - c.known)
	}
	if pcs := e.p.records.pieces(e.p.site, w.point.ID, w.from, e.p.at); len(pcs) > 1 {
		changes = len(pcs) - 1
	}
	e.say("Commanded since then: %.1f cm3 (setting x duty, in %d stretches of setting and dispenser).", w.track.Commanded, changes+1)
	if unknown > 1 {
		e.say("Of %.0f h, %.0f h (%.0f %%) were not seen; they count with the duty expected then, and widen the range.", span, unknown, 100*unknown/span)
	}
}

func (e *explainer) evidence() {
	w := e.w
	d := w.Delivery
	switch {
	case doseSeen(w.cells):
		e.say("Evidence: measured doses; what is left follows them.")
	case len(w.sights.measured) > 0:
		l := w.sights.measured[len(w.sights.measured)-1]
		e.say("Evidence: %d measured levels, the newest %.1f cm3 on %s; one reading is good to ± %.1f cm3 (scale %.1f, noise %.1f).", len(w.sights.measured), l.cm3, e.day(l.at), spread(l), l.scale, l.noise)
		if w.track.Gated > 0 {
			e.say("%d levels did not fit and were passed over.", w.track.Gated)
		}
	case w.Row.Evidence == config.EvidenceCounted:
		e.say("Evidence: counted by the device only, so %s.", e.assumed())
	default:
		e.say("Evidence: none, so %s.", e.assumed())
	}
	for _, n := range w.Row.Notices {
		e.say("Note: %s.", n)
	}
	for _, r := range w.track.Rises {
		e.say("Until the level rose, %.1f cm3 were commanded and %.1f went out, %.2f of it; %.1f were left.", r.Commanded, r.Delivered, r.Factor, math.Max(0, r.Residual))
	}
	if d.Ratio != nil {
		e.say("Delivered / commanded from %s to %s: %.2f ± %.2f.", e.day(d.From), e.day(d.To), *d.Ratio, *d.RatioSD)
	}
	e.say("Verdict: %s.", verdictText(d))
	if w.Counted != nil && w.Counted.Why != "" {
		e.say("Counts: %s.", w.Counted.Why)
	}
	if r := w.Row; r.RemainingCM3 != nil {
		e.say("Left: %.1f ± %.1f cm3 of %.1f; delivery factor %.2f ± %.2f.", *r.RemainingCM3, *r.RemainingSDCM3, w.capacity, *r.DeliveryFactor, *r.DeliveryFactorSD)
	}
}

func (e *explainer) use() {
	w, p := e.w, e.p
	unit, _ := e.unit()
	m := w.look.model
	if !w.look.known() {
		e.say("Duty model: none; %s.", m.Reason())
		return
	}
	e.say("Duty model: %s, from %.0f days seen; an ordinary week has %.1f %s a day.", m.Rung(), m.Seen(), m.PerDay(), unit)
	if w := m.Weights(); len(w) > 0 {
		// The few that carry the forecast; the rest would hide them.
		slices.SortStableFunc(w, func(a, b duty.MemberWeight) int { return cmp.Compare(b.Weight, a.Weight) })
		var members []string
		for _, one := range w[:min(4, len(w))] {
			members = append(members, fmt.Sprintf("%s %.0f %%", one.Name, 100*one.Weight))
		}
		e.say("Kind of use: %s. The mixture rests mostly on: %s.", m.Class(), strings.Join(members, "; "))
	}
	line := "By day type:"
	for t, name := range []string{"Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun", "holiday"} {
		line += fmt.Sprintf(" %s %.1f", name, m.Day(config.DayType(t)))
	}
	e.say("%s %s.", line, unit)
	if m.Notice() != "" {
		e.say("Note: %s.", m.Notice())
	}
	if m.Capped() > 0 {
		e.say("%d days claimed more than a day can hold and were cut to 24 h.", m.Capped())
	}
	ahead := p.ahead(w.Row.Machine)
	stops, holidays := 0, 0
	for _, t := range ahead {
		switch t {
		case config.ShutdownType:
			stops++
		case config.HolidayType:
			holidays++
		}
	}
	e.say("Calendar: %d days ahead, with %d shutdown days and %d holidays; %.0f %% of today is left.", len(ahead), stops, holidays, 100*p.firstShare())
	e.patterns()
}

// triedDays is how far back a point's forecasts are tried on its own past.
const triedDays = 182

// calibration says what was learned from the fleet, and how the point's
// forecasts would have done.
func (e *explainer) calibration(ctx context.Context) error {
	w, p := e.w, e.p
	kind, ok := calibration.KindOf(&w.look.model)
	if !w.look.known() || !ok {
		return nil
	}
	t := p.opt.Calibration
	cells := t.Levels[kind]
	rests := "with the program"
	if t.Series > 0 && !strings.HasPrefix(t.Version, "built-in") {
		rests = fmt.Sprintf("from %d test reservoirs on %d machines and controllers of this site, up to %s", t.Cases, t.Series, t.Learned)
	}
	e.say("Calibration %s, learned %s. For this kind of use (%s) P10 and P90 are the model's own %.0f and %.0f %% up to two weeks ahead, %.0f and %.0f %% up to two months, %.0f and %.0f %% beyond.",
		t.Version, rests, calibration.KindName(kind),
		100*cells[0].Low, 100*cells[0].High, 100*cells[1].Low, 100*cells[1].High, 100*cells[2].Low, 100*cells[2].High)
	if s := w.look.model.Stops(); s.Begun > 0 {
		e.say("Unplanned stops: %.1f a year expected, of %.0f days on average.", 365*s.Begun/s.Exposure, s.Length())
	}
	days, err := p.table(ctx, w.usage.source)
	if err != nil {
		return err
	}
	cap := 0.0
	if w.usage.source.kind == reading.Run {
		cap = 24
	}
	history, from := p.historyOf(days, w.Row.Machine)
	scaleDays(history, from, w.look.before)
	s := virtual.Series{Name: w.Row.Point, First: p.first + civil.Date(from), Days: history, MaxPerDay: cap, After: p.ahead(w.Row.Machine), AfterScales: w.look.after}
	tried := t.Try(&s, triedDays)
	if tried.Cases == 0 {
		e.say("Tried on its own past: no test reservoir has ended yet.")
		return nil
	}
	e.say("Tried on its own past: of %d test reservoirs of 10 to 60 days since %s, %d ended within the range (8 of 10 should), %d earlier, %d later; the likely date was off by %.0f %% of the time, as a rule.",
		tried.Cases, tried.Since, tried.Inside, tried.Early, tried.Cases-tried.Inside-tried.Early, 100*tried.Off)
	return nil
}

func (e *explainer) result() {
	r := e.w.Row
	if r.Withheld != "" {
		e.say("No forecast: %s.", r.Withheld)
		return
	}
	b := e.w.budget
	unit, each := e.unit()
	left, until := b.Mean, "until empty"
	if left <= 0 {
		left, until = -left, "since it ran empty"
	}
	e.say("Budget: %.1f ± %.1f %s %s, at %.4g cm3 per %s by command.", left, math.Sqrt(b.Var), unit, until, e.w.usage.perUnit, each)
	date := func(d *civil.Date) string {
		if d == nil {
			return fmt.Sprintf("beyond %d days", e.p.limits.HorizonDays)
		}
		return d.String()
	}
	e.say("Empty: early (P10) %s, likely (P50) %s, late (P90) %s.", date(r.EmptyP10), date(r.EmptyP50), date(r.EmptyP90))
	if r.EmptySince != nil {
		e.say("Empty since about %s, by estimate.", *r.EmptySince)
	}
	e.act()
	if r.PlannedEmpty != nil {
		e.say("By plan dose and planned duty this fill would last until %s.", *r.PlannedEmpty)
	}
	if r.ChanceBeforeVisit != nil {
		e.say("Chance of empty before the visit of %s: %.1f %%.", *r.NextVisit, 100**r.ChanceBeforeVisit)
	}
}

// act says by when to act, and at which visit.
func (e *explainer) act() {
	r, p := e.w.Row, e.p
	if r.ActChance == nil {
		return
	}
	m := p.site.Machine(r.Machine)
	by := fmt.Sprintf("no day within %d days", p.limits.HorizonDays)
	if r.ActBefore != nil {
		by = r.ActBefore.String()
		if *r.ActBefore < p.today {
			by = "now"
		}
	}
	e.say("Act by: %s. Running dry is held to cost %g times what a change too early does, so up to %.3g %% chance of running dry is accepted (limits: dry_cost_ratio).", by, dryCost(p.limits, m), 100**r.ActChance)
	if r.ActBefore == nil || *r.ActBefore < p.today || r.NextVisit == nil || m == nil {
		return
	}
	if *r.NextVisit > *r.ActBefore {
		e.say("No visit is planned between today and that date; the next is on %s.", *r.NextVisit)
		return
	}
	last := *r.NextVisit
	for {
		v, ok := p.site.NextVisit(m.Area, last+1)
		if !ok || v.Date > *r.ActBefore {
			break
		}
		last = v.Date
	}
	e.say("The last planned visit up to then is that of %s.", last)
}

func orNone(s string) string {
	if s == "" {
		return "(none)"
	}
	return s
}

// reportedBy says who recorded a fact.
func reportedBy(who string) string {
	if who == "" {
		return "reported by the device"
	}
	return "by " + who
}

// unit is that of the point's duty, in the plural and in the singular.
func (e *explainer) unit() (many, one string) {
	if e.w.usage.kind == reading.Pulse {
		return "pulses", "pulse"
	}
	return "h", "h"
}

// assumed says what is taken of the delivery factor where nothing is measured.
func (e *explainer) assumed() string {
	if c := e.w.params.Carried; c != nil {
		return fmt.Sprintf("delivery is taken as in the fill before, %.2f of the command", c.Factor)
	}
	if e.p.spread == nil {
		return "nothing is assumed of delivery"
	}
	return e.p.spread.say()
}

// verdictText is a verdict in words, with its reason.
func verdictText(d Delivery) string {
	words := map[Verdict]string{
		AsPlanned: "delivers as planned", Under: "delivers too little", Over: "delivers too much",
		NotDispensing: "not dispensing", NotObservable: "delivery cannot be seen", TooEarly: "too early to say",
	}[d.Verdict]
	if words == "" {
		words = string(d.Verdict)
	}
	if d.Why != "" {
		words += ": " + d.Why
	}
	return words
}
