package main

import (
	"fmt"
	"io"
	"time"

	"dwindle/cmd/internal/station"
	"dwindle/config"
)

type backupCmd struct {
	siteFlag
	To string `arg:"" placeholder:"FILE" help:"File to write."`
}

// Run writes everything into one file.
func (c backupCmd) Run(e *env) error {
	site, err := c.load(e)
	if err != nil {
		return err
	}
	m, err := station.Backup(e.ctx, site, c.To, e.now())
	if err != nil {
		return err
	}
	total := int64(0)
	for _, n := range m.Bytes {
		total += n
	}
	_, err = fmt.Fprintf(e.out, "Backup of %s written to %s: %d parts, %d bytes before packing.\n", m.Site, c.To, len(m.Bytes), total)
	return err
}

type restoreCmd struct {
	siteFlag
	From          string `arg:"" optional:"" placeholder:"FILE" help:"Backup to restore."`
	Replace       bool   `help:"Move what the data directory holds aside first."`
	BeforeUpgrade bool   `help:"Instead of a backup: what was kept before the stores were brought to a newer form, for the older program."`
}

// Run proves a backup and puts it in place.
func (c restoreCmd) Run(e *env) error {
	if c.BeforeUpgrade == (c.From != "") {
		return &usageError{"give a backup, or --before-upgrade"}
	}
	site, err := c.load(e)
	if err != nil {
		return err
	}
	var p station.Proved
	var aside string
	if c.BeforeUpgrade {
		var from string
		if from, p, aside, err = station.RestoreBeforeUpgrade(e.ctx, site, c.Replace, e.now()); err != nil {
			return err
		}
		fmt.Fprintf(e.out, "Restored %s into %s.\n", from, site.DataDir())
	} else {
		var m station.Manifest
		if m, p, aside, err = station.Restore(e.ctx, site, c.From, c.Replace, e.now()); err != nil {
			return err
		}
		fmt.Fprintf(e.out, "Restored %s as of %s into %s: digests and integrity proved.\n", m.Site, siteTime(site, m.Taken), site.DataDir())
	}
	printProved(e.out, site, p)
	if aside != "" {
		fmt.Fprintf(e.out, "What was there is in %s.\n", aside)
	}
	return nil
}

// printProved says what the stores hold.
func printProved(w io.Writer, site *config.Site, p station.Proved) {
	fmt.Fprintf(w, "Journal: %d readings and %d facts of %d devices, %d messages kept aside", p.Journal.Readings, p.Journal.Facts, p.Journal.Devices, p.Journal.Kept)
	if p.Journal.Readings > 0 {
		fmt.Fprintf(w, ", from %s to %s", siteTime(site, time.UnixMilli(p.Journal.From)), siteTime(site, time.UnixMilli(p.Journal.To)))
	}
	fmt.Fprintln(w, ".")
	if l := p.Ledger; l != nil {
		fmt.Fprintf(w, "Ledger: %d alarms, %d occurrences, %d transitions, %d entries in the logbook.\n", l.Alarms, l.Occurrences, l.Transitions, l.Log)
	}
	if p.Compared {
		fmt.Fprintln(w, "All of it was counted, and is what was counted when the backup was made.")
	}
}
