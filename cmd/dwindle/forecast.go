package main

import (
	"fmt"
	"time"

	"dwindle/cmd/internal/report"
	"dwindle/cmd/internal/text"
	"dwindle/config"
	"dwindle/forecast"
)

type forecastCmd struct {
	viewFlags
	Explain string `placeholder:"POINT" help:"Say what the forecast of one point rests on."`
}

// forecastResult is the JSON of the verb.
type forecastResult struct {
	Site      string         `json:"site"`
	At        time.Time      `json:"at"`
	Zone      string         `json:"zone"`
	Forecasts []forecast.Row `json:"forecasts"`
}

// Run prints when each reservoir will be empty.
func (c forecastCmd) Run(e *env) error {
	site, view, at, err := c.open(e)
	if err != nil {
		return err
	}
	defer view.Close()
	if c.Explain != "" {
		return c.explain(e, site, view.History, at)
	}
	past, done := view.History.Pin(e.ctx)
	defer done()
	fleet, err := forecast.Pass(e.ctx, site, past, at, forecast.Options{})
	if err != nil {
		return err
	}
	if c.JSON {
		out := forecastResult{Site: site.ID, At: at, Zone: site.Zone, Forecasts: []forecast.Row{}}
		for _, s := range fleet.States {
			out.Forecasts = append(out.Forecasts, s.Row)
		}
		return writeJSON(e.out, out)
	}
	width := text.Width(e.out)
	fmt.Fprintf(e.out, "%s, %s (%s)\n\n", site.Name, siteTime(site, at), site.Zone)
	return report.Fleet(e.out, width, site, fleet)
}

func (c forecastCmd) explain(e *env, site *config.Site, src forecast.Source, at time.Time) error {
	if site.Point(c.Explain) == nil {
		return fmt.Errorf("point %q is not in %s", c.Explain, c.Config)
	}
	lines, err := forecast.Explain(e.ctx, site, src, at, c.Explain, forecast.Options{})
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
