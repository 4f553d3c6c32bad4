package main

import (
	"time"

	"dwindle/cmd/internal/station"
	"dwindle/config"
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
	view, err := station.OpenView(e.ctx, site)
	if err != nil {
		return nil, nil, time.Time{}, err
	}
	return site, view, at, nil
}
