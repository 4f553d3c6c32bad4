package main

import (
	"time"

	"dwindle/cmd/internal/station"
	"dwindle/config"
	"dwindle/forecast/calibration"
)

// viewFlags are what every reading verb has.
type viewFlags struct {
	siteFlag
	At   moment `help:"As if now were this time." placeholder:"TIME"`
	JSON bool   `name:"json" help:"Print JSON."`
}

// open loads the site, opens its stores for reading and settles what now is.
func (f viewFlags) open(e *env) (*config.Site, *station.View, time.Time, error) {
	site, err := f.load(e)
	if err != nil {
		return nil, nil, time.Time{}, err
	}
	at, err := f.At.in(site.Location(), e.now)
	if err != nil {
		return nil, nil, time.Time{}, err
	}
	view, err := e.view(site)
	if err != nil {
		return nil, nil, time.Time{}, err
	}
	return site, view, at, nil
}

// view opens the stores of a site for reading; a working copy is brought up to
// date before, or says how old it is.
func (e *env) view(site *config.Site) (*station.View, error) {
	err := station.Refresh(e.ctx, site, station.Options{Now: e.now}, func(text string) { e.warn("note: %s", text) })
	if err != nil {
		return nil, err
	}
	return station.OpenView(e.ctx, site)
}

// calibration gives what forecasts as of an instant rest on, and tells the
// person where the newest one cannot be used.
func (e *env) calibration(view *station.View, at time.Time) (*calibration.Table, error) {
	table, doubt, err := view.Calibration(e.ctx, at)
	if doubt != nil {
		e.warn("warning: calibration %v; %s stands in.\ntry:     dwindle score -c %s --learn", doubt, table.Version, view.Site.Path())
	}
	return table, err
}
