package demo

import (
	"fmt"
	"math"

	"dwindle/cmd/internal/report"
	"dwindle/cmd/internal/text"
	"dwindle/collector/simulate"
)

var faultPhrases = map[simulate.FaultKind]string{
	simulate.BlockedLine:     "line blocked",
	simulate.PartialBlockage: "line half blocked",
	simulate.SettingFound:    "setting changed on site",
	simulate.SettingHidden:   "wrong setting, device does not tell it",
	simulate.LeakingFitting:  "fitting leaks",
	simulate.GatewaySilent:   "gateway falls silent",
	simulate.DispenserSilent: "dispenser falls silent",
	simulate.RunSignalLost:   "run signal lost",
	simulate.BlockedUnseen:   "line blocked, device only counts",
	simulate.MissedPulses:    "pulses missed",
	simulate.DeviceStopped:   "dispenser stopped",
	simulate.MachineBusier:   "machine used more",
}

func faultWords(f simulate.Fault) string {
	s, ok := faultPhrases[f.Kind]
	if !ok {
		s = string(f.Kind)
	}
	switch {
	case f.Kind == simulate.PartialBlockage || f.Kind == simulate.LeakingFitting || f.Kind == simulate.SettingFound || f.Kind == simulate.SettingHidden:
		s += fmt.Sprintf(" (%.0f"+text.Tie+"%% of the registered dose goes out)", 100*f.Size)
	case f.Kind == simulate.MissedPulses:
		s += fmt.Sprintf(" (%.0f"+text.Tie+"%% of them)", 100*f.Size)
	case f.Kind == simulate.MachineBusier:
		s += fmt.Sprintf(" (%.0f"+text.Tie+"%% of the usual)", 100*f.Size)
	}
	if !f.End.IsZero() {
		s += ", later put right"
	}
	return s
}

func (p *printer) faults() {
	if len(p.in.Faults) == 0 {
		return
	}
	p.heading("What was really wrong, and what was found")
	loc := p.in.Site.Location()
	var unseen []Finding
	var t *text.Table
	if !p.narrow() {
		t = text.NewTable(text.Column{Head: "fault", Wrap: true}, text.Column{Head: "where"}, text.Column{Head: "began"}, text.Column{Head: "found", Wrap: true}, text.Column{Head: "by", Wrap: true})
	}
	for _, f := range p.outcome.Findings {
		if !f.Fault.Observable && !f.Found {
			unseen = append(unseen, f)
			continue
		}
		began := text.Tied(f.Fault.Start.In(loc).Format("2 Jan 15:04"))
		found, by := "not found", "should show: "+f.Fault.Why
		if f.Found {
			found, by = text.Tied(f.At.In(loc).Format("2 Jan"))+", "+text.Tied(after(f.Days)), foundBy(f)
			if f.Alarm == nil {
				found = "shows at the end"
			}
		}
		if t != nil {
			t.Row(faultWords(f.Fault), f.Fault.Where(), began, found, by)
			continue
		}
		p.hanging("", "", fmt.Sprintf("%s: %s, began %s", f.Fault.Where(), faultWords(f.Fault), began))
		p.hanging("    ", "", found+"; "+by)
	}
	if t != nil && t.Len() > 0 {
		p.table(t)
	}
	if len(unseen) > 0 {
		fmt.Fprintln(&p.out)
		p.say("Wrong as well, but nothing in the messages can show it; somebody has to look:")
		for _, f := range unseen {
			p.hanging("  ", f.Fault.Where()+": ", fmt.Sprintf("%s (since %s): %s.", faultWords(f.Fault), text.Tied(f.Fault.Start.In(loc).Format("2 Jan")), f.Fault.Why))
		}
	}
	fmt.Fprintln(&p.out)
	found, observable := p.outcome.Seen()
	p.say("Found %d of %d that can be seen. %s.", found, observable, falseWords(len(p.outcome.False)))
	for _, r := range p.outcome.False {
		p.hanging("  ", "false: ", fmt.Sprintf("%s: %s, since %s", report.TypeWords(r.Type), report.Subject(p.in.Site, r), p.time(r)))
	}
	if n := p.outcome.Dates; n > 0 {
		p.say("%s about empty dates came without a fault: outages and busy weeks move dates too. How good the dates are is measured by `dwindle score`.", verb(n, "alarm", "alarms"))
	}
}

func foundBy(f Finding) string {
	if f.Alarm != nil {
		return "alarm: " + report.TypeWords(f.Alarm.Type)
	}
	return "delivery comparison: " + f.Verdict
}

// after says how long something took.
func after(days float64) string {
	switch hours := int(math.Round(days * 24)); {
	case hours < 1:
		return "within the hour"
	case hours < 36:
		return "after " + plural(hours, "hour", "hours")
	}
	return "after " + plural(int(math.Round(days)), "day", "days")
}

func (p *printer) further() {
	p.heading("How to look further")
	file := p.in.SiteFile
	if p.in.Board != "" {
		p.say("The board is at %s", p.in.Board)
	}
	if file == "" {
		p.say("`%s demo` without --once keeps running and serves the board; with --write DIR it writes this site file and its messages to start from. Then:", p.in.Program)
		file = "DIR/site.yaml"
	}
	fmt.Fprintln(&p.out)
	for _, c := range [...]struct{ cmd, what string }{
		{"forecast -c " + file, "the empty dates; --explain POINT says what one rests on"},
		{"delivery -c " + file, "planned, commanded and delivered volume"},
		{"alarms -c " + file, "the alarm list; --history for what is over"},
		{"export -c " + file + " usage", "use and consumption per day, as CSV"},
		{"score", "how good the dates are, beside simple rules"},
	} {
		fmt.Fprintf(&p.out, "  %s %s\n", p.in.Program, c.cmd)
		p.indented("      ", c.what)
	}
	if p.in.Seed != 0 {
		fmt.Fprintln(&p.out)
		p.say("This was seed %d; another --seed gives another plant and other faults.", p.in.Seed)
	}
	fmt.Fprintln(&p.out)
	p.say("dwindle plans lubrication work; it is not a safety function. Before hands go near a machine: stop it, lock it out, follow the local rules.")
}
