package main

import (
	"log/slog"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"

	"dwindle/cmd/internal/station"
	"dwindle/cmd/internal/systemd"
)

type serveCmd struct {
	siteFlag
	Verbose bool `short:"v" help:"Log each message, too."`
}

// servePercent is how much garbage may pile up on what lives. A gateway's memory
// is scarcer than its time, and most of that goes into SQLite, not into Go's
// heap. On a small site passes keep to it, too: see station.Sparing.
const servePercent = 30

// Run serves until it is told to stop. SIGHUP reads the site file again.
func (c serveCmd) Run(e *env) error {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(servePercent)
	}
	defer station.Lean()()
	site, err := c.load(e)
	if err != nil {
		return err
	}
	debug.FreeOSMemory() // reading a large site file takes more than all that follows
	level := slog.LevelInfo
	if c.Verbose {
		level = slog.LevelDebug
	}
	log := slog.New(slog.NewTextHandler(e.err, &slog.HandlerOptions{Level: level}))
	hup := make(chan os.Signal, 1)
	signal.Notify(hup, syscall.SIGHUP)
	defer signal.Stop(hup)
	wish := make(chan struct{})
	go func() {
		for {
			select {
			case <-e.ctx.Done():
				return
			case <-hup:
				select {
				case wish <- struct{}{}:
				case <-e.ctx.Done():
					return
				}
			}
		}
	}()
	return station.Serve(e.ctx, site, station.Options{
		Log: log, Now: e.now, Reload: wish, Manager: systemd.FromEnv(), Version: version,
		Ready: func(at station.Addresses) {
			pages := "none; connections.board in the site file opens them"
			if at.Board != "" {
				pages = "http://" + at.Board + "/"
			}
			log.Info("serving", "site", site.ID, "data", site.DataDir(), "embedded_broker", at.Broker, "pages", pages, "monitor", at.Monitor)
		},
	})
}
