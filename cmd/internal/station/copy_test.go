package station

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/alerts/alarm"
	"dwindle/collector/health"
	"dwindle/collector/influx/mirror"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/collector/simulate"
	"dwindle/config"
	"dwindle/forecast"
)

// forwarded is what a gateway's journal would have forwarded, as a fake: all of
// it, unless it is away.
type forwarded struct {
	j    *journal.Journal
	away error
	upto time.Time
}

func (f *forwarded) Devices(context.Context) ([]string, error) { return nil, f.away }

func (f *forwarded) Newest(ctx context.Context, devices []string) (map[reading.Channel]time.Time, error) {
	if f.away != nil {
		return nil, f.away
	}
	return f.j.Ends(ctx, devices)
}

func (f *forwarded) Readings(ctx context.Context, device string, quantities []reading.Quantity, after, to time.Time, fn func(reading.Reading) error) error {
	if f.away != nil {
		return f.away
	}
	return f.j.Readings(ctx, []string{device}, after, to, func(r reading.Reading) error {
		if !slices.Contains(quantities, r.Quantity) {
			return nil
		}
		return fn(r)
	})
}

func (f *forwarded) Late(context.Context, time.Time, func(mirror.Change) error) error { return f.away }
func (f *forwarded) LateEnd(context.Context) (time.Time, error)                       { return time.Time{}, f.away }

func (f *forwarded) Keeps(context.Context) (time.Duration, error) { return 0, f.away }

func (f *forwarded) Forwarded(context.Context) (time.Time, error) { return f.upto, f.away }

func (f *forwarded) Facts(ctx context.Context, _, _ time.Time, fn func(reading.StoredFact) error) error {
	if f.away != nil {
		return f.away
	}
	return f.j.StoredFacts(ctx, fn)
}

func (f *forwarded) Calibrations(context.Context, time.Time, func(journal.Calibration) error) error {
	return f.away
}

// copying gives the site as a server has it that works from InfluxDB.
func copying(site *config.Site, dir string) *config.Site {
	s := *site
	s.Data = dir
	s.Connections.Broker, s.Connections.Brokers, s.Connections.Embedded, s.Connections.Sparkplug = nil, nil, nil, nil
	s.Stores = config.Stores{Journal: config.StoreInflux, Influx: &config.Influx{URL: "http://127.0.0.1:8086", Organisation: "terminal", Bucket: "lube"}}
	if err := s.Reindex(); err != nil {
		panic(err)
	}
	return &s
}

// gateway is a journal that a plant has filled.
func gateway(t *testing.T) (*simulate.Plant, *Station) {
	t.Helper()
	plant := simulate.New(simulate.Options{Seed: 3, Points: 24, Days: 40, ReportEvery: 6 * time.Hour})
	site := *plant.Site()
	site.Data = filepath.Join(t.TempDir(), "gateway")
	require.NoError(t, site.Reindex())
	c, err := New(t.Context(), &site, Options{Now: plant.End})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, c.Close()) })
	require.NoError(t, c.Record(t.Context(), plant.Facts()...))
	for m := range plant.Messages() {
		require.NoError(t, c.intake.Submit(t.Context(), reading.Message{Topic: m.Topic, Payload: m.Payload, Received: m.At, Source: "simulated"}))
	}
	require.NoError(t, c.intake.Flush(t.Context()))
	return plant, c
}

// telemetry lists the alarms of devices and gateways that are not heard of.
func telemetry(t *testing.T, c *Station) (out []string) {
	t.Helper()
	rows, err := c.AlarmRows(t.Context(), false)
	require.NoError(t, err)
	for _, r := range rows {
		if r.Type == alarm.NoTelemetry || r.Type == alarm.GatewaySilent {
			out = append(out, string(r.Type)+" "+r.Device+r.Gateway)
		}
	}
	return out
}

