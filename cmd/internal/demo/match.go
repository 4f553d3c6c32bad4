package demo

import (
	"slices"
	"time"

	"dwindle/alerts/alarm"
	"dwindle/collector/simulate"
	"dwindle/config"
	"dwindle/forecast"
)

// Finding is one fault and whether it was found.
type Finding struct {
	Fault simulate.Fault
	Found bool
	// At is when people were told of it, Days how long after its beginning.
	At   time.Time
	Days float64
	// Alarm found it, or Verdict, where no alarm but the comparison of
	// delivery with plan shows it at the end.
	Alarm   *alarm.Row
	Verdict string
}

// Outcome is what became of all faults, and what was raised without one.
type Outcome struct {
	Findings []Finding
	// False are announced alarms about delivery, settings or silence that no
	// fault explains.
	False []alarm.Row
	// Dates counts announced alarms about empty dates that no fault explains.
	// They are forecasts: an outage or a busy month can be their true reason,
	// so they are neither right nor wrong by themselves.
	Dates int
}

// Seen counts the faults that can be seen, and those of them that were found. A
// fault too young to count as observable that was found all the same counts.
func (o Outcome) Seen() (found, observable int) {
	for _, f := range o.Findings {
		if f.Fault.Observable || f.Found {
			observable++
		}
		if f.Found {
			found++
		}
	}
	return found, observable
}

// slack is how long before a fault's beginning an alarm may say that its
// condition began: silence is counted from the last message before it.
const slack = 24 * time.Hour

// grace is how long after a fault's end an alarm still belongs to it: windows
// and fills remember it for weeks.
const grace = 60 * 24 * time.Hour

// signs are the alarm types that find a kind of fault, and those that follow
// from it without naming it.
type signs struct{ find, follow []alarm.Type }

var (
	dates    = []alarm.Type{alarm.EmptyDateDrifts, alarm.EmptyBeforeVisit}
	delivery = []alarm.Type{alarm.UnderDelivery, alarm.OverDelivery, alarm.SettingDiffers, alarm.RunWithoutDose}
	all      = slices.Concat(dates, delivery)
)

var signsOf = map[simulate.FaultKind]signs{
	simulate.BlockedLine:     {find: []alarm.Type{alarm.UnderDelivery, alarm.RunWithoutDose}, follow: all},
	simulate.PartialBlockage: {find: []alarm.Type{alarm.UnderDelivery}, follow: all},
	simulate.SettingFound:    {find: []alarm.Type{alarm.SettingDiffers}, follow: all},
	simulate.SettingHidden:   {find: []alarm.Type{alarm.UnderDelivery, alarm.OverDelivery, alarm.SettingDiffers}, follow: all},
	simulate.LeakingFitting:  {find: []alarm.Type{alarm.OverDelivery}, follow: all},
	simulate.GatewaySilent:   {find: []alarm.Type{alarm.GatewaySilent}, follow: append([]alarm.Type{alarm.NoTelemetry}, all...)},
	simulate.DispenserSilent: {find: []alarm.Type{alarm.NoTelemetry}, follow: all},
	simulate.RunSignalLost:   {find: []alarm.Type{alarm.NoTelemetry}, follow: all},
	simulate.BlockedUnseen:   {follow: all},
	simulate.MissedPulses:    {find: []alarm.Type{alarm.UnderDelivery, alarm.RunWithoutDose, alarm.SettingDiffers, alarm.EmptyDateDrifts}, follow: all},
	simulate.DeviceStopped:   {find: []alarm.Type{alarm.RunWithoutDose, alarm.UnderDelivery}, follow: all},
	simulate.MachineBusier:   {find: dates, follow: all},
}

// Match sets the faults of the plant against the alarms of its history and the
// verdicts at its end. It is pure: the same input gives the same outcome.
func Match(site *config.Site, faults []simulate.Fault, glitches []simulate.Glitch, history []alarm.Row, fleet forecast.Fleet) Outcome {
	var out Outcome
	for _, f := range faults {
		out.Findings = append(out.Findings, find(site, f, history, fleet))
	}
	for _, row := range history {
		if row.Announced == nil && row.State == alarm.SuppressedByDesign {
			continue // nobody was told: it cannot be a false alarm
		}
		explained := slices.ContainsFunc(faults, func(f simulate.Fault) bool {
			s := signsOf[f.Kind]
			return touches(site, f, row) && within(f, row) && (slices.Contains(s.find, row.Type) || slices.Contains(s.follow, row.Type))
		}) || slices.ContainsFunc(glitches, func(g simulate.Glitch) bool { return heldBack(site, g, row) })
		switch {
		case explained:
		case slices.Contains(dates, row.Type):
			out.Dates++
		default:
			out.False = append(out.False, row)
		}
	}
	return out
}

