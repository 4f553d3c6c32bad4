package board

import (
	"context"
	"time"

	"dwindle/alerts/alarm"
	"dwindle/collector/health"
	"dwindle/config"
	"dwindle/forecast"
)

// Source is what the pages show. Methods are read only, safe for concurrent
// use, and quick: pages are rendered while a visitor waits.
type Source interface {
	// Site is the site file in force.
	Site() *config.Site
	// Fleet is the newest pass; ok is false before the first.
	Fleet() (fleet forecast.Fleet, ok bool)
	// Alarms gives the alarm list, or the history (newest first, at most
	// limit rows) where history is set. A point id narrows either.
	Alarms(ctx context.Context, point string, history bool, limit int) ([]alarm.Row, error)
	// Prompts gives planned work and hints.
	Prompts(ctx context.Context) ([]alarm.Prompt, error)
	// Fills gives the reservoir changes of a point, newest first.
	Fills(ctx context.Context, point string) ([]Fill, error)
	// Checks gives what is wrong now, from memory: every page asks.
	Checks() []Check
	// Live says whether the program does its work, Ready whether it can take
	// messages, for the supervisors that ask at /healthz and /readyz.
	Live() health.Probe
	Ready() health.Probe
	// Health gives what came in and what was not taken.
	Health(ctx context.Context) (Health, error)
}

// Fill is one reservoir in service at a point.
type Fill struct {
	Began       time.Time
	Ended       time.Time // zero: the one in service
	Device      string
	VolumeCM3   *float64
	ResidualCM3 *float64 // left when it was taken off
	By          string
	Note        string
}

// Health is what came in.
type Health struct {
	Counts  []Count // of the intake, in the order to show
	Kept    []Kept
	Unknown []Unknown
	Noticed []Notice // newest first
	Clocks  []Clock
	Forward *Forward // nil: nothing is forwarded
}

// Forward is what is forwarded to another store.
type Forward struct {
	To     string    // the receiver
	Oldest time.Time // of what waits; zero: nothing does
	Last   time.Time // when something was taken; zero: not yet
	Counts []Count   // in the order to show
	Kept   []Refusal // refused and kept aside, newest first
}

// Refusal is a point that the receiver did not take.
type Refusal struct {
	At                  time.Time
	Reason, Words, Line string
}

// Check is one named check.
type Check struct {
	Name  string
	Level string // ok, warn or bad
	What  string
	Try   string
	Since time.Time
}

// Count is a counter of the intake, in words.
type Count struct {
	Name string
	N    int64
}

// Kept says how many messages were kept aside for a reason, with the newest.
type Kept struct {
	Reason  string
	N       int64
	Samples []Sample
}

// Sample is one message that was kept aside.
type Sample struct {
	Received time.Time
	Topic    string
	Payload  string
	Detail   string
}

// Notice is something that was noticed about a device's readings, or about the
// collecting itself, and that may be over by now.
type Notice struct {
	At       time.Time
	Until    time.Time // zero: it lasts; At: it took no time
	Device   string    // empty: the program's own
	Words    string
	Evidence string
	Try      string
}

// Clock is what is known of a device's own clock.
type Clock struct {
	Device string
	Behind time.Duration // negative: ahead
	Hint   string        // what else is wrong with it; mostly empty
}

// Unknown is a device that sends and is not in the register.
type Unknown struct {
	Device   string
	First    time.Time
	Last     time.Time
	Messages int64
}
