package alerts

import (
	"context"
	"fmt"
	"math"
	"time"

	"dwindle/alerts/alarm"
	"dwindle/config"
	"dwindle/config/civil"
)

// noVisitDays stands for the next visit where no round goes to a point.
const noVisitDays = 14

// emptyBeforeVisit: the chance that the reservoir is empty before the next
// visit. Points without any level sensor are judged by their dead reckoning.
func (e *evaluation) emptyBeforeVisit(ctx context.Context, s *subject) (alarm.Observation, error) {
	o := alarm.Observation{Episode: s.episode}
	chance, ok := e.chance(s)
	if !ok {
		return o, nil
	}
	fresh, err := e.fresh(ctx, s)
	if err != nil || !fresh {
		// Silence has its own alarm, whose priority knows the empty date.
		return o, err
	}
	limit := e.limits.EmptyChance
	if s.criticality == config.CriticalityA {
		limit = e.limits.EmptyChanceCriticalA
	}
	left := time.Duration(math.MaxInt64)
	if s.Row.EmptyP10 != nil {
		o.Seen.ActBy = s.Row.EmptyP10.Start(e.site.Location())
		left = o.Seen.ActBy.Sub(e.at)
	}
	o.Seen.Value, o.Seen.Limit, o.Seen.Unit = rounded(chance), limit, "1"
	priority, asks := alarm.ByTime(s.criticality, left)
	switch {
	case chance >= limit && asks:
		o.Says = alarm.Set
	case chance < limit/2:
		o.Says = alarm.Clear
	default:
		// In the band, or so far off that it is work for the planner.
		o.Says = alarm.Between
	}
	reason := fmt.Sprintf("criticality %s, %s to the early empty date", s.criticality, alarm.Left(left))
	if chance >= 0.5 && asks {
		priority = priority.Up()
		reason += fmt.Sprintf("; one step up for a chance of %s", percent(chance))
	}
	o.Priority, o.Seen.PriorityReason = priority, string(priority)+": "+reason
	o.Immediate = s.Row.Evidence == config.EvidenceMeasured && s.Row.RemainingCM3 != nil && *s.Row.RemainingCM3 <= 0
	return o, nil
}

// chance is that of being empty before the next visit, or within noVisitDays
// where there is none.
func (e *evaluation) chance(s *subject) (float64, bool) {
	switch {
	case s.Row.Withheld != "":
		return 0, false
	case s.Row.ChanceBeforeVisit != nil:
		return *s.Row.ChanceBeforeVisit, true
	case s.Row.NextVisit == nil && s.ChanceBefore != nil:
		return s.ChanceBefore(e.today + noVisitDays), true
	}
	return 0, false
}

// fresh says that the forecast's newest reading is young enough to raise an
// alarm on. Where the register expects no run signal, the plan is all there
// is, and it does not age.
func (e *evaluation) fresh(ctx context.Context, s *subject) (bool, error) {
	newest := later(s.NewestDuty, s.NewestLevel)
	device := s.Row.Machine
	if s.Row.Pacing == config.PacingPulse {
		device = s.Device
	} else if s.machine != nil && s.machine.RunSignal != nil && !*s.machine.RunSignal && newest.IsZero() {
		return true, nil
	}
	if newest.IsZero() {
		return false, nil
	}
	age := e.at.Sub(newest)
	if age <= e.limits.SilenceMin {
		return true, nil
	}
	q, err := e.silence(ctx, device, time.Time{})
	return err == nil && age <= q.limit, err
}

// emptyDateDrifts: the likely date came before the plan, and the plan left the
// range. One occurrence per fill. A date later than planned asks nobody to act
// in time: nothing runs dry by it, and a machine that runs less than planned is
// its usual reason. It is planned work (see planned), not an alarm.
func (e *evaluation) emptyDateDrifts(_ context.Context, s *subject) (alarm.Observation, error) {
	o := alarm.Observation{Episode: s.episode, Priority: alarm.Low}
	r := &s.Row
	drift, limit, ok := e.drift(s)
	if !ok {
		return o, nil
	}
	o.Seen.Value, o.Seen.Limit, o.Seen.Unit = drift, -math.Round(limit), "d"
	switch {
	case drift < -limit && r.EmptyP90 != nil && *r.PlannedEmpty > *r.EmptyP90:
		o.Says = alarm.Set
	case drift >= -limit/2:
		o.Says = alarm.Clear
	default:
		o.Says = alarm.Between
	}
	o.Seen.PriorityReason = "low: plans are wrong, nothing runs dry by that alone"
	return o, nil
}

