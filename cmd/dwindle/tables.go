package main

import (
	"context"
	"strconv"
	"strings"
	"time"

	"dwindle/alerts/alarm"
	"dwindle/cmd/internal/station"
	"dwindle/collector/reading"
	"dwindle/forecast"
	"dwindle/forecast/export"
)

// write writes the table into the sink.
func (x exporter) write() error {
	past := x.view.History.AsOf(x.at)
	switch {
	case x.by != "" && x.table.Name == "usage":
		return rows(x, func(put func(export.UsagePeriod) error) error {
			return forecast.UsageBy(x.ctx, x.site, past, x.by, x.first, x.last, put, x.only.point)
		})
	case x.by != "":
		return rows(x, func(put func(export.DeliveryPeriod) error) error {
			return forecast.DeliveryBy(x.ctx, x.site, past, x.by, x.first, x.last, x.at, put, x.only.point)
		})
	}
	switch x.table.Name {
	case "readings":
		return rows(x, x.readings)
	case "usage":
		return rows(x, func(put func(export.Usage) error) error {
			return forecast.Usage(x.ctx, x.site, past, x.first, x.last, put, x.only.point)
		})
	case "machines":
		return rows(x, func(put func(export.MachineDay) error) error {
			return forecast.MachineDays(x.ctx, x.site, past, x.first, x.last, put, x.only.machine)
		})
	case "trends":
		return rows(x, func(put func(export.Trend) error) error {
			trends, err := forecast.Trends(x.ctx, x.site, past, x.first, x.last, x.only.point)
			return each(trends, err, func(t export.Trend) error {
				if !x.whole(t) {
					return nil
				}
				return put(t)
			})
		})
	case "forecasts":
		return rows(x, func(put func(forecastAt) error) error {
			return x.fleet(func(s forecast.State) error { return put(forecastAt{s.Row, x.at, x.zone()}) })
		})
	case "delivery":
		return rows(x, func(put func(forecast.Delivery) error) error {
			return x.fleet(func(s forecast.State) error { return put(s.Delivery) })
		})
	case "alarms":
		return rows(x, x.alarms)
	}
	return rows(x, x.changes)
}

// whole says that a trend is of all the points that it has to be of.
func (x exporter) whole(t export.Trend) bool {
	switch t.Group {
	case "point":
		return true
	case "machine":
		return x.only.points == nil
	case "area":
		return x.only.points == nil && x.only.machines == nil
	}
	return x.only.all()
}

// rows writes a table of one row type.
func rows[T any](x exporter, fill func(put func(T) error) error) error {
	t := export.New[T](x.sink, x.table)
	if err := fill(t.Write); err != nil {
		return err
	}
	return t.Close()
}

func each[T any](list []T, err error, put func(T) error) error {
	for i := 0; err == nil && i < len(list); i++ {
		err = put(list[i])
	}
	return err
}

// holds says that an instant lies in the window.
func (x exporter) holds(t time.Time) bool { return !t.Before(x.from) && t.Before(x.to) }

func (x exporter) readings(put func(export.Reading) error) error {
	if oldest, err := x.view.Journal.OldestReadings(x.ctx); err == nil && x.from.Before(oldest) {
		x.warn("readings of before %s are not kept any more, of some devices at least; their days are: dwindle export usage, machines", siteTime(x.site, oldest))
	}
	places, err := x.places()
	if err != nil {
		return err
	}
	where := located{site: x.site, places: places}
	read := func(ctx context.Context, put func(reading.Reading) error) error {
		if x.only.all() {
			return x.view.History.Readings(ctx, nil, before(x.from), before(x.to), put)
		}
		for _, s := range x.only.stretches(places, x.from, x.to) {
			if err := x.view.History.Readings(ctx, []string{s.device}, before(s.from), before(s.to), put); err != nil {
				return err
			}
		}
		return nil
	}
	return piped(x.ctx, read, func(r reading.Reading) error {
		row := export.ReadingOf(r)
		row.Point, row.Machine, row.Area = where.at(r.Device, r.At)
		return put(row)
	})
}

// before is the last millisecond before an instant: stores ask for what is after
// one and up to another, tables for what is from one on and before another.
func before(t time.Time) time.Time {
	if t.IsZero() {
		return t
	}
	return t.Add(-time.Millisecond)
}

func (x exporter) places() (*forecast.Places, error) {
	return forecast.NewPlaces(x.ctx, x.site, x.view.History, x.at)
}

// forecastAt is a forecast in a flat table, which has to say of when it is.
type forecastAt struct {
	forecast.Row
	At   time.Time `json:"at"`
	Zone string    `json:"zone"`
}

func (x exporter) fleet(put func(forecast.State) error) error {
	defer station.Sparing()()
	table, err := x.calibration(x.view, x.at)
	if err != nil {
		return err
	}
	past, done := x.view.History.Pin(x.ctx)
	defer done()
	fleet, err := forecast.Pass(x.ctx, x.site, past, x.at, forecast.Options{Calibration: table})
	return each(fleet.States, err, func(s forecast.State) error {
		if !x.only.pointID(s.Row.Point) {
			return nil
		}
		return put(s)
	})
}

