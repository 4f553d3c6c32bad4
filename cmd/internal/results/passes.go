package results

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"slices"

	"dwindle/collector/influx/schema"
	"dwindle/collector/journal"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
)

// daysOnce bounds the days of issued forecasts that are handed on in one step. Judgement.
const daysOnce = 7

// forecasts hands on what was issued, as it was issued: today's first, then days
// before it that were not yet.
func (f *Feeder) forecasts(ctx context.Context, site *config.Site, today civil.Date) (more bool, err error) {
	days, err := f.missing(ctx, schema.Forecast, today)
	if err != nil {
		return false, err
	}
	slices.Reverse(days)
	for n, day := range days {
		if n == daysOnce {
			return true, nil
		}
		if day < today-1 && f.room() == 0 {
			return true, nil
		}
		_, body, ok, err := f.opt.Journal.Forecast(ctx, day)
		if err != nil {
			return false, err
		}
		if !ok {
			continue
		}
		err = eachRow(body, func(row forecast.Row) error {
			return f.put(ctx, f.row(schema.Forecast, row, day, site))
		})
		if err == nil {
			err = f.mark(ctx, today, journal.Mark{Measurement: schema.Forecast, Day: day})
		}
		if err != nil {
			return false, err
		}
	}
	return false, nil
}

// missing gives the days of issued forecasts of which nothing was handed on.
func (f *Feeder) missing(ctx context.Context, measurement string, today civil.Date) ([]civil.Date, error) {
	issued, err := f.opt.Journal.ForecastDays(ctx, today-reachDays, today)
	if err != nil {
		return nil, err
	}
	marks, err := f.marks(ctx, measurement, today-reachDays, today)
	if err != nil {
		return nil, err
	}
	done := map[civil.Date]bool{}
	for _, m := range marks {
		done[m.Day] = true
	}
	return slices.DeleteFunc(issued, func(d civil.Date) bool { return done[d] }), nil
}

// missedMost is how many days back delivery is worked out afterwards, with a pass
// for each: so many a stop of the program may well last. Judgement.
const missedMost = 7

// delivery hands on what the first pass of a day said; where the program ended
// between the pass and this, the pass is made again.
func (f *Feeder) delivery(ctx context.Context, site *config.Site, today civil.Date, fleet forecast.Fleet) (more bool, err error) {
	marks, err := f.marks(ctx, schema.Delivery, today-missedMost, today)
	if err != nil {
		return false, err
	}
	if n := len(marks); n > 0 && marks[n-1].Day == today {
		return false, nil
	}
	if len(marks) > 0 {
		days, err := f.missing(ctx, schema.Delivery, today)
		if err != nil {
			return false, err
		}
		for _, day := range days {
			if day <= marks[0].Day || day == today {
				continue
			}
			at, _, ok, err := f.opt.Journal.Forecast(ctx, day)
			if err != nil || !ok {
				return false, err
			}
			past, err := f.opt.Past(ctx, at)
			if err == nil {
				err = f.deliveryOf(ctx, site, day, today, past)
			}
			return true, err // one pass in a step
		}
	}
	return false, f.deliveryOf(ctx, site, today, today, fleet)
}

func (f *Feeder) deliveryOf(ctx context.Context, site *config.Site, day, today civil.Date, fleet forecast.Fleet) error {
	for i := range fleet.States {
		if err := f.put(ctx, f.row(schema.Delivery, fleet.States[i].Delivery, day, site)); err != nil {
			return err
		}
	}
	return f.mark(ctx, today, journal.Mark{Measurement: schema.Delivery, Day: day})
}

// eachRow reads rows of a JSON array one by one: all at once would take many
// times their size.
func eachRow[T any](body []byte, fn func(T) error) error {
	dec := json.NewDecoder(bytes.NewReader(body))
	if _, err := dec.Token(); err != nil {
		return fmt.Errorf("read issued forecasts: %w", err)
	}
	for dec.More() {
		var row T
		if err := dec.Decode(&row); err != nil {
			return fmt.Errorf("read issued forecasts: %w", err)
		}
		if err := fn(row); err != nil {
			return err
		}
	}
	return nil
}
