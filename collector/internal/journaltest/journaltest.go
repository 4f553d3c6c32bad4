// Package journaltest says what every store of readings and facts has to do,
// as a table of behaviours that is run against each: the embedded journal, a
// journal that is filled from InfluxDB, and either of them under faults.
//
// A store takes batches as [dwindle/collector/journal.Journal] does and answers
// as [dwindle/collector.History] does. Where a store can only give readings
// back, [RunReadings] asks it for these; [Run] asks for all. [RunFaults] lets a
// store's calls fail, one after the other, and asks for right answers or errors,
// and for right answers once the fault is gone.
//
// It is for tests only. Start with [Run].
package journaltest

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
)

// Readings is a store that gives readings back.
type Readings interface {
	// Put stores a batch; without an error all of it is there for whoever asks
	// afterwards. A batch may be put again.
	Put(ctx context.Context, b journal.Batch) ([]journal.Outcome, error)
	// Readings hands the readings of devices (nil: all) after one instant and up
	// to another to fn: by device, then in the order of reading.Compare.
	Readings(ctx context.Context, devices []string, after, to time.Time, fn func(reading.Reading) error) error
}

// Store answers about days, levels and facts as well.
type Store interface {
	Readings
	Days(ctx context.Context, device string, kind reading.Kind, first, last civil.Date) ([]reading.Day, error)
	Levels(ctx context.Context, device string, from, to time.Time) ([]reading.Sample, error)
	LastSeen(ctx context.Context, device string, until time.Time) (seen time.Time, every time.Duration, ok bool, err error)
	Facts(ctx context.Context, until time.Time) ([]reading.Fact, error)
}

// t0 is a Monday, 07:00 in Vienna.
var t0 = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

// end is after all that is ever stored.
var end = time.Date(2250, 1, 1, 0, 0, 0, 0, time.UTC)

// Site is the register that a store's days are derived under: a small grain
// terminal in Vienna.
func Site() (*config.Site, error) {
	s := &config.Site{
		ID: "terminal", Zone: "Europe/Vienna", Areas: []config.Area{{ID: "intake"}},
		Reservoirs: []config.Reservoir{{ID: "r120", NominalCM3: 125, UsableCM3: 120, TareG: 80}},
		Lubricants: []config.Lubricant{{ID: "grease", DensityGPerCM3: 0.9}},
		Models:     []config.DispenserModel{{ID: "m", CM3PerStroke: 0.5}},
		Gateways:   []config.Gateway{{ID: "gw-1", Machines: []string{"elevator-1"}}},
		Machines:   []config.Machine{{ID: "elevator-1", Area: "intake"}},
		Points:     []config.Point{{ID: "p-1", Machine: "elevator-1", Lubricant: "grease", Reservoir: "r120"}},
		Dispensers: []config.Dispenser{{ID: "d-1", Model: "m", Point: "p-1"}},
	}
	return s, s.Reindex()
}

// devices are those that Answers asks about beside the ones named.
var devices = []string{"d-1", "elevator-1", "gw-1"}

// Answers are what a store says when it is asked about everything, for
// comparison with what another says.
type Answers struct {
	Readings []reading.Reading
	Days     map[string][]reading.Day
	Levels   map[string][]reading.Sample
	Seen     map[string]Seen
	Facts    []reading.Fact
}

// Seen is what LastSeen says.
type Seen struct {
	At    time.Time
	Every time.Duration
	Ok    bool
}

// Ask asks a store about everything: all its readings, and what is derived for
// the devices of the site from the days around the readings of the table.
func Ask(ctx context.Context, s Readings) (a Answers, err error) {
	if a.Readings, err = list(ctx, s, nil, time.Time{}, end); err != nil {
		return a, err
	}
	x, ok := s.(Store)
	if !ok {
		return a, nil
	}
	a.Days, a.Levels, a.Seen = map[string][]reading.Day{}, map[string][]reading.Sample{}, map[string]Seen{}
	for _, device := range devices {
		for _, kind := range []reading.Kind{reading.Run, reading.Pulse, reading.Dose} {
			days, err := x.Days(ctx, device, kind, civil.New(2026, 2, 1), civil.New(2026, 11, 30))
			if err != nil {
				return a, err
			}
			a.Days[device+" "+string(kind)] = append([]reading.Day(nil), days...)
		}
		levels, err := x.Levels(ctx, device, t0.AddDate(0, -1, 0), t0.AddDate(0, 9, 0))
		if err != nil {
			return a, err
		}
		a.Levels[device] = append([]reading.Sample(nil), levels...)
		var seen Seen
		if seen.At, seen.Every, seen.Ok, err = x.LastSeen(ctx, device, end); err != nil {
			return a, err
		}
		a.Seen[device] = seen
	}
	facts, err := x.Facts(ctx, end)
	a.Facts = append([]reading.Fact(nil), facts...)
	return a, err
}

// errEnough is said by who has heard enough.
var errEnough = errors.New("enough")

// list takes readings into a slice.
func list(ctx context.Context, s Readings, devices []string, after, to time.Time) (out []reading.Reading, err error) {
	err = s.Readings(ctx, devices, after, to, func(r reading.Reading) error {
		out = append(out, r)
		return nil
	})
	if err != nil {
		return nil, err
	}
	return out, nil
}

// read is list where it must not fail.
func read(t testing.TB, s Readings, devices []string, after, to time.Time) []reading.Reading {
	t.Helper()
	out, err := list(t.Context(), s, devices, after, to)
	require.NoError(t, err)
	return out
}

// put stores readings, each a message of its own.
func put(t testing.TB, s Readings, rs ...reading.Reading) []journal.Outcome {
	t.Helper()
	return commit(t, s, batchOf(rs...))
}

func batchOf(rs ...reading.Reading) journal.Batch {
	out := make(journal.Batch, len(rs))
	for i, r := range rs {
		out[i].Readings = []reading.Reading{r}
	}
	return out
}

func commit(t testing.TB, s Readings, b journal.Batch) []journal.Outcome {
	t.Helper()
	out, err := s.Put(t.Context(), b)
	require.NoError(t, err)
	return out
}
