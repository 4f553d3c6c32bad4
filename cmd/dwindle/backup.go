package main

import (
	"fmt"

	"dwindle/cmd/internal/station"
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
	From    string `arg:"" placeholder:"FILE" help:"Backup to restore."`
	Replace bool   `help:"Move what the data directory holds aside first."`
}

// Run proves a backup and puts it in place.
func (c restoreCmd) Run(e *env) error {
	site, err := c.load(e)
	if err != nil {
		return err
	}
	m, aside, err := station.Restore(e.ctx, site, c.From, c.Replace, e.now())
	if err != nil {
		return err
	}
	fmt.Fprintf(e.out, "Restored %s as of %s into %s: digests and integrity proved.\n", m.Site, siteTime(site, m.Taken), site.DataDir())
	if aside != "" {
		fmt.Fprintf(e.out, "What was there is in %s.\n", aside)
	}
	return nil
}
