package score

import (
	"context"
	"math/rand/v2"

	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/duty"
)

// Past is all that a forecaster may know at a day.
type Past struct {
	Series    int              // index of the series in its set
	Today     civil.Date       // the day to forecast from, the first of Ahead
	Days      []duty.Day       // oldest first, up to yesterday
	Ahead     []config.DayType // the calendar from today to the horizon
	Scales    []float32        // use of these days relative to ordinary ones, as the calendar has it
	Plan      *duty.Plan
	MaxPerDay float64
	Random    *rand.Rand // seeded by the case, for methods that draw
}

// Forecaster is one way to forecast the time at which a budget is used up.
type Forecaster interface {
	Name() string
	// Fit looks at the past and returns a function from budget to the law of
	// the time that it lasts. It must give one for any past that has
	// [duty.MinDays] seen days and some use in the last 28; it returns nil
	// only where what it needs (a plan) does not exist. It is called from
	// several goroutines at once.
	Fit(Past) func(budget float64) Law
}

// Learner is a forecaster that learns from a whole set before it is scored on
// it. [Backtest] calls Learn once per set, before the first case, with the
// options' defaults filled in, and scores the forecaster that comes back under
// the learner's name. That forecaster may only use, at a case, what was known
// on Past.Today.
type Learner interface {
	Forecaster
	Learn(ctx context.Context, series []Series, o Options) (Forecaster, error)
}

// Calibrated is a forecaster whose laws were recalibrated on what came true
// before; it says which version of that it uses.
type Calibrated interface{ Calibration() string }

// Forecasters lists all in the order of the table: ours, then the baselines.
func Forecasters() []Forecaster {
	return []Forecaster{
		dwindle{}, plan{}, last28{}, line{}, dayTypes{}, bootstrap{}, walk{}, smoothing{}, lastWeek{},
	}
}

// plan is the plan alone: its hours spread over all days that are not
// shutdowns, with the width that the plan rung states.
type plan struct{}

func (plan) Name() string { return "plan" }

func (plan) Fit(p Past) func(float64) Law {
	if p.Plan == nil {
		return nil
	}
	m := duty.Rules{MaxPerDay: p.MaxPerDay}.Fit(nil, p.Plan)
	return lasting(m.Forecast(p.Ahead, 1, p.Scales...))
}