// alarms writes the occurrences that began in the window.
func (x exporter) alarms(put func(alarmRow) error) error {
	places, err := x.places()
	if err != nil {
		return err
	}
	list, err := x.view.AlarmRows(x.ctx, true)
	return each(list, err, func(r alarm.Row) error {
		if !x.holds(r.Since) || !x.concerns(places, r) {
			return nil
		}
		return put(alarmRowOf(r))
	})
}

// concerns says whether an alarm is about something chosen.
func (x exporter) concerns(places *forecast.Places, r alarm.Row) bool {
	switch {
	case x.only.all():
		return true
	case r.Point != "":
		return x.only.pointID(r.Point)
	case r.Device != "":
		return x.only.device(places, r.Device, r.Since)
	case r.Machine != "":
		return x.only.machine(x.site.Machine(r.Machine))
	}
	return r.Gateway != "" && x.only.gateway(x.site.Gateway(r.Gateway))
}

// alarmRow is an alarm in a flat table: the response in one cell.
type alarmRow struct {
	ID             string     `json:"id"`
	Type           string     `json:"type"`
	Point          string     `json:"point"`
	Device         string     `json:"device"`
	Gateway        string     `json:"gateway"`
	State          string     `json:"state"`
	Priority       string     `json:"priority"`
	Since          time.Time  `json:"since"`
	Ended          *time.Time `json:"ended"`
	Value          *float64   `json:"value"`
	Limit          *float64   `json:"limit"`
	Unit           string     `json:"unit"`
	Cause          string     `json:"cause"`
	Consequence    string     `json:"consequence"`
	Response       string     `json:"response"`
	Owner          string     `json:"owner"`
	AcknowledgedBy string     `json:"acknowledged_by"`
	ShelvedUntil   *time.Time `json:"shelved_until"`
	Part           string     `json:"part"` // of the collector
	Machine        string     `json:"machine"`
}

func alarmRowOf(r alarm.Row) alarmRow {
	out := alarmRow{
		ID: r.ID, Type: string(r.Type), Point: r.Point, Device: r.Device, Gateway: r.Gateway, State: string(r.State),
		Priority: string(r.Priority), Since: r.Since, Ended: r.Ended, Unit: r.Unit,
		Cause: r.Cause, Consequence: r.Consequence, Response: numbered(r.Response), Owner: r.Owner,
		AcknowledgedBy: r.AcknowledgedBy, ShelvedUntil: r.ShelvedUntil, Part: r.Part, Machine: r.Machine,
	}
	if r.Unit != "" {
		out.Value, out.Limit = &r.Value, &r.Limit
	}
	return out
}

func numbered(steps []string) string {
	var b strings.Builder
	for i, s := range steps {
		if i > 0 {
			b.WriteByte(' ')
		}
		b.WriteString("(" + strconv.Itoa(i+1) + ") " + s)
	}
	return b.String()
}

// changeRow is a dated fact in a flat table.
type changeRow struct {
	ID          string    `json:"id"`
	Kind        string    `json:"kind"`
	Point       string    `json:"point"`
	Device      string    `json:"device"`
	At          time.Time `json:"at"`
	Received    time.Time `json:"received"`
	By          string    `json:"by"`
	Note        string    `json:"note"`
	Corrects    string    `json:"corrects"`
	VolumeCM3   *float64  `json:"volume_cm3"`
	ResidualCM3 *float64  `json:"residual_cm3"`
	ResidualG   *float64  `json:"residual_g"`
	Item        string    `json:"item"`
	Batch       string    `json:"batch"`
	Serial      string    `json:"serial"`
	OldDevice   string    `json:"old_device"`
	Pacing      string    `json:"pacing"`
	CM3Per100h  *float64  `json:"cm3_per_100h"`
	CM3PerPulse *float64  `json:"cm3_per_pulse"`
	CM3         *float64  `json:"cm3"`
	Grams       *float64  `json:"grams"`
	CountLeft   *int64    `json:"count_left"`
	Faults      []string  `json:"faults"`
	Accepted    *bool     `json:"accepted"`
	Reason      string    `json:"reason"`
}

func changeRowOf(f reading.Fact) changeRow {
	if f.Kind == reading.FactFaults && f.Faults == nil {
		f.Faults = []string{} // the device said that it has none
	}
	return changeRow{
		f.ID, string(f.Kind), f.Point, f.Device, f.At, f.Received, f.By, f.Note, f.Corrects,
		f.VolumeCM3, f.ResidualCM3, f.ResidualG, f.Item, f.Batch, f.Serial, f.OldDevice,
		f.Pacing, f.CM3Per100h, f.CM3PerPulse, f.CM3, f.Grams, f.CountLeft, f.Faults, f.Accepted, f.Reason,
	}
}

// changes writes the dated facts as they are known now: a correction counts,
// whenever it was made.
func (x exporter) changes(put func(changeRow) error) error {
	places, err := x.places()
	if err != nil {
		return err
	}
	facts, err := x.view.History.Facts(x.ctx, x.at)
	return each(facts, err, func(f reading.Fact) error {
		if f.Point == "" {
			f.Point = places.At(f.Device, f.At)
		}
		if !x.holds(f.At) || !x.only.fact(places, f) {
			return nil
		}
		return put(changeRowOf(f))
	})
}
