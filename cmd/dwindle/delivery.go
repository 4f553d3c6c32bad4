package main

import (
	"fmt"

	"dwindle/cmd/internal/report"
	"dwindle/cmd/internal/station"
	"dwindle/cmd/internal/text"
	"dwindle/forecast"
)

type deliveryCmd struct {
	viewFlags
	Days int `default:"28" help:"Length of the window, back from now."`
}

// Run compares planned, commanded and delivered volume.
func (c deliveryCmd) Run(e *env) error {
	if c.Days < 1 {
		return &usageError{"--days: want at least 1"}
	}
	site, view, at, err := c.open(e)
	if err != nil {
		return err
	}
	defer view.Close()
	table, err := e.calibration(view, at)
	if err != nil {
		return err
	}
	defer station.Sparing()()
	past, done := view.History.Pin(e.ctx)
	defer done()
	fleet, err := forecast.Pass(e.ctx, site, past, at, forecast.Options{WindowDays: c.Days, Calibration: table})
	if err != nil {
		return err
	}
	rows := []forecast.Delivery{}
	for _, s := range fleet.States {
		rows = append(rows, s.Delivery)
	}
	if c.JSON {
		return writeJSON(e.out, rows)
	}
	fmt.Fprintf(e.out, "%s, %s (%s)\n\n", site.Name, siteTime(site, at), site.Zone)
	return report.Delivery(e.out, text.Width(e.out), site, rows)
}
