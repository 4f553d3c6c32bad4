package station

import (
	"context"
	"maps"
	"time"

	"dwindle/collector/health"
	"dwindle/collector/influx/outbox"
	"dwindle/collector/journal"
	"dwindle/config"
)

// Forwarding is what is forwarded, for people.
type Forwarding struct {
	// Live says that a process forwards now; else it is what the journal knows.
	Live bool `json:"live"`
	Forwarded
	Check health.Check `json:"check,omitzero"` // the sender's; zero where none forwards
	// Began is when it began, and WrittenToday what was written since the day or,
	// if later, since then.
	Began        time.Time        `json:"began,omitzero"`
	WrittenToday int64            `json:"written_today"`
	Written      int64            `json:"written"` // since it began
	Requests     int64            `json:"requests"`
	RefusedPoint map[string]int64 `json:"refused,omitempty"` // since it began, by reason
}

// Forwarded is what the journal knows of it.
type Forwarded struct {
	Target      string           `json:"target"`
	Rows        int64            `json:"rows"` // that wait
	Estimated   bool             `json:"estimated,omitempty"`
	Readings    int64            `json:"readings"`
	Late        int64            `json:"late_ranges"`
	Facts       int64            `json:"facts"`
	Lines       int64            `json:"lines"` // of daily results
	Oldest      time.Time        `json:"oldest,omitzero"`
	LastWritten time.Time        `json:"last_written,omitzero"`
	KeptAside   map[string]int64 `json:"kept_aside"`  // by reason
	Overwritten map[string]int64 `json:"overwritten"` // of these, by reason
	GivenUp     map[string]int64 `json:"given_up"`    // by reason, or by measurement
}

func outboxOf(b journal.Backlog) Forwarded {
	whole := func(m map[string]int64) map[string]int64 {
		if m == nil {
			return map[string]int64{}
		}
		return maps.Clone(m)
	}
	return Forwarded{
		Target: b.Target, Rows: b.Readings + b.Late + b.Facts + b.Lines, Estimated: b.Estimated, Readings: b.Readings, Late: b.Late, Facts: b.Facts, Lines: b.Lines,
		Oldest: b.Oldest, LastWritten: b.Taken, KeptAside: whole(b.Refused), Overwritten: whole(b.Overwritten), GivenUp: whole(b.GivenUp),
	}
}

// Forwarding says what is forwarded by this process.
func (c *Station) Forwarding(ctx context.Context) (Forwarding, error) {
	now := c.forward.current()
	s, ok := now.stats()
	if !ok {
		return Forwarding{}, noReceiver(c.site.Load())
	}
	b, err := now.box.Backlog(ctx)
	if err != nil {
		return Forwarding{}, err
	}
	at, _ := c.now()
	now.count(c.site.Load().Today(at), s, at)
	out := Forwarding{Live: true, Forwarded: outboxOf(b), Began: now.began, Written: s.Written, Requests: s.Requests, RefusedPoint: s.Refused}
	now.mu.Lock()
	out.WrittenToday = s.Written - now.base
	now.mu.Unlock()
	for _, check := range c.health.List() {
		if check.Name == outbox.Check {
			out.Check = check
		}
	}
	return out, nil
}

// Forwards says whether anything is forwarded with this site file, and if not, why.
func Forwards(site *config.Site) error {
	if forwards(site) == nil {
		return noReceiver(site)
	}
	return nil
}

func noReceiver(site *config.Site) error {
	if site.JournalInInflux() {
		return &Refusal{"this machine works from what others forwarded, and forwards nothing itself", "dwindle forward on the machine that takes the messages in"}
	}
	if site.Influx() != nil {
		return &Refusal{"nothing is forwarded: InfluxDB cannot be written to as the site file says, or was named a moment ago", "see the check " + outbox.Check + " on the health page; after a change to the site file, send dwindle serve a SIGHUP"}
	}
	return &Refusal{"nothing is forwarded: the site file names no InfluxDB", "influx: with url, organisation, bucket and token_file, under stores:"}
}

// Resend has what was refused and kept aside sent again, and gives how much that
// is.
func (c *Station) Resend(ctx context.Context) (int, error) {
	if now := c.forward.current(); now != nil {
		now.mu.Lock()
		box := now.box
		now.mu.Unlock()
		if box == nil {
			return 0, noReceiver(c.site.Load())
		}
		return box.Resend(ctx)
	}
	site := c.site.Load()
	i := forwards(site)
	if i == nil {
		return 0, noReceiver(site)
	}
	b, ok, err := c.journal.Forwarding(ctx)
	if err != nil {
		return 0, err
	}
	// For another receiver all would begin anew, which serving alone does.
	if target := Target(site, i); !ok || b.Target != target {
		return 0, &Refusal{"nothing was sent to the InfluxDB that the site file names", "dwindle serve -c " + site.Path()}
	}
	box, err := c.journal.Outbox(ctx, b.Target)
	if err != nil {
		return 0, err
	}
	return box.Resend(ctx)
}

// Forwarding says what is forwarded: by the process that serves the site, else as
// the journal has it, whose places are up to some minutes old.
func (v *View) Forwarding(ctx context.Context) (Forwarding, error) {
	if err := Forwards(v.Site); err != nil {
		return Forwarding{}, err
	}
	if r, ok := reach(ctx, v.Site.DataDir()); ok {
		defer r.Close()
		return r.Forwarding(ctx)
	}
	b, ok, err := v.Journal.Forwarding(ctx)
	if err != nil {
		return Forwarding{}, err
	}
	if !ok {
		return Forwarding{}, &Refusal{"nothing was forwarded yet", "dwindle serve -c " + v.Site.Path()}
	}
	return Forwarding{Forwarded: outboxOf(b)}, nil
}