// A database that is away makes the copy old, and no device silent: it is said
// once, by the check of the copy and the alarm that follows from it.
func TestADatabaseThatIsAwayIsOneCause(t *testing.T) {
	plant, from := gateway(t)
	source, now := &forwarded{j: from.journal}, plant.End()
	c, err := New(t.Context(), copying(plant.Site(), t.TempDir()), Options{
		Now: func() time.Time { return now }, Source: func(*config.Site) (mirror.Source, error) { return source, nil },
	})
	require.NoError(t, err)
	defer func() { require.NoError(t, c.Close()) }()

	_, ok := c.asOf(now)
	require.False(t, ok, "nothing is known before the first copy")
	require.False(t, c.Ready().OK())
	_, err = c.mirror.Sync(t.Context())
	require.NoError(t, err)
	_, ok = c.asOf(now)
	require.False(t, ok, "the gateway is still forwarding its past")
	require.False(t, c.Ready().OK())
	source.upto = now.AddDate(0, 0, 30)
	_, err = c.mirror.Sync(t.Context())
	require.NoError(t, err)
	at, ok := c.asOf(now)
	require.True(t, ok)
	require.Equal(t, now, at)
	require.True(t, c.Ready().OK(), "%+v", c.Ready())
	want, err := from.Pass(t.Context(), at)
	require.NoError(t, err)
	got, err := c.Pass(t.Context(), at)
	require.NoError(t, err)
	require.True(t, rowsOf(t, want) == rowsOf(t, got), "the same as on the gateway")
	silent := telemetry(t, c)

	now = now.Add(3 * 24 * time.Hour)
	source.away = errors.New("no route to host")
	_, err = c.mirror.Sync(t.Context())
	require.ErrorIs(t, err, source.away)
	at, ok = c.asOf(now)
	require.True(t, ok)
	require.Equal(t, plant.End(), at)
	for range 3 {
		_, err = c.Pass(t.Context(), at)
		require.NoError(t, err)
	}
	require.Equal(t, silent, telemetry(t, c))
	require.Equal(t, health.Bad, levelOf(c, mirror.CheckName))
	require.True(t, c.Ready().OK(), "what is known is still shown")
	lookAt(t, c, 0)
	lookAt(t, c, 2*time.Minute)
	r, there := trouble(t, c, mirror.CheckName)
	require.True(t, there)
	require.Contains(t, r.Cause, "no route to host")

	// The same of a gateway that does not forward.
	source.away, source.upto = nil, plant.End().Add(time.Minute)
	_, err = c.mirror.Sync(t.Context())
	require.NoError(t, err)
	at, ok = c.asOf(now)
	require.True(t, ok)
	require.Equal(t, source.upto, at)
	_, err = c.Pass(t.Context(), at)
	require.NoError(t, err)
	require.Equal(t, silent, telemetry(t, c))
	require.Equal(t, health.Bad, levelOf(c, mirror.CheckName))

	// Were the time of the clock taken, all of them would seem silent.
	_, err = c.Pass(t.Context(), now)
	require.NoError(t, err)
	require.Greater(t, len(telemetry(t, c)), len(silent))
}

func rowsOf(t *testing.T, f forecast.Fleet) string {
	t.Helper()
	var all []any
	for _, s := range f.States {
		all = append(all, s.Row, s.Delivery)
	}
	text, err := json.Marshal(all)
	require.NoError(t, err)
	return string(text)
}

func TestACopyTakesNoEntries(t *testing.T) {
	site := copying(terminal(t, t.TempDir()), t.TempDir())
	c, err := New(t.Context(), site, Options{Source: func(*config.Site) (mirror.Source, error) { return &forwarded{}, nil }})
	require.NoError(t, err)
	defer func() { require.NoError(t, c.Close()) }()
	var refused *Refusal
	for what, err := range map[string]error{
		"record": c.Record(t.Context(), reading.Fact{Kind: reading.FactChange, Point: "be-01-head"}),
		"replay": func() error { _, err := c.Replay(t.Context(), hourly(0, 1)); return err }(),
		"learn":  func() error { _, err := c.Learn(t.Context(), time.Now()); return err }(),
	} {
		require.ErrorAs(t, err, &refused, what)
		require.Contains(t, refused.Remedy, "gateway", what)
	}
	empty, err := c.journal.Empty(t.Context())
	require.NoError(t, err)
	require.True(t, empty)
}