// drift gives how many days the likely date lies after the plan (negative:
// before it) and from how many days on that matters. ok is false where either
// date is missing.
func (e *evaluation) drift(s *subject) (days, limit float64, ok bool) {
	r := &s.Row
	if r.Withheld != "" || r.DriftDays == nil || r.PlannedEmpty == nil || r.EmptyP10 == nil || r.EmptyP50 == nil {
		return 0, 0, false
	}
	limit = float64(e.limits.DriftDays)
	if r.FillStarted != nil {
		life := float64(*r.PlannedEmpty - civil.Of(*r.FillStarted, e.site.Location()))
		limit = max(limit, life*e.limits.DriftPercent/100)
	}
	return float64(*r.DriftDays), limit, true
}

// runWithoutDose: the machine ran for several dose intervals and nothing was
// counted.
func (e *evaluation) runWithoutDose(ctx context.Context, s *subject) (alarm.Observation, error) {
	o := alarm.Observation{Episode: s.Device}
	if s.RunHoursSinceDose == nil || s.DoseIntervalHours == nil || *s.DoseIntervalHours <= 0 {
		return o, nil
	}
	hours, interval := *s.RunHoursSinceDose, *s.DoseIntervalHours
	limit := e.limits.MissedDoses * interval
	if hours > limit {
		// What went out since the last report of either side has not been heard
		// of yet: so many run-hours without a counted dose prove nothing.
		for _, device := range []string{s.Device, s.Row.Machine} {
			q, err := e.silence(ctx, device, time.Time{})
			if err != nil {
				return o, err
			}
			limit += q.every.Hours()
		}
	}
	o.Seen.Value, o.Seen.Limit, o.Seen.Unit = rounded(hours), rounded(limit), "h"
	switch {
	case hours > limit:
		o.Says = alarm.Set
	case hours <= max(interval, limit/2):
		o.Says = alarm.Clear
	default:
		o.Says = alarm.Between
	}
	o.Priority, o.Seen.PriorityReason = byCriticality(s.criticality)
	return o, nil
}

// settingDiffers: what the dispenser is set to is not what the register says,
// by its own report, or by what it counts.
func (e *evaluation) settingDiffers(_ context.Context, s *subject) (alarm.Observation, error) {
	o := alarm.Observation{Episode: s.Device}
	limit := e.limits.SettingPercent
	var off float64
	switch {
	case s.SettingReported && s.Setting != nil && s.Registered != nil:
		off = settingOff(*s.Setting, *s.Registered)
	case s.Counted != nil && s.Counted.ExpectedPulses > 0:
		off = 100 * (s.Counted.CountedPulses/s.Counted.ExpectedPulses - 1)
		if !s.Counted.SettingSuspect {
			off = 0 // within what a count can tell
		}
	default:
		return o, nil
	}
	o.Seen.Value, o.Seen.Limit, o.Seen.Unit = rounded(off), math.Copysign(limit, off), "%"
	o.Says = alarm.Clear
	if math.Abs(off) > limit {
		o.Says = alarm.Set
	}
	o.Priority, o.Seen.PriorityReason = alarm.Low, fmt.Sprintf("low: the dose is off by at most %s %%", number(e.limits.SettingMediumPercent))
	if math.Abs(off) > e.limits.SettingMediumPercent {
		o.Priority, o.Seen.PriorityReason = alarm.Medium, fmt.Sprintf("medium: the dose is off by more than %s %%", number(e.limits.SettingMediumPercent))
	}
	return o, nil
}

// settingOff is how far a setting is from the registered one, in percent. A
// pacing that differs cannot be compared and counts as all wrong.
func settingOff(is, want config.Setting) float64 {
	a, b := is.CM3Per100h, want.CM3Per100h
	if want.Pacing == config.PacingPulse {
		a, b = is.CM3PerPulse, want.CM3PerPulse
	}
	if is.Pacing != want.Pacing || b <= 0 {
		return 100
	}
	return 100 * (a/b - 1)
}

func byCriticality(c config.Criticality) (alarm.Priority, string) {
	if c == config.CriticalityA {
		return alarm.High, "high: criticality A"
	}
	return alarm.Medium, "medium: criticality " + string(c)
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}
