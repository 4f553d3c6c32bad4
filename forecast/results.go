// Package forecast turns the journal and the register into what is left in
// each reservoir and until when: one pass over the fleet, journal in,
// forecasts out.
//
// It reads through [Source], which the collector provides, and hands
// [Fleet] to alerts and cmd. Maths is in its pure sub-packages (duty,
// depletion, reservoir, trend). Start with [Pass].
package forecast

import (
	"context"
	"time"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
)

// Source is what a pass reads: the observed past up to an instant. All
// methods are safe for concurrent use and read only.
type Source interface {
	// Days gives the daily figures of a device for kind Run (h, a machine),
	// Pulse (pulses, a dispenser) or Dose (cm3, a dispenser), from the first
	// to the last date, both included, in order. Days with nothing known are
	// left out.
	Days(ctx context.Context, device string, kind reading.Kind, first, last civil.Date) ([]reading.Day, error)
	// Amount gives what was counted between two instants, exact to the
	// reporting interval at both ends.
	Amount(ctx context.Context, device string, kind reading.Kind, from, to time.Time) (reading.Amount, error)
	// Levels gives the last valid level reading of each civil day and
	// quantity in [from, to], in time order.
	Levels(ctx context.Context, device string, from, to time.Time) ([]reading.Sample, error)
	// Facts gives all dated facts at or before an instant in time order,
	// corrections applied (a corrected fact is left out, its replacement in).
	Facts(ctx context.Context, until time.Time) ([]reading.Fact, error)
	// LastSeen gives the time of a device's newest live reading at or before
	// an instant (retained replays do not count) and its learned reporting
	// interval, 0 where not yet learned. ok is false if it never reported.
	LastSeen(ctx context.Context, device string, until time.Time) (seen time.Time, every time.Duration, ok bool, err error)
}

// Batcher is a Source that can read ahead for a few devices at once. What it
// then says is the same; a fleet takes a fraction of the time.
type Batcher interface {
	Batch(ctx context.Context, devices []string) (reading.Batch, error)
}

// Row is the forecast of one point: the fields of `forecast --json`. Pointers
// are nil where a value does not exist; Withheld then says why there is no
// forecast.
type Row struct {
	Point     string        `json:"point"`
	Machine   string        `json:"machine"`
	Dispenser string        `json:"dispenser,omitempty"`
	Pacing    config.Pacing `json:"pacing,omitempty"`

	FillStarted    *time.Time `json:"fill_started,omitempty"`
	CapacityCM3    *float64   `json:"capacity_cm3,omitempty"` // usable volume put in
	RemainingCM3   *float64   `json:"remaining_cm3,omitempty"`
	RemainingSDCM3 *float64   `json:"remaining_sd_cm3,omitempty"`
	CountLeft      *int64     `json:"count_left,omitempty"`
	DutyPerDay     *float64   `json:"duty_per_day,omitempty"` // h/day or pulses/day

	DeliveryFactor   *float64        `json:"delivery_factor,omitempty"`
	DeliveryFactorSD *float64        `json:"delivery_factor_sd,omitempty"`
	Evidence         config.Evidence `json:"evidence"`

	EmptyP10     *civil.Date `json:"empty_p10,omitempty"`
	EmptyP50     *civil.Date `json:"empty_p50,omitempty"`
	EmptyP90     *civil.Date `json:"empty_p90,omitempty"`
	BeyondDays   *int        `json:"beyond_days,omitempty"` // set when a quantile lies beyond the horizon
	ChangeBefore *civil.Date `json:"change_before,omitempty"`
	PlannedEmpty *civil.Date `json:"planned_empty,omitempty"`
	DriftDays    *int        `json:"drift_days,omitempty"` // likely minus planned

	ChanceBeforeVisit *float64    `json:"chance_before_visit,omitempty"`
	NextVisit         *civil.Date `json:"next_visit,omitempty"`

	Basis    string `json:"basis,omitempty"` // plan, daytypes or mixture, and the calibration's version
	Withheld string `json:"withheld,omitempty"`

	// ActBefore is the last day before the chance of running dry passes
	// ActChance, which is what the site's costs accept.
	ActBefore *civil.Date `json:"act_before,omitempty"`
	ActChance *float64    `json:"act_chance,omitempty"`
	// EmptySince is about when the reservoir ran empty, by estimate, where it
	// has.
	EmptySince *civil.Date `json:"empty_since,omitempty"`
	// LevelRose is when the level was first seen to have risen without a
	// recorded change, the newest such time of the fill, and LevelRoseCM3 to
	// what. The forecast goes on from there; the fill stays the recorded one.
	LevelRose    *time.Time `json:"level_rose,omitempty"`
	LevelRoseCM3 *float64   `json:"level_rose_cm3,omitempty"`
	// Notices say what else one must know to use the figures, and what to do.
	Notices []string `json:"notices,omitempty"`
	// Calibration is the version of the calibration that made the range, empty
	// on the plan rung, which has none.
	Calibration string `json:"calibration,omitempty"`
}