// find looks for the first alarm that finds a fault, then for a verdict.
func find(site *config.Site, f simulate.Fault, history []alarm.Row, fleet forecast.Fleet) Finding {
	out := Finding{Fault: f}
	for i := range history {
		row := &history[i]
		if !slices.Contains(signsOf[f.Kind].find, row.Type) || !strikes(site, f, *row) || !within(f, *row) {
			continue
		}
		if told := toldAt(*row); !out.Found || told.Before(out.At) {
			out.Found, out.At, out.Alarm = true, told, row
		}
	}
	if !out.Found && f.End.IsZero() && f.Point != "" {
		for i := range fleet.States {
			if s := &fleet.States[i]; s.Row.Point == f.Point {
				if v := verdictShows(f, s); v != "" {
					out.Found, out.At, out.Verdict = true, fleet.At, v
				}
			}
		}
	}
	if out.Found {
		out.Days = max(0, out.At.Sub(f.Start).Hours()/24)
	}
	return out
}

// toldAt is when people were first told of an alarm.
func toldAt(r alarm.Row) time.Time {
	if r.Announced != nil {
		return *r.Announced
	}
	return r.Since
}

// within says whether an alarm's time fits a fault's.
func within(f simulate.Fault, r alarm.Row) bool {
	return !r.Since.Before(f.Start.Add(-slack)) && (f.End.IsZero() || r.Since.Before(f.End.Add(grace)))
}

// strikes says that an alarm is about the very thing that a fault strikes.
func strikes(site *config.Site, f simulate.Fault, r alarm.Row) bool {
	switch f.Kind {
	case simulate.GatewaySilent:
		return r.Gateway == f.Gateway && r.Type == alarm.GatewaySilent
	case simulate.RunSignalLost:
		return r.Device == f.Machine || r.Device == "" && r.Point == "" && r.Machine == f.Machine
	case simulate.MachineBusier:
		return machineOf(site, r) == f.Machine
	case simulate.DispenserSilent:
		return r.Device == f.Device || r.Point == f.Point
	}
	return r.Point == f.Point
}

// touches says that an alarm is about something that a fault reaches.
func touches(site *config.Site, f simulate.Fault, r alarm.Row) bool {
	switch {
	case strikes(site, f, r):
		return true
	case f.Kind == simulate.GatewaySilent:
		return r.Gateway == f.Gateway || behind(site, f.Gateway, r)
	case f.Kind == simulate.RunSignalLost:
		return machineOf(site, r) == f.Machine
	}
	return f.Device != "" && r.Device == f.Device
}

// heldBack says that an alarm about silence falls into a stretch in which a
// gateway's messages were held back: it was silent then.
func heldBack(site *config.Site, g simulate.Glitch, r alarm.Row) bool {
	if g.Kind != simulate.LateDisordered || r.Type != alarm.GatewaySilent && r.Type != alarm.NoTelemetry {
		return false
	}
	if r.Since.Before(g.At.Add(-slack)) || r.Since.After(g.Until) {
		return false
	}
	return r.Gateway == g.Device || behind(site, g.Device, r)
}

// behind says that an alarm's device is behind a gateway.
func behind(site *config.Site, gateway string, r alarm.Row) bool {
	ids := []string{r.Device, r.Machine}
	if p := site.Point(r.Point); p != nil {
		ids = append(ids, p.Machine)
	}
	for _, id := range ids {
		if g := site.GatewayOf(id); g != nil && g.ID == gateway {
			return true
		}
	}
	return false
}

func machineOf(site *config.Site, r alarm.Row) string {
	if p := site.Point(r.Point); p != nil {
		return p.Machine
	}
	if d := site.Dispenser(r.Device); d != nil {
		if p := site.Point(d.Point); p != nil {
			return p.Machine
		}
	}
	if r.Machine != "" {
		return r.Machine
	}
	return r.Device
}

// verdictShows says in words how the state of a point shows a fault at the
// end, or nothing.
func verdictShows(f simulate.Fault, s *forecast.State) string {
	v := s.Delivery.Verdict
	under, over := v == forecast.Under || v == forecast.NotDispensing, v == forecast.Over
	switch f.Kind {
	case simulate.BlockedLine, simulate.PartialBlockage, simulate.DeviceStopped:
		if under {
			return verdictPhrase[v]
		}
	case simulate.LeakingFitting:
		if over {
			return verdictPhrase[v]
		}
	case simulate.SettingHidden:
		if under && f.Size < 1 || over && f.Size > 1 {
			return verdictPhrase[v]
		}
		if s.Counted != nil && s.Counted.SettingSuspect {
			return "the counted strokes do not fit the setting"
		}
	case simulate.MissedPulses:
		if under {
			return verdictPhrase[v]
		}
		if c := s.Counted; c != nil && c.ExpectedPulses > 0 && c.MissedPulses > 0.15*c.ExpectedPulses {
			return "counted pulses fall short of the plan"
		}
	}
	return ""
}

var verdictPhrase = map[forecast.Verdict]string{
	forecast.Under:         "delivery is below what was commanded",
	forecast.Over:          "delivery is above what was commanded",
	forecast.NotDispensing: "does not dispense",
}