// What lies in the data directory is what the site file says, or it is said;
// only a copy is ever removed.
func TestACopyAndAJournalAreNotTakenForEachOther(t *testing.T) {
	ctx := t.Context()
	own := terminal(t, t.TempDir())
	c, err := New(ctx, own, Options{})
	require.NoError(t, err)
	feed(t, c, hourly(0, 50))
	source := &forwarded{j: c.journal}
	opt := Options{Source: func(*config.Site) (mirror.Source, error) { return source, nil }}

	site := copying(own, filepath.Join(t.TempDir(), "copy"))
	x, err := New(ctx, site, opt)
	require.NoError(t, err)
	_, err = x.mirror.Sync(ctx)
	require.NoError(t, err)
	require.NoError(t, x.Close())
	require.NoError(t, c.Close())

	var refused *Refusal
	over := copying(own, own.DataDir())
	_, err = New(ctx, over, opt)
	require.ErrorAs(t, err, &refused)
	require.Contains(t, refused.What, "readings of this machine's own")
	_, err = OpenView(ctx, over)
	require.ErrorAs(t, err, &refused)
	require.EqualValues(t, 50, readings(t, own), "nothing of it is lost")

	back := *own
	back.Data = site.DataDir()
	require.NoError(t, back.Reindex())
	_, err = New(ctx, &back, opt)
	require.ErrorAs(t, err, &refused)
	require.Contains(t, refused.What, "working copy")
	_, err = OpenView(ctx, &back)
	require.ErrorAs(t, err, &refused)

	// Of another bucket: begun anew. The same again: kept.
	x, err = New(ctx, site, opt)
	require.NoError(t, err)
	empty, err := x.journal.Empty(ctx)
	require.NoError(t, err)
	require.False(t, empty)
	require.NoError(t, x.Close())
	i := *site.Stores.Influx
	i.Bucket = "lube-2"
	site.Stores.Influx = &i
	_, err = OpenView(ctx, site)
	require.ErrorAs(t, err, &refused)
	require.Contains(t, refused.What, "something else")
	x, err = New(ctx, site, opt)
	require.NoError(t, err)
	empty, err = x.journal.Empty(ctx)
	require.NoError(t, err)
	require.True(t, empty)
	state, err := mirror.Noted(ctx, x.journal)
	require.NoError(t, err)
	require.Zero(t, state.Complete)
	require.NoError(t, x.Close())
}

// A copy that is damaged or deleted is made anew, without a snapshot in its place.
// What was damaged is not removed: nobody can tell that it was a copy.
func TestADamagedCopyIsMadeAnew(t *testing.T) {
	ctx := t.Context()
	own := terminal(t, t.TempDir())
	c, err := New(ctx, own, Options{})
	require.NoError(t, err)
	feed(t, c, hourly(0, 200))
	defer func() { require.NoError(t, c.Close()) }()
	opt := Options{Source: func(*config.Site) (mirror.Source, error) { return &forwarded{j: c.journal}, nil }}
	site := copying(own, filepath.Join(t.TempDir(), "copy"))
	for _, spoil := range []func(path string){
		func(string) {},
		func(path string) {
			require.NoError(t, os.WriteFile(path, []byte(strings.Repeat("no database ", 1000)), 0o600))
		},
		func(path string) { require.NoError(t, os.Remove(path)) },
	} {
		spoil(filepath.Join(site.DataDir(), journalFile))
		x, err := New(ctx, site, opt)
		require.NoError(t, err)
		_, err = x.mirror.Sync(ctx)
		require.NoError(t, err)
		require.NoError(t, x.intake.Flush(ctx))
		require.NoError(t, x.Snapshot(ctx))
		require.Empty(t, damages(site.DataDir()))
		require.NoError(t, x.Close())
		require.EqualValues(t, 200, readings(t, site))
	}
	aside, err := filepath.Glob(filepath.Join(site.DataDir(), "set-aside-*", journalFile))
	require.NoError(t, err)
	require.Len(t, aside, 1)
	text, err := os.ReadFile(aside[0])
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(string(text), "no database "))
	require.Empty(t, snapshotsOf(site.SnapshotDir(), journalStore, time.Now()))
	require.NotEmpty(t, snapshotsOf(site.SnapshotDir(), ledgerStore, time.Now()), "decisions are kept only here")
}