// Verdict is what the comparison of delivery with plan says.
type Verdict string

// The verdicts.
const (
	AsPlanned     Verdict = "as_planned"
	Under         Verdict = "under"
	Over          Verdict = "over"
	NotDispensing Verdict = "not_dispensing"
	NotObservable Verdict = "not_observable"
	TooEarly      Verdict = "too_early"
)

// Delivery compares planned, commanded and delivered volume of one point over
// a window: the fields of `delivery --json`.
type Delivery struct {
	Point        string          `json:"point"`
	From         time.Time       `json:"from"`
	To           time.Time       `json:"to"`
	PlannedCM3   *float64        `json:"planned_cm3,omitempty"`
	CommandedCM3 *float64        `json:"commanded_cm3,omitempty"`
	DeliveredCM3 *float64        `json:"delivered_cm3,omitempty"`
	Ratio        *float64        `json:"ratio,omitempty"`
	RatioSD      *float64        `json:"ratio_sd,omitempty"`
	PlanRatio    *float64        `json:"plan_ratio,omitempty"`
	Evidence     config.Evidence `json:"evidence"`
	Verdict      Verdict         `json:"verdict"`
	// Why explains the verdict in plain words, with what cannot be told apart.
	Why string `json:"why,omitempty"`
}

// Counted compares what a device counts itself with what it was told: it can
// prove missed pulses or a wrong setting, never delivery.
type Counted struct {
	ExpectedPulses float64 // from plan or command over the window
	CountedPulses  float64
	MissedPulses   float64
	// SettingSuspect says that counted strokes x stroke volume differ from
	// the register's setting x duty beyond tolerance.
	SettingSuspect bool
	Why            string
}

// State is all that one pass knows of one point.
type State struct {
	Row      Row
	Delivery Delivery // over the current window
	Counted  *Counted // nil where nothing is counted

	// PossibleLeak says that the level fell within a day by more than three
	// times the planned volume and more than three steps of its scale.
	PossibleLeak bool

	// Device is the dispenser now at the point, after swaps.
	Device string
	// Setting in force (reported one first, else the register's) and the
	// register's own, for comparison.
	Setting         *config.Setting
	SettingReported bool
	SettingSince    time.Time
	Registered      *config.Setting
	// InCommissioning is true until the point was accepted or the
	// commissioning days are over.
	InCommissioning bool
	// LastChange is when the fill began, by whom reported.
	LastChange *reading.Fact
	// RunHoursSinceDose is the machine's run-hours since the last counted
	// dose or stroke, nil where doses are not reported or hours unknown.
	RunHoursSinceDose *float64
	// DoseIntervalHours is the run-hours between doses by plan, nil if unknown.
	DoseIntervalHours *float64
	// NewestDuty and NewestLevel are the times of the newest readings that fed
	// the forecast, zero if none.
	NewestDuty, NewestLevel time.Time
	// ChanceBefore gives P(empty on or before the end of a date), nil when
	// withheld.
	ChanceBefore func(civil.Date) float64

	deviations []float32 // see pass.deviations
	// restart is the index of the first of them since the fill began or delivery
	// was back to usual, 0 where that was before; fine says that they do not
	// depend on each other, because the scale is not coarse.
	restart int
	fine    bool
}

// Fleet is the result of one pass, points in register order.
type Fleet struct {
	Site   string
	Zone   string
	At     time.Time
	States []State
	// Shared is what the points of an area have in common, areas in register
	// order; empty as a rule.
	Shared []Shared
}
