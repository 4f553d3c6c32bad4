package forecast

import (
	"context"
	"fmt"
	"math"
	"time"

	"dwindle/config"
	"dwindle/forecast/reservoir"
)

// minDays is the least length of a window that gets a verdict of "as planned",
// in days: shorter ones rest on one or two levels.
const minDays = 3

// delivery compares planned, commanded and delivered volume and judges.
func (p *pass) delivery(ctx context.Context, w *work) error {
	d := &w.Delivery
	d.To = p.at
	d.From = p.at.AddDate(0, 0, -p.opt.WindowDays)
	if w.began.After(d.From) {
		d.From = w.began
	}
	switch {
	case !w.priced:
		d.Verdict, d.Why = NotObservable, "no setting of the dispenser is known, so what was commanded is not known either"
	case doseSeen(w.cells):
		p.byDose(ctx, w)
	case len(w.sights.measured) > 0 || w.track.Kept:
		p.byLevel(ctx, w)
		w.deviations = p.deviations(w)
		w.restart, w.fine = p.restart(w), w.sights.scale <= finest*w.sights.noise
	case d.Evidence == config.EvidenceCounted:
		d.Verdict, d.Why = NotObservable, "only counts by the device itself: they agree with the command even when nothing comes out, so they cannot prove delivery"
	default:
		d.Verdict, d.Why = NotObservable, "no measured level or dose: what really goes out cannot be seen from here"
	}
	if w.priced {
		cm3, known := commanded(w.cells, d.From, d.To)
		if known > 0 || w.look.known() {
			d.CommandedCM3 = &cm3
		}
		if d.Ratio != nil {
			out := *d.Ratio * cm3
			d.DeliveredCM3 = &out
		}
	}
	plan, err := p.plannedVolume(ctx, w, d.From, d.To)
	if err != nil {
		return err
	}
	d.PlannedCM3 = plan
	basis := d.DeliveredCM3
	if basis == nil {
		basis = d.CommandedCM3
	}
	if plan != nil && *plan > 0 && basis != nil {
		r := *basis / *plan
		d.PlanRatio = &r
	}
	return nil
}

// byLevel judges by measured levels.
func (p *pass) byLevel(ctx context.Context, w *work) {
	d := &w.Delivery
	t := w.track
	n := len(t.Readings)
	if n == 0 && !t.Kept {
		d.Verdict, d.Why = TooEarly, "no measured level since the reservoir was changed that could be believed"
		return
	}
	when := func(i int) time.Time { return w.times[t.Steps[i]] }
	from := 0
	for from < n-1 && when(from).Before(d.From) {
		from++
	}
	lim := w.params.Limits
	j := reservoir.Judge(t, from)
	start := w.began
	if w.sights.person && !j.OK && w.LastChange != nil && w.capacity > 0 {
		// One or two weighings: against the fresh fill.
		j = reservoir.FromFill(w.params, t.Readings[n-1], w.sights.scale, w.sights.noise)
	} else if j.OK && j.From >= 0 {
		start = when(j.From)
	}
	if j.Kept {
		p.kept(w, j)
		return
	}
	if j.OK && j.Ratio.Commanded > 0 {
		d.From, d.To = start, when(n-1)
		r, sd := j.Ratio.Value, j.Ratio.SE
		d.Ratio, d.RatioSD = &r, &sd
	}
	j.Leak = p.leak(w)
	w.judgement, w.PossibleLeak = j, j.Leak
	days := d.To.Sub(d.From).Hours() / 24
	switch {
	case j.Leak:
		d.Verdict = Over
		d.Why = "the level fell within a day by more than three times the planned day's volume and more than three steps of the scale: possible leak, or the level sensor is wrong"
	case j.NotDispensing:
		d.Verdict, d.Why = NotDispensing, p.wordsStopped(ctx, w, j)
	case j.Under:
		d.Verdict, d.Why = Under, p.wordsUnder(ctx, w, j)
	case j.Over:
		d.Verdict, d.Why = Over, p.wordsOver(w, j)
	case !j.OK || !j.Settled || days < minDays:
		d.Verdict = TooEarly
		d.Why = "too little was commanded since the change for the resolution of the level"
	case j.Ratio.Value <= lim.Under || j.Ratio.Value >= lim.Over:
		d.Verdict = TooEarly
		d.Why = fmt.Sprintf("ratio %.2f ± %.2f: not yet certain", j.Ratio.Value, j.Ratio.SE)
	default:
		d.Verdict = AsPlanned
	}
	if d.Verdict != NotDispensing && d.Verdict != TooEarly && p.at.Sub(d.To) > 7*24*time.Hour {
		d.Why = joinWhy(d.Why, "newest level is of "+d.To.In(p.site.Location()).Format("2 Jan"))
	}
}

// kept says that the verdict of the fill before stands.
func (p *pass) kept(w *work, j reservoir.Judgement) {
	d := &w.Delivery
	r, sd := math.Max(0, j.Ratio.Value), j.Ratio.SE
	d.From, d.To, d.Ratio, d.RatioSD = w.began, p.at, &r, &sd
	what := ""
	switch {
	case j.NotDispensing:
		d.Verdict, what = NotDispensing, "nothing went out"
	case j.Under:
		d.Verdict, what = Under, fmt.Sprintf("only %.0f %% of what was commanded went out (± %.0f)", 100*r, 100*sd)
	default:
		d.Verdict, what = Over, fmt.Sprintf("%.0f %% of what was commanded went out (± %.0f)", 100*r, 100*sd)
	}
	d.Why = fmt.Sprintf("%s since before the change on %s, and the new fill has not shown otherwise yet", what, w.began.In(p.site.Location()).Format("2 Jan"))
	w.judgement = j
}

