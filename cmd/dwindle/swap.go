package main

import (
	"fmt"

	"dwindle/cmd/internal/station"
	"dwindle/collector/reading"
)

type swapCmd struct {
	entryFlags
	To     string `required:"" placeholder:"DISPENSER" help:"Id of the dispenser that is mounted now."`
	Serial string `help:"Serial number on the new device."`
}

// Run records that a point has another dispenser now. History stays with the
// point.
func (c swapCmd) Run(e *env) error {
	site, fact, err := c.begin(e, reading.FactSwap)
	if err != nil {
		return err
	}
	d := site.Dispenser(c.To)
	switch {
	case d == nil:
		return fmt.Errorf("dispenser %q is not in %s\ntry: add it under dispensers: with its model and setting, then swap", c.To, c.Config)
	case fact.Device == c.To:
		return fmt.Errorf("dispenser %s is mounted at point %s already", c.To, c.Point)
	case c.Serial != "" && d.Serial != "" && c.Serial != d.Serial:
		return fmt.Errorf("serial %s was found, but %s has %s for dispenser %s\ntry: check the label; correct the register if it is wrong", c.Serial, c.Config, d.Serial, c.To)
	}
	if d.Point != "" && d.Point != c.Point {
		there, err := station.DeviceAt(e.ctx, site, d.Point, fact.At)
		if err != nil {
			return err
		}
		if there == c.To {
			return fmt.Errorf("dispenser %s is mounted at point %s; one dispenser feeds one point\ntry: record first what replaced it there: dwindle swap -c %s %s --to ...", c.To, d.Point, c.Config, d.Point)
		}
	}
	fact.OldDevice, fact.Device, fact.Serial = fact.Device, c.To, c.Serial
	facts, err := e.hand(site, fact)
	if err != nil {
		return err
	}
	fmt.Fprintf(e.out, "Recorded at %s: dispenser %s replaced by %s, on %s. Entry %s.\n", c.Point, orNone(fact.OldDevice), c.To, siteTime(site, fact.At), facts[0].ID)
	return nil
}

func orNone(s string) string {
	if s == "" {
		return "(none)"
	}
	return s
}
