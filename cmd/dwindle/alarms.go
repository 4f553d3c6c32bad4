package main

import (
	"fmt"
	"time"

	"dwindle/alerts/alarm"
	"dwindle/cmd/internal/report"
	"dwindle/cmd/internal/station"
	"dwindle/cmd/internal/text"
	"dwindle/config"
)

type alarmsCmd struct {
	viewFlags
	History     bool   `help:"Show ended alarms, too."`
	Acknowledge string `placeholder:"ID" xor:"verb" help:"Acknowledge: seen, being worked on."`
	Withdraw    string `placeholder:"ID" xor:"verb" help:"Take an acknowledgement back."`
	Shelve      string `placeholder:"ID" xor:"verb" help:"Put aside until --until; needs --note with the reason."`
	Unshelve    string `placeholder:"ID" xor:"verb" help:"Take off the shelf."`
	Reset       string `placeholder:"ID" xor:"verb" help:"End a latched alarm after the check that it asks for."`
	Until       moment `placeholder:"TIME" help:"When shelving ends."`
	By          string `help:"Who decides. Default: the user's name on this machine."`
	Note        string `help:"Why, for the logbook."`
}

// Run shows alarms or takes a decision about one.
func (c alarmsCmd) Run(e *env) error {
	for _, d := range []struct {
		verb station.Verb
		id   string
	}{{station.Acknowledge, c.Acknowledge}, {station.Withdraw, c.Withdraw}, {station.Shelve, c.Shelve}, {station.Unshelve, c.Unshelve}, {station.Reset, c.Reset}} {
		if d.id != "" {
			return c.decide(e, d.verb, d.id)
		}
	}
	site, view, at, err := c.open(e)
	if err != nil {
		return err
	}
	defer view.Close()
	rows, err := view.AlarmRows(e.ctx, c.History)
	if err != nil {
		return err
	}
	if !station.Serving(e.ctx, site) {
		e.warn("note: nobody is serving this site now, so the list is as it was left; dwindle serve -c %s keeps it up to date", c.Config)
	}
	if c.JSON {
		return writeJSON(e.out, append([]alarm.Row{}, rows...)) // never null
	}
	if len(rows) == 0 {
		_, err := fmt.Fprintf(e.out, "No alarms, %s.\n", siteTime(site, at))
		return err
	}
	fmt.Fprintf(e.out, "%d alarms, %s\n\n", len(rows), siteTime(site, at))
	return report.Alarms(e.out, text.Width(e.out), site, rows)
}

func (c alarmsCmd) decide(e *env, verb station.Verb, id string) error {
	site, err := c.load(e)
	if err != nil {
		return err
	}
	at, err := c.At.in(site.Location(), e.now)
	if err != nil {
		return err
	}
	d := station.Decision{Verb: verb, ID: id, By: byOr(c.By), Note: c.Note, At: at}
	if verb == station.Shelve {
		if d.Until, err = c.until(e, site); err != nil {
			return err
		}
	}
	desk, err := station.OpenDesk(e.ctx, site)
	if err != nil {
		return err
	}
	defer desk.Close()
	if err := desk.Decide(e.ctx, d); err != nil {
		return fmt.Errorf("%s alarm %s: %w", verb, id, err)
	}
	_, err = fmt.Fprintf(e.out, "Alarm %s: %s, by %s.\n", id, done[verb], d.By)
	return err
}

func (c alarmsCmd) until(e *env, site *config.Site) (time.Time, error) {
	if c.Until == "" {
		return time.Time{}, &usageError{"--shelve needs --until: nothing is shelved for ever"}
	}
	if c.Note == "" {
		return time.Time{}, &usageError{"--shelve needs --note with the reason"}
	}
	return c.Until.in(site.Location(), e.now)
}

var done = map[station.Verb]string{
	station.Acknowledge: "acknowledged", station.Withdraw: "acknowledgement withdrawn",
	station.Shelve: "shelved", station.Unshelve: "taken off the shelf", station.Reset: "reset",
}

func byOr(by string) string {
	if by != "" {
		return by
	}
	return userName()
}
