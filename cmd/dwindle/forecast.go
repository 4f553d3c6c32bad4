package main

import (
	"fmt"
	"time"

	"dwindle/cmd/internal/report"
	"dwindle/cmd/internal/station"
	"dwindle/cmd/internal/text"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
)

type forecastCmd struct {
	viewFlags
	Explain string `placeholder:"POINT" help:"Say what the forecast of one point rests on."`
	Before  string `placeholder:"DATE" help:"Give the chance that each reservoir is empty before this date."`
}

// forecastResult is the JSON of the verb.
type forecastResult struct {
	Site      string        `json:"site"`
	At        time.Time     `json:"at"`
	Zone      string        `json:"zone"`
	Before    *civil.Date   `json:"before,omitempty"` // the date asked for
	Forecasts []forecastRow `json:"forecasts"`
}

// forecastRow is a row with the chance of being empty before the date asked for.
type forecastRow struct {
	forecast.Row
	ChanceBefore *float64 `json:"chance_before,omitempty"`
}

// Run prints when each reservoir will be empty.
func (c forecastCmd) Run(e *env) error {
	site, view, at, err := c.open(e)
	if err != nil {
		return err
	}
	defer view.Close()
	table, err := e.calibration(view, at)
	if err != nil {
		return err
	}
	opt := forecast.Options{Calibration: table}
	if c.Explain != "" {
		return c.explain(e, site, view.History, at, opt)
	}
	before, err := c.before(site, at)
	if err != nil {
		return err
	}
	defer station.Sparing()()
	past, done := view.History.Pin(e.ctx)
	defer done()
	fleet, err := forecast.Pass(e.ctx, site, past, at, opt)
	if err != nil {
		return err
	}
	if c.JSON {
		out := forecastResult{Site: site.ID, At: at, Zone: site.Zone, Before: before, Forecasts: []forecastRow{}}
		for _, s := range fleet.States {
			row := forecastRow{Row: s.Row}
			if before != nil && s.ChanceBefore != nil {
				p := s.ChanceBefore(*before - 1)
				row.ChanceBefore = &p
			}
			out.Forecasts = append(out.Forecasts, row)
		}
		return writeJSON(e.out, out)
	}
	width := text.Width(e.out)
	fmt.Fprintf(e.out, "%s, %s (%s)\n\n", site.Name, siteTime(site, at), site.Zone)
	return report.FleetBefore(e.out, width, site, fleet, before)
}

// before reads the date asked for; chances are known from tomorrow on, up to
// the horizon.
func (c forecastCmd) before(site *config.Site, at time.Time) (*civil.Date, error) {
	if c.Before == "" {
		return nil, nil
	}
	d, err := civil.Parse(c.Before)
	if err != nil {
		return nil, &usageError{fmt.Sprintf("--before %q: want a date such as 2026-12-24", c.Before)}
	}
	if today := site.Today(at); d <= today || int(d-today) > site.Limits.HorizonDays {
		return nil, &usageError{fmt.Sprintf("--before %s: want a date from %s to %s", d, today+1, today+civil.Date(site.Limits.HorizonDays))}
	}
	return &d, nil
}

func (c forecastCmd) explain(e *env, site *config.Site, src forecast.Source, at time.Time, opt forecast.Options) error {
	if site.Point(c.Explain) == nil {
		return fmt.Errorf("point %q is not in %s", c.Explain, c.Config)
	}
	lines, err := forecast.Explain(e.ctx, site, src, at, c.Explain, opt)
	if err != nil {
		return err
	}
	for _, l := range lines {
		if err := text.Paragraph(e.out, text.Width(e.out), "", l); err != nil {
			return err
		}
	}
	return nil
}
