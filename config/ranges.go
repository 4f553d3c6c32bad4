package config

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"dwindle/config/civil"
	"dwindle/config/mapping"
	"dwindle/config/unit"
)

// Dates outside this span are mistyped: the first is before any dispenser
// that reports, the last beyond any plan.
var (
	firstDate = civil.New(1990, time.January, 1)
	lastDate  = civil.New(2199, time.December, 31)
)

// span is what a value may be; time spans are in nanoseconds. The sane ranges
// are wide: they catch slips of a unit or of the decimal point, not taste.
type span struct {
	min, max float64
	above    bool // min itself is refused
	given    bool
}

func within(low, high float64) span { return span{min: low, max: high, given: true} }
func above(low, high float64) span  { return span{min: low, max: high, above: true, given: true} }
func lasting(low, high time.Duration) span {
	return span{min: float64(low), max: float64(high), given: true}
}

const (
	day       = 24 * time.Hour
	maxRate   = 1000 // cm3 per 100 h: more empties the largest reservoir in four days
	maxDose   = 100  // cm3 per pulse or stroke
	maxPulses = 1e6
	minLoad   = 0.01
	maxLoad   = 10
)

// ranges holds the allowed values by struct and key; for a list those of its
// entries.
var ranges = map[string]span{
	"Machine.every":   lasting(time.Second, 31*day),
	"Dispenser.every": lasting(time.Second, 31*day),

	"Lubricant.density_g_per_cm3": within(unit.MinDensityGPerCM3, unit.MaxDensityGPerCM3),
	"Lubricant.lowest_temp_c":     within(-80, 250),
	"Lubricant.shelf_life_months": within(1, 240),

	// The usual sizes of exchangeable containers; common practice.
	"Reservoir.nominal_cm3":     within(10, 1000),
	"Reservoir.usable_cm3":      above(0, 1000),
	"Reservoir.fill_sd_percent": above(0, 30),
	"Reservoir.tare_g":          above(0, 10_000),
	"Reservoir.max_stay_months": within(1, 120),

	"DispenserModel.run_steps_cm3_per_100h": above(0, maxRate),
	"DispenserModel.pulse_steps_cm3":        above(0, maxDose),
	"DispenserModel.cm3_per_stroke":         above(0, maxDose),
	"DispenserModel.stroke_sd_percent":      above(0, 100),
	"Range.from":                            above(0, maxRate),
	"Range.to":                              above(0, maxRate),
	"Range.step":                            above(0, maxRate),

	"Point.sequence":         within(0, 1e6),
	"Plan.dose_cm3_per_100h": above(0, maxRate),
	"Plan.dose_cm3_per_day":  above(0, 1000),
	"Plan.tolerance_percent": within(1, 100),
	"Plan.hours_per_week":    above(0, 168),
	"Plan.pulses_per_100h":   above(0, maxPulses),
	"Plan.pulses_per_day":    above(0, maxPulses),

	"Setting.cm3_per_100h":     above(0, maxRate),
	"Setting.cm3_per_pulse":    above(0, maxDose),
	"ChannelInfo.step_percent": above(0, 100),
	"ChannelInfo.step_cm3":     above(0, 1000),
	"ChannelInfo.sd_cm3":       above(0, 1000),

	// Ten times the ordinary is beyond any plan: a machine that is used that
	// little has no ordinary use. A hundredth is a stop.
	"WorkPattern.load":           within(minLoad, maxLoad),
	"WorkPattern.hours_per_week": above(0, 168),

	"Round.every_weeks": within(1, 520),

	"Limits.empty_chance":              within(0.01, 0.99),
	"Limits.empty_chance_critical_a":   within(0.01, 0.99),
	"Limits.dry_cost_ratio":            within(1, 999),
	"Limits.dry_cost_ratio_critical_a": within(1, 999),
	"Limits.drift_days":                within(1, 365),
	"Limits.drift_percent":             within(1, 100),
	"Limits.under_ratio":               within(0.05, 0.99),
	"Limits.under_ratio_clear":         within(0.05, 1),
	"Limits.over_ratio":                within(1.01, 10),
	"Limits.over_ratio_clear":          within(1, 10),
	"Limits.not_dispensing_ratio":      within(0.01, 0.9),
	"Limits.missed_doses":              within(1, 1000),
	"Limits.silence_intervals":         within(1, 1000),
	"Limits.silence_min":               lasting(time.Minute, 31*day),
	"Limits.gateway_devices":           within(1, 100_000),
	"Limits.gateway_percent":           within(1, 100),
	"Limits.setting_percent":           within(0.01, 100),
	"Limits.setting_medium_percent":    within(0.1, 1000),
	"Limits.commissioning_days":        within(1, 365),
	"Limits.settle_after_change":       lasting(time.Minute, 31*day),
	"Limits.horizon_days":              within(30, 3650),

	"Intake.queue":           within(1, 1e6),
	"Intake.batch":           within(1, 1e5),
	"Intake.linger":          lasting(0, time.Hour),
	"Intake.raw_mb":          within(0, 1e6),
	"Intake.disk_mb_per_day": within(0, 1e9),

	"Sparkplug.reorder": lasting(time.Second, 30*time.Second),

	"Snapshots.every":     lasting(time.Hour, 366*day),
	"Snapshots.daily_mb":  within(1, 1e6),
	"Snapshots.keep":      within(0, 100),
	"Influx.batch_rows":   within(1, 100_000),
	"Influx.batch_bytes":  within(10_000, 25_000_000),
	"Influx.every":        lasting(100*time.Millisecond, time.Hour),
	"Influx.retention":    lasting(0, 100*366*day),
	"Influx.backlog_days": within(1, 100_000),

	"Keep.readings_days": within(leastReadingsDays, 100_000),
}