func TestWhereACopyComesFromTakesARestart(t *testing.T) {
	own := terminal(t, t.TempDir())
	a, b := copying(own, own.DataDir()), copying(own, own.DataDir())
	require.Empty(t, needsRestart(a, b))
	b.Stores.Influx.Bucket = "lube-2"
	require.Equal(t, "stores", needsRestart(a, b))
	require.Equal(t, "stores", needsRestart(a, own))
}

// A reader waits for a copy, and says how old it is when it cannot be brought up
// to date.
func TestRefresh(t *testing.T) {
	ctx := t.Context()
	own := terminal(t, t.TempDir())
	c, err := New(ctx, own, Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, c.Close()) }()
	feed(t, c, hourly(0, 50))
	source := &forwarded{j: c.journal, away: errors.New("no route to host"), upto: time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)}
	site := copying(own, filepath.Join(t.TempDir(), "copy"))
	now := time.Date(2026, 3, 5, 6, 0, 0, 0, time.UTC)
	opt := Options{Now: func() time.Time { return now }, Source: func(*config.Site) (mirror.Source, error) { return source, nil }}
	var told []string
	refresh := func() error {
		told = nil
		return Refresh(ctx, site, opt, func(text string) { told = append(told, text) })
	}
	var refused *Refusal
	require.ErrorAs(t, refresh(), &refused)
	require.Contains(t, refused.What, "not complete yet")
	source.away = nil
	require.NoError(t, refresh())
	require.Empty(t, told)
	require.EqualValues(t, 50, readings(t, site))

	feed(t, c, hourly(50, 10))
	now = now.Add(time.Hour)
	lost := &url.Error{Op: "Post", URL: "http://127.0.0.1:8086/api/v2/query", Err: &net.OpError{Op: "dial", Err: errors.New("no route to host")}}
	source.away = errors.Join(fmt.Errorf("read disp-1: %w", lost), fmt.Errorf("read disp-2: %w", lost))
	require.NoError(t, refresh())
	require.Len(t, told, 1)
	note, remedy, _ := strings.Cut(told[0], "\n")
	require.Equal(t, "the working copy is as of 5 Mar 2026 07:00: InfluxDB does not answer: dial: no route to host", note)
	require.Contains(t, remedy, "try:  see that InfluxDB runs")
	require.NotContains(t, remedy, "\n")
	require.EqualValues(t, 50, readings(t, site))
	source.away = nil
	require.NoError(t, refresh())
	require.Empty(t, told)
	require.EqualValues(t, 60, readings(t, site))

	// While somebody serves, that one keeps it up to date. What was complete before
	// is used from the first moment on.
	x, err := New(ctx, site, opt)
	require.NoError(t, err)
	at, ok := x.asOf(now.Add(time.Hour))
	require.True(t, ok)
	require.Equal(t, now, at)
	now = now.Add(time.Hour)
	require.NoError(t, refresh())
	require.Len(t, told, 1)
	require.Contains(t, told[0], "as of 5 Mar 2026 08:00")
	require.NoError(t, x.Close())

	// Who may read it only, as those in the group of the service, does so.
	for _, no := range []error{fs.ErrPermission, syscall.EROFS} {
		take = func(string) (*lock, error) { return nil, fmt.Errorf("take the data directory for writing: %w", no) }
		err := refresh()
		take = acquire
		require.NoError(t, err)
		require.Len(t, told, 1)
		require.Contains(t, told[0], "as of 5 Mar 2026 08:00")
	}
}
