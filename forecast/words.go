package forecast

import (
	"context"
	"fmt"
	"math"
	"time"

	"dwindle/config"
	"dwindle/forecast/reservoir"
)

// perYear is how many measured levels come a year. Weighings by people count as
// if they were daily, so that three are needed for a verdict: what was weighed,
// and when, has errors of its own that no budget knows of.
func (s *sights) perYear() float64 {
	n := len(s.measured)
	if n < 2 || s.person {
		return 365
	}
	days := s.measured[n-1].at.Sub(s.measured[0].at).Hours() / 24
	if days <= 0 {
		return 365
	}
	return min(max(float64(n-1)/days*365, 52), 365)
}

// signs looks at the levels before and since a judgement's stretch began.
func (w *work) signs(j reservoir.Judgement) reservoir.Signs {
	from := w.track.Began
	if j.From >= 0 && j.From < len(w.track.Steps) {
		from = w.track.Steps[j.From] + 1
	}
	return reservoir.Look(w.track, w.steps, from)
}

// wordsStopped says what a level that stands still may mean: as much as can be
// told, and what cannot.
func (p *pass) wordsStopped(ctx context.Context, w *work, j reservoir.Judgement) string {
	since := w.Delivery.From.In(p.site.Location()).Format("2 Jan")
	moved := fmt.Sprintf("the level has not moved since %s while %.1f cm3 were commanded: ", since, j.Ratio.Commanded)
	s := w.signs(j)
	switch {
	case p.noJump(ctx, w):
		return moved + "the level sensor is stuck, since it did not rise at the change either; whether lubricant goes out cannot be seen until it is mended"
	case s.Still:
		return moved + fmt.Sprintf("stuck level sensor, rather than a blocked line: it repeats one value to the last digit, %d times now, and used to scatter by ± %.1f cm3; whether lubricant goes out cannot be seen", s.Same, s.Noise)
	case s.Alive:
		return moved + "blocked line or stopped drive; a stuck level sensor looks alike, but this one still scatters as before"
	default:
		return moved + "blocked line, stopped drive or stuck level sensor; these look alike from here"
	}
}

// wordsUnder is the same for a level that falls too slowly.
func (p *pass) wordsUnder(ctx context.Context, w *work, j reservoir.Judgement) string {
	since := w.Delivery.From.In(p.site.Location()).Format("2 Jan")
	if j.Ratio.Value >= 0.3 {
		return fmt.Sprintf("since %s %.0f %% of what was commanded went out (± %.0f): partial blockage, stiff grease, air, weak drive, or a sticking level sensor%s",
			since, 100*j.Ratio.Value, 100*j.Ratio.SE, p.settingWords(w, j.Ratio))
	}
	hardly := fmt.Sprintf("the level has hardly moved since %s (%.0f %% of what was commanded, ± %.0f): ", since, math.Max(0, 100*j.Ratio.Value), 100*j.Ratio.SE)
	s := w.signs(j)
	switch {
	case p.noJump(ctx, w):
		return hardly + "the level sensor is stuck, since it did not rise at the change either"
	case s.Still:
		return hardly + "stuck level sensor, rather than a blocked line: it repeats one value to the last digit and used to scatter"
	case s.Alive:
		return hardly + "a blocked line, rather than a stuck level sensor, which would not scatter"
	default:
		return hardly + "a blocked line and a stuck level sensor look alike from here"
	}
}

// wordsOver is the same for a level that falls too fast.
func (p *pass) wordsOver(w *work, j reservoir.Judgement) string {
	since := w.Delivery.From.In(p.site.Location()).Format("2 Jan")
	out := fmt.Sprintf("since %s %.0f %% of what was commanded went out (± %.0f): ", since, 100*j.Ratio.Value, 100*j.Ratio.SE)
	s := w.signs(j)
	if s.Falls() {
		return out + fmt.Sprintf("leak, since the level also fell by %.1f cm3 while nothing was commanded", s.IdleFall)
	}
	return out + "wrong setting, leak, or the level sensor is wrong" + p.settingWords(w, j.Ratio)
}

