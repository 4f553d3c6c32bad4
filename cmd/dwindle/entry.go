package main

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"
	"os/user"
	"time"

	"dwindle/cmd/internal/station"
	"dwindle/collector/reading"
	"dwindle/config"
)

// siteFlag names the site file.
type siteFlag struct {
	Config string `short:"c" name:"config" required:"" placeholder:"FILE" help:"Site file (YAML)."`
}

// load reads the site file.
func (f siteFlag) load(e *env) (*config.Site, error) {
	site, err := config.Load(f.Config)
	if err != nil {
		return nil, err
	}
	return site, nil
}

// entryFlags are what every record of a technician's work carries.
type entryFlags struct {
	siteFlag
	Point    string `arg:"" help:"Id of the lube point."`
	By       string `help:"Who did it. Default: the user's name on this machine."`
	At       moment `help:"When it was done. Default: now." placeholder:"TIME"`
	Note     string `help:"What else is worth knowing."`
	Corrects string `help:"Id of an earlier entry that this one replaces. The earlier one stays in the journal." placeholder:"ID"`
}

// begin loads the site and makes the fact that the flags describe, for the
// dispenser that the journal (after swaps) or the register has at the point.
func (f entryFlags) begin(e *env, kind reading.FactKind) (*config.Site, reading.Fact, error) {
	site, err := f.load(e)
	if err == nil {
		err = station.Enters(site)
	}
	if err != nil {
		return nil, reading.Fact{}, err
	}
	if site.Point(f.Point) == nil {
		return nil, reading.Fact{}, fmt.Errorf("point %q is not in %s\ntry: one of its points, or add it under points:", f.Point, f.Config)
	}
	now := e.now().UTC().Truncate(time.Millisecond)
	at, err := f.At.in(site.Location(), func() time.Time { return now })
	if err != nil {
		return nil, reading.Fact{}, err
	}
	if at.After(now.Add(5 * time.Minute)) {
		return nil, reading.Fact{}, &usageError{fmt.Sprintf("--at %s lies in the future; entries record what was done", f.At)}
	}
	device, err := station.DeviceAt(e.ctx, site, f.Point, at)
	if err != nil {
		return nil, reading.Fact{}, err
	}
	return site, reading.Fact{
		Kind: kind, Point: f.Point, Device: device, At: at.Truncate(time.Millisecond), Received: now,
		By: byOr(f.By), Note: f.Note, Corrects: f.Corrects,
	}, nil
}

// seal gives a fact its id, made from its content, so that the same entry
// handed in twice is one fact.
func seal(f reading.Fact) (reading.Fact, error) {
	f.ID = ""
	unsealed := f
	unsealed.Received = time.Time{}
	body, err := json.Marshal(unsealed)
	if err != nil {
		return f, fmt.Errorf("record entry: %w", err)
	}
	sum := sha256.Sum256(body)
	f.ID = "entry-" + hex.EncodeToString(sum[:8])
	return f, nil
}

// hand records facts through whoever holds the data directory.
func (e *env) hand(site *config.Site, facts ...reading.Fact) ([]reading.Fact, error) {
	for i := range facts {
		sealed, err := seal(facts[i])
		if err != nil {
			return nil, err
		}
		facts[i] = sealed
	}
	desk, err := station.OpenDesk(e.ctx, site)
	if err != nil {
		return nil, err
	}
	defer desk.Close()
	if err := desk.Record(e.ctx, facts...); err != nil {
		return nil, fmt.Errorf("record at point %s: %w", facts[0].Point, err)
	}
	return facts, nil
}

func userName() string {
	if u, err := user.Current(); err == nil && u.Username != "" {
		return u.Username
	}
	return cmp.Or(os.Getenv("USER"), "unknown")
}
