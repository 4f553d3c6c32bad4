package report

import (
	"cmp"
	"fmt"
	"io"
	"strings"

	"dwindle/alerts/alarm"
	"dwindle/cmd/internal/text"
	"dwindle/config"
)

// Alarms writes a block per alarm: what, where, since when, how bad, why it
// matters, what to do.
func Alarms(w io.Writer, width int, site *config.Site, rows []alarm.Row) error {
	for i, r := range rows {
		if i > 0 {
			fmt.Fprintln(w)
		}
		if err := alarmBlock(w, width, site, r); err != nil {
			return err
		}
	}
	return nil
}

// priorityMarks give the priority a shape beside the word, so that it does not
// rest on colour.
var priorityMarks = map[alarm.Priority]string{alarm.High: "[!!!]", alarm.Medium: "[!! ]", alarm.Low: "[!  ]"}

func alarmBlock(w io.Writer, width int, site *config.Site, r alarm.Row) error {
	fmt.Fprintf(w, "%s %s  %s\n", priorityMarks[r.Priority], TypeWords(r.Type), Subject(site, r))
	lines := []struct{ head, text string }{
		{"state:", stateLine(site, r)},
		// A reason that begins with the word itself does not say it twice.
		{"priority:", joinWith(string(r.Priority), ": ", strings.TrimPrefix(r.PriorityReason, string(r.Priority)+": "))},
		{"seen:", r.Detail},
		{"likely cause:", r.Cause},
		{"if left:", r.Consequence},
	}
	for i, step := range r.Response {
		head := ""
		if i == 0 {
			head = "do:"
		}
		lines = append(lines, struct{ head, text string }{head, fmt.Sprintf("%d. %s", i+1, step)})
	}
	lines = append(lines, []struct{ head, text string }{
		{"owner:", roleName(site, r.Owner)},
		{"under it:", strings.Join(r.Children, ", ")},
		{"id:", r.ID},
	}...)
	for _, l := range lines {
		if l.text == "" {
			continue
		}
		for i, line := range text.Wrap(l.text, width-headWidth) {
			if i > 0 {
				l.head = ""
			}
			if _, err := fmt.Fprintf(w, "      %-14s%s\n", l.head, text.Untied(line)); err != nil {
				return err
			}
		}
	}
	return nil
}

// headWidth is what the heads of an alarm's lines take.
const headWidth = 6 + 14

// TypeWords says an alarm type to a person, in the words of the master table.
func TypeWords(t alarm.Type) string {
	if d, ok := alarm.Lookup(t); ok {
		return d.Title
	}
	return strings.ReplaceAll(string(t), "_", " ")
}

// Subject names what an alarm is about, id first.
func Subject(site *config.Site, r alarm.Row) string {
	if site.Point(r.Point) != nil {
		return r.Point + " (" + Where(site, r.Point) + ")"
	}
	if g := site.Gateway(r.Gateway); g != nil && r.Type == alarm.GatewaySilent {
		return joinWith(r.Gateway, " ", bracketed(g.Name))
	}
	if m := site.Machine(r.Device); m != nil {
		return joinWith("run signal of "+r.Device, " ", bracketed(m.Name))
	}
	if d := site.Dispenser(r.Device); d != nil {
		return joinWith("dispenser "+r.Device, " at ", d.Point)
	}
	return cmp.Or(r.Point, r.Device, r.Gateway, r.Part)
}

func bracketed(s string) string {
	if s == "" {
		return ""
	}
	return "(" + s + ")"
}

func stateLine(site *config.Site, r alarm.Row) string {
	out := strings.ReplaceAll(string(r.State), "_", " ") + ", since " + Time(site, r.Since)
	if r.Ended != nil {
		out += ", ended " + Time(site, *r.Ended)
	}
	if r.AcknowledgedBy != "" {
		out += ", acknowledged by " + r.AcknowledgedBy
	}
	if r.ShelvedUntil != nil {
		out += ", shelved until " + Time(site, *r.ShelvedUntil)
	}
	return out
}

func roleName(site *config.Site, id string) string {
	for _, r := range site.Roles {
		if r.ID == id && r.Name != "" {
			return r.Name
		}
	}
	return strings.ReplaceAll(id, "_", " ")
}
