package main

import (
	"fmt"

	"dwindle/collector/reading"
	"dwindle/config/unit"
)

type readCmd struct {
	entryFlags
	CountLeft *int64   `name:"count-left" xor:"value" required:"" help:"Pulses that the display still shows (counted by the device: proves the command, not delivery)."`
	CM3       *float64 `name:"cm3" xor:"value" required:"" help:"Volume left, read off or measured."`
	Grams     *float64 `name:"grams" xor:"value" required:"" help:"Weight of what is left, tare taken off."`
}

// Run records what a person read or weighed.
func (c readCmd) Run(e *env) error {
	kind := reading.FactWeighing
	if c.CountLeft != nil {
		kind = reading.FactCountLeft
	}
	site, fact, err := c.begin(e, kind)
	if err != nil {
		return err
	}
	p := site.Point(c.Point)
	said := ""
	switch {
	case c.CountLeft != nil:
		if *c.CountLeft < 0 {
			return &usageError{"--count-left below 0 cannot be"}
		}
		fact.CountLeft = c.CountLeft
		said = fmt.Sprintf("display shows %d pulses left", *c.CountLeft)
	case c.CM3 != nil:
		if *c.CM3 < 0 {
			return &usageError{"--cm3 below 0 cannot be"}
		}
		fact.CM3 = c.CM3
		said = fmt.Sprintf("%g cm3 left", *c.CM3)
	default:
		if *c.Grams < 0 {
			return &usageError{"--grams below 0 cannot be; was the tare taken off twice?"}
		}
		l := site.Lubricant(p.Lubricant)
		if l == nil || l.DensityGPerCM3 <= 0 {
			return fmt.Errorf("grams cannot be turned into cm3: the lubricant of point %s has no density\ntry: density_g_per_cm3: at the lubricant in %s, or --cm3", c.Point, c.Config)
		}
		cm3 := unit.CM3FromGrams(*c.Grams, l.DensityGPerCM3)
		fact.Grams, fact.CM3 = c.Grams, &cm3
		said = fmt.Sprintf("%g g left, %.1f cm3 at %g g/cm3", *c.Grams, cm3, l.DensityGPerCM3)
	}
	facts, err := e.hand(site, fact)
	if err != nil {
		return err
	}
	fmt.Fprintf(e.out, "Recorded at %s: %s, on %s. Entry %s.\n", c.Point, said, siteTime(site, fact.At), facts[0].ID)
	return nil
}
