package main

import (
	"fmt"

	"dwindle/collector/reading"
)

type changeCmd struct {
	entryFlags
	VolumeCM3   *float64 `name:"volume-cm3" help:"Usable volume put in. Default: that of the point's reservoir."`
	ResidualCM3 *float64 `name:"residual-cm3" help:"What was left in the old reservoir."`
	ResidualG   *float64 `name:"residual-g" help:"The same by weighing, tare taken off."`
	Item        string   `help:"Stores' item number of the new reservoir."`
	Batch       string   `help:"Lubricant batch of the new reservoir."`
}

// Run records a reservoir change: a new fill begins.
func (c changeCmd) Run(e *env) error {
	site, fact, err := c.begin(e, reading.FactChange)
	if err != nil {
		return err
	}
	if fact.Device == "" {
		return fmt.Errorf("no dispenser is mounted at point %s, so there is no reservoir to change\ntry: dwindle commission or dwindle swap, or give a dispenser this point in %s", c.Point, c.Config)
	}
	p := site.Point(c.Point)
	largest := 0.0
	for _, r := range site.Reservoirs {
		largest = max(largest, r.NominalCM3)
	}
	volume := c.VolumeCM3
	if volume == nil {
		r := site.Reservoir(p.Reservoir)
		if r == nil {
			return fmt.Errorf("point %s has no reservoir in the register, so the volume put in is not known\ntry: --volume-cm3, or reservoir: at the point in %s", c.Point, c.Config)
		}
		volume = &r.UsableCM3
	}
	if *volume <= 0 || (largest > 0 && *volume > 2*largest) {
		return &usageError{fmt.Sprintf("--volume-cm3 %g: want more than 0 and at most twice the largest reservoir of the register (%g cm3)", *volume, largest)}
	}
	if c.ResidualCM3 != nil && c.ResidualG != nil {
		return &usageError{"--residual-cm3 and --residual-g: give one; grams are converted with the lubricant's density"}
	}
	for _, v := range []*float64{c.ResidualCM3, c.ResidualG} {
		if v != nil && *v < 0 {
			return &usageError{"a residual below 0 cannot be; take the tare off and weigh again"}
		}
	}
	fact.VolumeCM3, fact.ResidualCM3, fact.ResidualG = volume, c.ResidualCM3, c.ResidualG
	fact.Item, fact.Batch = c.Item, c.Batch
	facts, err := e.hand(site, fact)
	if err != nil {
		return err
	}
	fmt.Fprintf(e.out, "Recorded at %s: reservoir changed, %g cm3 in, on %s. Entry %s.\n", c.Point, *volume, siteTime(site, fact.At), facts[0].ID)
	return nil
}
