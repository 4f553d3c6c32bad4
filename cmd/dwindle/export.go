package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"time"

	"dwindle/alerts/alarm"
	"dwindle/cmd/internal/station"
	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
	"dwindle/forecast/export"
)

type exportCmd struct {
	siteFlag
	What   string `arg:"" enum:"readings,usage,machines,trends,forecasts,delivery,alarms,changes" help:"Which table: ${enum}."`
	Format string `enum:"csv,jsonl" default:"csv" help:"csv or jsonl (JSON Lines)."`
	From   moment `placeholder:"TIME" help:"Only from this date or time on."`
	To     moment `placeholder:"TIME" help:"Only up to this date or time."`
	At     moment `placeholder:"TIME" help:"As if now were this time."`
	Out    string `short:"o" placeholder:"FILE" help:"Write to a file. Default: standard output."`
}

// exporter is what writing one table needs.
type exporter struct {
	*env
	site        *config.Site
	view        *station.View
	out         io.Writer
	format      export.Format
	from, to    time.Time
	first, last civil.Date
	at          time.Time
}

// Run writes one table.
func (c exportCmd) Run(e *env) (err error) {
	site, view, at, err := viewFlags{siteFlag: c.siteFlag, At: c.At}.open(e)
	if err != nil {
		return err
	}
	defer view.Close()
	x := exporter{env: e, site: site, view: view, at: at, out: e.out, to: at}
	if x.format, err = export.ParseFormat(c.Format); err != nil {
		return err
	}
	if c.From != "" {
		if x.from, err = c.From.in(site.Location(), e.now); err != nil {
			return err
		}
	}
	if c.To != "" {
		if x.to, err = c.To.in(site.Location(), e.now); err != nil {
			return err
		}
	}
	if !x.from.Before(x.to) {
		return &usageError{"--from must lie before --to and before now"}
	}
	if x.first, x.last = site.Today(x.from), site.Today(x.to); x.from.IsZero() {
		x.first = earliest
	}
	if c.Out != "" {
		f, err := os.Create(c.Out)
		if err != nil {
			return fmt.Errorf("export: %w", err)
		}
		defer func() { err = errors.Join(err, f.Close()) }()
		x.out = f
	}
	buf := bufio.NewWriterSize(x.out, 256<<10)
	x.out = buf
	if err := x.table(c.What); err != nil {
		return fmt.Errorf("export %s: %w", c.What, err)
	}
	return buf.Flush()
}

// earliest is the first day that the intake takes for a plausible time.
var earliest = civil.New(2020, time.January, 1)

func (x exporter) table(what string) error {
	switch what {
	case "readings":
		if oldest, err := x.view.Journal.OldestReadings(x.ctx); err == nil && x.from.Before(oldest) {
			x.warn("readings of before %s are not kept any more, of some devices at least; their days are: dwindle export usage, machines", siteTime(x.site, oldest))
		}
		return rows(x, func(put func(export.Reading) error) error {
			return x.view.History.Readings(x.ctx, nil, x.from, x.to, func(r reading.Reading) error { return put(export.ReadingOf(r)) })
		})
	case "usage":
		return rows(x, func(put func(export.Usage) error) error {
			return forecast.Usage(x.ctx, x.site, x.view.History, x.first, x.last, put)
		})
	case "machines":
		return rows(x, func(put func(export.MachineDay) error) error {
			return forecast.MachineDays(x.ctx, x.site, x.view.History, x.first, x.last, put)
		})
	case "trends":
		return rows(x, func(put func(export.Trend) error) error {
			trends, err := forecast.Trends(x.ctx, x.site, x.view.History, x.first, x.last)
			return each(trends, err, put)
		})
	case "forecasts":
		return rows(x, func(put func(forecast.Row) error) error {
			return x.fleet(func(s forecast.State) error { return put(s.Row) })
		})
	case "delivery":
		return rows(x, func(put func(forecast.Delivery) error) error {
			return x.fleet(func(s forecast.State) error { return put(s.Delivery) })
		})
	case "alarms":
		return rows(x, func(put func(alarmRow) error) error {
			list, err := x.view.AlarmRows(x.ctx, true)
			return each(list, err, func(r alarm.Row) error {
				if r.Since.Before(x.from) || r.Since.After(x.to) {
					return nil
				}
				return put(alarmRowOf(r))
			})
		})
	}
	return x.changes()
}

// rows writes a table of one row type.
func rows[T any](x exporter, fill func(put func(T) error) error) error {
	t := export.New[T](x.out, x.format)
	return errors.Join(fill(t.Write), t.Close())
}

func each[T any](list []T, err error, put func(T) error) error {
	for i := 0; err == nil && i < len(list); i++ {
		err = put(list[i])
	}
	return err
}

func (x exporter) fleet(put func(forecast.State) error) error {
	defer station.Sparing()()
	table, err := x.calibration(x.view, x.at)
	if err != nil {
		return err
	}
	fleet, err := forecast.Pass(x.ctx, x.site, x.view.History, x.at, forecast.Options{Calibration: table})
	return each(fleet.States, err, put)
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
	Value          float64    `json:"value"`
	Limit          float64    `json:"limit"`
	Unit           string     `json:"unit"`
	Cause          string     `json:"cause"`
	Consequence    string     `json:"consequence"`
	Response       string     `json:"response"`
	Owner          string     `json:"owner"`
	AcknowledgedBy string     `json:"acknowledged_by"`
	ShelvedUntil   *time.Time `json:"shelved_until"`
	Part           string     `json:"part"` // of the collector
}

func alarmRowOf(r alarm.Row) alarmRow {
	return alarmRow{
		ID: r.ID, Type: string(r.Type), Point: r.Point, Device: r.Device, Gateway: r.Gateway, State: string(r.State),
		Priority: string(r.Priority), Since: r.Since, Ended: r.Ended, Value: r.Value, Limit: r.Limit, Unit: r.Unit,
		Cause: r.Cause, Consequence: r.Consequence, Response: numbered(r.Response), Owner: r.Owner,
		AcknowledgedBy: r.AcknowledgedBy, ShelvedUntil: r.ShelvedUntil, Part: r.Part,
	}
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

// changes writes all dated facts, the corrected ones too: what was entered
// stays readable.
func (x exporter) changes() error {
	t := export.NewTable(x.out, x.format, "id", "kind", "point", "device", "at", "received", "by", "note", "corrects",
		"volume_cm3", "residual_cm3", "residual_g", "item", "batch", "serial", "old_device",
		"pacing", "cm3_per_100h", "cm3_per_pulse", "cm3", "grams", "count_left", "faults", "accepted", "reason")
	facts, err := x.view.Journal.Facts(x.ctx, x.to)
	err = each(facts, err, func(f reading.Fact) error {
		if f.At.Before(x.from) {
			return nil
		}
		return t.Row(f.ID, string(f.Kind), f.Point, f.Device, f.At, f.Received, f.By, f.Note, f.Corrects,
			f.VolumeCM3, f.ResidualCM3, f.ResidualG, f.Item, f.Batch, f.Serial, f.OldDevice,
			f.Pacing, f.CM3Per100h, f.CM3PerPulse, f.CM3, f.Grams, f.CountLeft, f.Faults, f.Accepted, f.Reason)
	})
	return errors.Join(err, t.Close())
}
