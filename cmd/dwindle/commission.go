package main

import (
	"fmt"
	"math"
	"strings"
	"time"

	"dwindle/cmd/internal/station"
	"dwindle/collector/reading"
	"dwindle/config"
)

type commissionCmd struct {
	entryFlags
	Dispenser   string   `help:"Id of the dispenser. Default: the one the register has at the point."`
	Serial      string   `help:"Serial number found on the device."`
	CM3Per100h  *float64 `name:"cm3-per-100h" xor:"setting" help:"Setting found on a run-paced device."`
	CM3PerPulse *float64 `name:"cm3-per-pulse" xor:"setting" help:"Setting found on a pulse-paced device."`
	VolumeCM3   *float64 `name:"volume-cm3" help:"Usable volume in the reservoir at the start. Default: that of the point's reservoir."`
	CountLeft   *int64   `name:"count-left" help:"Pulses that the display shows at the start."`
	Dose        []moment `help:"Time of a first dose seen at the outlet; repeat for each." placeholder:"TIME"`
}

// countTolerance is how far a displayed count may be from volume / dose:
// displays count whole pulses and fills scatter by some percent. Common
// practice.
const countTolerance = 0.05

// Run records a commissioning, and accepts it or says what stands against it.
func (c commissionCmd) Run(e *env) error {
	site, fact, err := c.begin(e, reading.FactCommission)
	if err != nil {
		return err
	}
	if c.Dispenser != "" {
		fact.Device = c.Dispenser
	}
	d := site.Dispenser(fact.Device)
	if d == nil {
		return fmt.Errorf("no dispenser %q for point %s in %s\ntry: add it under dispensers: with point: %s, or name it with --dispenser", fact.Device, c.Point, c.Config, c.Point)
	}
	volume := c.VolumeCM3
	reservoir := site.Reservoir(site.Point(c.Point).Reservoir)
	if volume == nil && reservoir != nil {
		volume = &reservoir.UsableCM3
	}
	if volume == nil || *volume <= 0 {
		return &usageError{"the volume at the start is not known: give --volume-cm3 above 0, or a reservoir at the point in the site file"}
	}
	fact.VolumeCM3, fact.Serial, fact.CountLeft = volume, c.Serial, c.CountLeft
	for _, m := range c.Dose {
		t, err := m.in(site.Location(), e.now)
		if err != nil {
			return err
		}
		fact.Doses = append(fact.Doses, t.Format(time.RFC3339))
	}
	against, err := c.against(e, site, d, reservoir, fact)
	if err != nil {
		return err
	}
	accepted := len(against) == 0
	fact.Accepted, fact.Reason = &accepted, strings.Join(against, "; ")
	facts := []reading.Fact{fact}
	if c.CM3Per100h != nil || c.CM3PerPulse != nil {
		set := fact
		set.Kind, set.VolumeCM3, set.CountLeft, set.Accepted, set.Reason, set.Doses, set.Serial = reading.FactSetting, nil, nil, nil, "", nil, ""
		set.Pacing, set.CM3Per100h, set.CM3PerPulse = string(config.PacingRun), c.CM3Per100h, c.CM3PerPulse
		if c.CM3PerPulse != nil {
			set.Pacing = string(config.PacingPulse)
		}
		facts = append(facts, set)
	}
	facts, err = e.hand(site, facts...)
	if err != nil {
		return err
	}
	fmt.Fprintf(e.out, "Recorded at %s: dispenser %s in service with %g cm3 since %s. Entry %s.\n", c.Point, d.ID, *volume, siteTime(site, fact.At), facts[0].ID)
	if accepted {
		fmt.Fprintln(e.out, "Accepted: what was found agrees with the register.")
		return nil
	}
	fmt.Fprintln(e.out, "Refused:")
	for _, why := range against {
		fmt.Fprintln(e.out, "  -", why)
	}
	fmt.Fprintln(e.out, "Put it right, or correct the register, and commission again.")
	return errSilent
}

// against lists what stands against accepting, in plain words.
func (c commissionCmd) against(e *env, site *config.Site, d *config.Dispenser, r *config.Reservoir, fact reading.Fact) ([]string, error) {
	var out []string
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	if d.Point != "" && d.Point != c.Point {
		say("the register has dispenser %s at point %s", d.ID, d.Point)
	}
	if c.Serial != "" && d.Serial != "" && c.Serial != d.Serial {
		say("serial %s found, register has %s", c.Serial, d.Serial)
	}
	if r != nil && *fact.VolumeCM3 > r.NominalCM3 {
		say("%g cm3 at the start is more than reservoir %s holds (%g cm3)", *fact.VolumeCM3, r.ID, r.NominalCM3)
	}
	set, ok := site.SettingAt(d.ID, fact.At)
	switch {
	case !ok:
		say("the register has no setting for dispenser %s on that day", d.ID)
	case c.CM3Per100h != nil:
		if set.Pacing != config.PacingRun {
			say("a run-paced setting was found, register has %s pacing", set.Pacing)
		} else if differs(*c.CM3Per100h, set.CM3Per100h, site.Limits.SettingPercent) {
			say("setting %g cm3/100 h found, register has %g", *c.CM3Per100h, set.CM3Per100h)
		}
	case c.CM3PerPulse != nil:
		if set.Pacing != config.PacingPulse {
			say("a pulse-paced setting was found, register has %s pacing", set.Pacing)
		} else if differs(*c.CM3PerPulse, set.CM3PerPulse, site.Limits.SettingPercent) {
			say("setting %g cm3/pulse found, register has %g", *c.CM3PerPulse, set.CM3PerPulse)
		}
	default:
		say("the setting found on the device was not given (--cm3-per-100h or --cm3-per-pulse)")
	}
	if c.CountLeft != nil && set.CM3PerPulse > 0 {
		if want := *fact.VolumeCM3 / set.CM3PerPulse; math.Abs(float64(*c.CountLeft)-want) > max(1, countTolerance*want) {
			say("display shows %d pulses, %g cm3 at %g cm3 a pulse give %.0f", *c.CountLeft, *fact.VolumeCM3, set.CM3PerPulse, want)
		}
	}
	if len(fact.Doses) == 0 {
		say("no first dose was seen at the outlet (--dose)")
	}
	seen, err := station.SeenSince(e.ctx, site, d, fact.At)
	if err != nil {
		return nil, err
	}
	if !seen {
		say("no message from %s has arrived yet", d.ID)
	}
	return out, nil
}

// differs compares two settings within a percentage.
func differs(found, want, percent float64) bool {
	return math.Abs(found-want) > percent/100*want
}