func joinWhy(a, b string) string {
	if a == "" {
		return b
	}
	return a + "; " + b
}

// leak looks at the last two levels, not more than a day and a half apart.
func (p *pass) leak(w *work) bool {
	t := w.track
	n := len(w.sights.measured)
	if n < 2 || len(t.Readings) == 0 || w.sights.person {
		return false
	}
	a, b := w.sights.measured[n-2], w.sights.measured[n-1]
	gap := b.at.Sub(a.at)
	if gap > 36*time.Hour || p.at.Sub(b.at) > 48*time.Hour || gap <= 0 {
		return false
	}
	fall := a.cm3 - b.cm3
	daily := p.plannedPerDay(w)
	commandedCM3, _ := commanded(w.cells, a.at, b.at)
	plan := math.Max(daily*gap.Hours()/24, commandedCM3)
	return plan > 0 && fall > 3*plan && fall > 3*math.Max(a.scale, b.scale) && fall > 6*math.Max(a.noise, b.noise)
}

// plannedPerDay is the plan's mean volume a day, 0 where the plan does not say.
func (p *pass) plannedPerDay(w *work) float64 {
	plan := w.point.Plan
	if plan.DoseCM3PerDay > 0 {
		return plan.DoseCM3PerDay
	}
	return plan.DoseCM3Per100h / 100 * plan.HoursPerWeek / 7
}

// byDose judges by a measured dose channel: what was measured to go out against
// what was commanded while both were known. It is followed as a reservoir that
// falls by each measured dose, read to a dose.
func (p *pass) byDose(ctx context.Context, w *work) {
	d := &w.Delivery
	each := w.params.Scatter / 0.01 // dose volume at a scatter of 10 %
	info := channelOf(w.device)
	params := reservoir.Params{
		Capacity: math.Max(w.capacity, 100), FillSD: each / 2, Scatter: w.params.Scatter,
		FactorSD: priorFactorSD, Limits: w.params.Limits,
	}
	var list []reservoir.Step
	var times []time.Time
	left := params.Capacity
	for i := range w.cells {
		c := &w.cells[i]
		if c.doseKnown <= 0 || c.known <= 0 {
			continue
		}
		left -= c.dose
		list = append(list, reservoir.Step{
			Commanded: c.cm3 * c.doseKnown, Unknown: c.variance, HasLevel: true, Level: left,
			Scale: math.Max(each, info.StepCM3), Noise: math.Max(0.1*each, info.SDCM3),
		})
		times = append(times, c.to)
	}
	t := reservoir.Follow(params, list)
	from := 0
	for from < len(list) && times[from].Before(d.From) {
		from++
	}
	j := reservoir.Judge(t, 0)
	bad := j.Under || j.Over || j.NotDispensing
	if bad {
		from = 0
		if j.From >= 0 {
			from = t.Steps[j.From] + 1
			d.From = times[from-1]
		} else if len(w.cells) > 0 {
			d.From = w.cells[0].from
		}
	}
	var dose, told float64
	for i := from; i < len(list); i++ {
		dose += params.Capacity - list[i].Level
		if i > 0 {
			dose -= params.Capacity - list[i-1].Level
		}
		told += list[i].Commanded
	}
	if n := len(list); n > 0 {
		d.To = times[n-1]
	}
	if !bad && (told < 5*each || d.To.Sub(d.From).Hours()/24 < minDays) || told <= 0 {
		d.Verdict, d.Why = TooEarly, "too little was commanded since the change to compare measured doses"
		return
	}
	r := dose / told
	// Two percent for the meter (common practice), the scatter of doses, and one
	// dose at either end.
	se := math.Sqrt(0.02*0.02*r*r + w.params.Scatter/told + math.Pow(each/told, 2)/6)
	d.Ratio, d.RatioSD = &r, &se
	j.Ratio = reservoir.Ratio{Value: r, SE: se, Commanded: told, Readings: len(list) - from}
	since := d.From.In(p.site.Location()).Format("2 Jan")
	switch {
	case j.NotDispensing:
		d.Verdict, d.Why = NotDispensing, fmt.Sprintf("next to nothing was measured to go out since %s while %.1f cm3 were commanded: blocked line, stopped drive or failed flow sensor", since, told)
	case j.Under:
		d.Verdict, d.Why = Under, fmt.Sprintf("since %s %.0f %% of what was commanded was measured to go out (± %.0f): partial blockage, stiff grease, weak drive, or wrong setting%s", since, 100*r, 100*se, p.settingWords(w, j.Ratio))
	case j.Over:
		d.Verdict, d.Why = Over, fmt.Sprintf("since %s %.0f %% of what was commanded was measured to go out (± %.0f): wrong setting or leak%s", since, 100*r, 100*se, p.settingWords(w, j.Ratio))
	default:
		d.Verdict = AsPlanned
	}
	p.against(ctx, w)
}

// against says where a measured level contradicts the measured doses.
func (p *pass) against(ctx context.Context, w *work) {
	d := &w.Delivery
	t := w.track
	if len(t.Readings) < 4 {
		return
	}
	j := reservoir.Judge(t, 0)
	falls := j.OK && j.Settled && !j.Under && !j.Over && !j.NotDispensing
	switch {
	case (j.NotDispensing || j.Under && j.Ratio.Value < stuckRatio) && d.Verdict == AsPlanned:
		d.Why = joinWhy(d.Why, "the level hardly falls although doses are measured to go out: the level sensor is stuck, or the dose sensor counts what does not come out")
	case falls && d.Verdict == NotDispensing:
		d.Why = joinWhy(d.Why, "the level falls as commanded although no doses are measured: rather the dose sensor has failed")
	}
}

// stuckRatio is the ratio below which a level counts as standing still beside
// doses that are measured.
const stuckRatio = 0.3
