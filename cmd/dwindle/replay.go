package main

import (
	"fmt"
	"io"
	"maps"
	"os"
	"slices"

	"dwindle/cmd/internal/station"
)

type replayCmd struct {
	siteFlag
	Log  string `arg:"" help:"Log of messages, JSON Lines; - for standard input."`
	JSON bool   `help:"Print the outcome as JSON."`
}

// Run feeds a log through the intake and says what became of it.
func (c replayCmd) Run(e *env) error {
	site, err := c.load(e)
	if err != nil {
		return err
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