// leastReadingsDays is ten weeks: late messages are derived exactly for five,
// and readings leave in steps of four.
const leastReadingsDays = 70

// AlarmTypes are the alarms that a role can own.
var AlarmTypes = []string{
	"empty_before_visit", "empty_date_drifts", "under_delivery", "over_delivery",
	"run_without_dose", "no_telemetry", "gateway_silent", "setting_differs",
	"collector_trouble", "doubtful_data",
}

// words holds the allowed words by struct and key; for a list those of its
// entries.
var words = map[string][]string{
	"Machine.criticality":   {string(CriticalityA), string(CriticalityB), string(CriticalityC)},
	"DispenserModel.pacing": {string(PacingRun), string(PacingPulse)},
	"Setting.pacing":        {string(PacingRun), string(PacingPulse)},
	"ChannelInfo.kind":      {"level", "dose"},
	"ChannelInfo.evidence":  {string(EvidenceMeasured), string(EvidenceCounted), string(EvidenceNone)},
	"Role.alarms":           AlarmTypes,
	"Stores.journal":        {string(StoreEmbedded), string(StoreInflux)},
	"Mapping.form":          mapping.Forms,
	"Mapping.decimal":       {"point", "comma"},
	"MappedValue.as":        mapping.FieldNames(),
	"MappedTime.unit":       {"s", "ms", "us", "ns"},
}

// vet checks a decoded value against the tables; what is empty when it passes.
func vet(key string, v reflect.Value) (what, remedy string) {
	if allowed, ok := words[key]; ok && !slices.Contains(allowed, v.String()) {
		return fmt.Sprintf("%q is not one of the words known here", shorten(v.String())), "one of " + strings.Join(allowed, ", ")
	}
	r, ok := ranges[key]
	if !ok {
		return "", ""
	}
	x, text := 0.0, func(x float64) string { return number(x) }
	switch {
	case v.Type() == typeDuration:
		x, text = float64(v.Int()), func(x float64) string { return spanText(time.Duration(x)) }
	case v.Kind() == reflect.Int:
		x = float64(v.Int())
	default:
		x = v.Float()
	}
	if x > r.min && x <= r.max || x == r.min && !r.above {
		return "", ""
	}
	if r.above {
		return text(x) + " is outside the sane range", fmt.Sprintf("a value above %s, at most %s", text(r.min), text(r.max))
	}
	return text(x) + " is outside the sane range", fmt.Sprintf("a value from %s to %s", text(r.min), text(r.max))
}

// number writes a value as a person would.
func number(x float64) string {
	if math.Abs(x) >= 1e15 {
		return strconv.FormatFloat(x, 'g', 6, 64)
	}
	return strconv.FormatFloat(x, 'f', -1, 64)
}

// spanText writes 1h instead of 1h0m0s.
func spanText(d time.Duration) string {
	text := d.String()
	if strings.HasSuffix(text, "m0s") {
		text = strings.TrimSuffix(text, "0s")
	}
	if strings.HasSuffix(text, "h0m") {
		text = strings.TrimSuffix(text, "0m")
	}
	return text
}