// noJump says that the level showed before the last reported change what it has
// shown ever since, although it should have risen by far more than its errors.
func (p *pass) noJump(ctx context.Context, w *work) bool {
	list := w.sights.measured
	if w.LastChange == nil || w.capacity <= 0 || len(list) < 2 || !w.began.Equal(w.from) {
		return false
	}
	old, err := p.levels(ctx, w.point, w.from.Add(-4*24*time.Hour), w.from.Add(-time.Nanosecond), w.capacity)
	if err != nil || len(old.measured) == 0 {
		return false
	}
	before := old.measured[len(old.measured)-1]
	due := w.capacity - before.cm3
	if due < 5*math.Hypot(spread(before), w.params.FillSD) || due < 3*before.scale {
		return false
	}
	for _, l := range list {
		if math.Abs(l.cm3-before.cm3) > 3*math.Hypot(spread(l), spread(before)) {
			return false
		}
	}
	return true
}

// settingWords says what counted strokes and the settings of the model let one
// think of a ratio. What a device counts can clear its setting or accuse it; it
// proves nothing about what went out.
func (p *pass) settingWords(w *work, r reservoir.Ratio) string {
	strokes, told := 0.0, 0.0
	for i := range w.cells {
		c := &w.cells[i]
		if c.countedOK < 0.99 || c.known < 0.99 || !c.priced || c.from.Before(w.Delivery.From) {
			continue
		}
		strokes, told = strokes+c.counted, told+c.cm3
	}
	each := w.params.Scatter / 0.01
	if told >= minStrokes*each && each > 0 {
		switch counted := strokes / told; {
		case math.Abs(counted-1) <= settingTolerance:
			return "; it counts its strokes as commanded, so hardly the setting"
		case math.Abs(counted-r.Value) <= math.Max(settingTolerance, 2*r.SE):
			return fmt.Sprintf("; it counts %.0f %% of its strokes as well, so rather another setting or missed pulses than the line", 100*counted)
		}
	}
	if other, ok := p.otherSetting(w, r); ok {
		unit := "cm3 per 100 h"
		if w.setting.Pacing == config.PacingPulse {
			unit = "cm3 per pulse"
		}
		return fmt.Sprintf("; as if it were set to %g instead of %g %s", other, rateOf(w.setting.Setting), unit)
	}
	return ""
}

// otherSetting finds a setting of the dispenser's model that a ratio is as if it
// were set to: within two standard errors and what pumps differ by, and no other
// setting near enough to be meant.
func (p *pass) otherSetting(w *work, r reservoir.Ratio) (float64, bool) {
	if w.device == nil {
		return 0, false
	}
	m := p.site.Model(w.device.Model)
	now := rateOf(w.setting.Setting)
	if m == nil || now <= 0 {
		return 0, false
	}
	list, span := m.RunStepsCM3Per100h, m.RunRangeCM3Per100h
	if w.setting.Pacing == config.PacingPulse {
		list, span = m.PulseStepsCM3, m.PulseRangeCM3
	}
	if len(list) == 0 && span != nil && span.Step > 0 {
		for i := 0; i < 1000 && span.From+float64(i)*span.Step <= span.To*(1+1e-9); i++ {
			list = append(list, span.From+float64(i)*span.Step)
		}
	}
	reach := 2 * math.Hypot(r.SE, priorFactorSD*r.Value)
	found, other := 0, 0.0
	for _, s := range list {
		if math.Abs(s/now-r.Value) <= reach {
			found, other = found+1, s
		}
	}
	return other, found == 1 && math.Abs(other/now-1) > settingTolerance
}

// rateOf is a setting as it is set.
func rateOf(s config.Setting) float64 {
	if s.Pacing == config.PacingPulse {
		return s.CM3PerPulse
	}
	return s.CM3Per100h
}
