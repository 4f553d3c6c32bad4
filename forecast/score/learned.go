package score

import (
	"context"
	"fmt"
	"slices"

	"dwindle/config/civil"
	"dwindle/forecast/calibration"
	"dwindle/forecast/internal/parallel"
)

// dwindle is the ladder that the product uses, with the calibration that comes
// with the program, or with those that it learned from the set: one per
// [renewal] days and half of the series, each from the reservoirs of the other
// half that had ended by then. So no series calibrates itself, and nothing
// knows the future.
type dwindle struct {
	since  civil.Date
	folds  int
	tables [][]*calibration.Table // by fold, then by renewal
}

const (
	// renewal is how often a calibration is learned anew, in days.
	renewal = 7
	// twoFolds is from how many series two halves are enough: fewer series are
	// split more finely, so that more of them teach.
	twoFolds = 40
	mostFold = 3
)

func (dwindle) Name() string { return "dwindle" }

// Learn learns the tables of all folds and renewals.
func (dwindle) Learn(ctx context.Context, series []Series, o Options) (Forecaster, error) {
	first, last := originDates(series, o)
	d := dwindle{since: first, folds: 2}
	if n := len(series); n < twoFolds {
		d.folds = max(1, min(n, mostFold))
	}
	d.tables = make([][]*calibration.Table, d.folds)
	for fold := range d.tables {
		var others []Series
		for i := range series {
			if i%d.folds != fold {
				others = append(others, series[i])
			}
		}
		record, err := calibration.Run(ctx, others, calibration.Options{Workers: o.Workers})
		if err != nil {
			return nil, fmt.Errorf("calibrating: %w", err)
		}
		d.tables[fold] = make([]*calibration.Table, (last-first)/renewal+1)
		err = parallel.Do(ctx, len(d.tables[fold]), o.Workers, func(k int) {
			d.tables[fold][k] = record.Learn(first+civil.Date(k)*renewal, calibration.Builtin())
		})
		if err != nil {
			return nil, fmt.Errorf("calibrating: %w", err)
		}
	}
	return d, nil
}

// originDates are the first and the last day on which a forecast is made.
func originDates(series []Series, o Options) (first, last civil.Date) {
	var all []civil.Date
	for i := range series {
		s := &series[i]
		if s.Origin > 0 {
			all = append(all, s.First+civil.Date(s.Origin))
			continue
		}
		end := len(s.Days) - 1
		if o.Last > 0 {
			end = min(end, o.Last)
		}
		if end >= o.First {
			all = append(all, s.First+civil.Date(o.First), s.First+civil.Date(end))
		}
	}
	if len(all) == 0 {
		return 0, 0
	}
	return slices.Min(all), slices.Max(all)
}

// table is the calibration in force at a case.
func (d dwindle) table(p Past) *calibration.Table {
	if d.tables == nil {
		return calibration.Builtin()
	}
	k := min(max(0, int(p.Today-d.since)/renewal), len(d.tables[0])-1)
	return d.tables[p.Series%d.folds][k]
}

func (d dwindle) Fit(p Past) func(float64) Law {
	t := d.table(p)
	m := t.Rules(p.MaxPerDay).Fit(p.Days, p.Plan)
	return lasting(t.Law(&m, m.Forecast(p.Ahead, 1, p.Scales...), p.Ahead, 1, p.Scales...))
}
