package main

import (
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
	"strconv"
	"time"

	"dwindle/cmd/internal/station"
	"dwindle/cmd/internal/text"
	"dwindle/collector"
	"dwindle/config"
)

type replayCmd struct {
	siteFlag
	Log    string `arg:"" optional:"" placeholder:"FILE" help:"Log of messages, JSON Lines; - for standard input."`
	Kept   bool   `help:"Instead of a log: messages that came before, under the rules of now. Those kept aside; with --from also those understood."`
	Device string `help:"With --kept: only messages of this device." placeholder:"ID"`
	Reason string `help:"With --kept: only messages kept aside for this reason." placeholder:"WORD"`
	From   moment `help:"With --kept: received from here on; those that were understood are run again too, and readings that come out otherwise are replaced." placeholder:"TIME"`
	To     moment `help:"With --kept: received up to here." placeholder:"TIME"`
	DryRun bool   `help:"With --kept: only say what would be; nothing is changed."`
	JSON   bool   `help:"Print the outcome as JSON."`
}

// Run feeds a log through the intake and says what became of it.
func (c replayCmd) Run(e *env) error {
	switch {
	case c.Kept && c.Log != "":
		return &usageError{"a log and --kept do not go together: give one of them"}
	case !c.Kept && c.Log == "":
		return &usageError{"no log given: name one, - for standard input, or --kept for messages that came before"}
	case !c.Kept && (c.Device != "" || c.Reason != "" || c.From != "" || c.To != "" || c.DryRun):
		return &usageError{"--device, --reason, --from, --to and --dry-run go with --kept"}
	}
	site, err := c.load(e)
	if err != nil {
		return err
	}
	if c.Kept {
		return c.rerun(e, site)
	}
	in := e.in
	if c.Log != "-" {
		f, err := os.Open(c.Log)
		if err != nil {
			return fmt.Errorf("open log: %w", err)
		}
		defer f.Close()
		in = f
	}
	desk, err := station.OpenDesk(e.ctx, site)
	if err != nil {
		return err
	}
	defer desk.Close()
	done, err := desk.Replay(e.ctx, in)
	if err != nil {
		return err
	}
	if c.JSON {
		err = writeJSON(e.out, done)
	} else {
		err = printReplayed(e.out, done)
	}
	if err == nil && done.FaultCount > 0 {
		err = fmt.Errorf("%d lines of %s were no messages; the others were fed in\ntry: correct these lines and replay again; what is known already changes nothing", done.FaultCount, c.Log)
	}
	return err
}

func printReplayed(w io.Writer, r station.Replayed) error {
	_, err := fmt.Fprintf(w, "%d messages: %d stored, %d known already", r.Lines, r.Stored, r.Duplicates)
	if err != nil {
		return err
	}
	for _, reason := range slices.Sorted(maps.Keys(r.Kept)) {
		fmt.Fprintf(w, ", %d kept aside (%s)", r.Kept[reason], reason)
	}
	fmt.Fprintln(w)
	for _, fault := range r.Faults {
		fmt.Fprintln(w, "  not a message:", fault)
	}
	return nil
}

// rerun runs messages again that came before and says what became of them.
func (c replayCmd) rerun(e *env, site *config.Site) error {
	opt := collector.RerunOptions{Device: c.Device, Reason: c.Reason, Trial: c.DryRun}
	for _, x := range []struct {
		given moment
		at    *time.Time
	}{{c.From, &opt.From}, {c.To, &opt.To}} {
		if x.given == "" {
			continue
		}
		var err error
		if *x.at, err = x.given.in(site.Location(), e.now); err != nil {
			return err
		}
	}
	desk, err := station.OpenDesk(e.ctx, site)
	if err != nil {
		return err
	}
	defer desk.Close()
	done, err := desk.Rerun(e.ctx, opt)
	if err != nil {
		return err
	}
	if c.JSON {
		return writeJSON(e.out, done)
	}
	return printRerun(e.out, done, c.DryRun)
}

func printRerun(w io.Writer, r collector.Rerun, trial bool) error {
	if trial {
		fmt.Fprintln(w, "Only a trial: nothing was changed.")
	}
	t := text.NewTable(text.Column{Head: "run again"}, text.Column{Head: "number", Right: true})
	row := func(what string, n int64) { t.Row(what, strconv.FormatInt(n, 10)) }
	row("messages that were kept aside", r.Kept)
	if r.Understood > 0 || r.Replaced > 0 {
		row("messages that were understood", r.Understood)
	}
	row("now stored", r.Stored)
	row("known already", r.Duplicates)
	if r.Understood > 0 || r.Replaced > 0 {
		row("readings replaced; the old ones are kept aside", r.Replaced)
	}
	if r.NoMore > 0 {
		row("understood then and not now; what they gave stays", r.NoMore)
	}
	for _, reason := range slices.Sorted(maps.Keys(r.StillKept)) {
		row("still kept aside: "+reason, r.StillKept[reason])
	}
	if r.Unreadable > 0 {
		row("blocks of messages that cannot be read", r.Unreadable)
	}
	if r.Forgotten > 0 {
		row("devices taken off the list of unknown ones", r.Forgotten)
	}
	return t.Write(w, text.Width(w))
}
