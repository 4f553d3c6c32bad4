package mirror_test

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"maps"
	"math"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/collector"
	"dwindle/collector/health"
	"dwindle/collector/influx/mirror"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
)

func TestMain(m *testing.M) {
	// Each check opens several journals. A longer look: -rapid.checks.
	if f := flag.Lookup("rapid.checks"); f != nil {
		if err := f.Value.Set("20"); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}

var t0 = time.Date(2026, 3, 27, 6, 0, 0, 0, time.UTC) // two days before the clocks are put forward in Vienna

var devices = []string{"elevator-1", "gw-1", "d-1", "d-2"}

func plant(t require.TestingT) *config.Site {
	s := &config.Site{
		ID: "terminal", Zone: "Europe/Vienna", Areas: []config.Area{{ID: "intake"}},
		Reservoirs:  []config.Reservoir{{ID: "r120", NominalCM3: 125, UsableCM3: 120, TareG: 80}},
		Lubricants:  []config.Lubricant{{ID: "grease", DensityGPerCM3: 0.9}},
		Models:      []config.DispenserModel{{ID: "m", CM3PerStroke: 0.5}},
		Gateways:    []config.Gateway{{ID: "gw-1", Machines: []string{"elevator-1"}, Dispensers: []string{"d-1"}}},
		Machines:    []config.Machine{{ID: "elevator-1", Area: "intake"}},
		Points:      []config.Point{{ID: "p-1", Machine: "elevator-1", Lubricant: "grease", Reservoir: "r120"}, {ID: "p-2", Machine: "elevator-1", Lubricant: "grease", Reservoir: "r120"}},
		Dispensers:  []config.Dispenser{{ID: "d-1", Model: "m", Point: "p-1"}, {ID: "d-2", Model: "m", Point: "p-2"}},
		Connections: config.Connections{Prefix: "lube/v1"},
	}
	require.NoError(t, s.Reindex())
	return s
}

// house is a journal with a running intake.
type house struct {
	dir    string
	site   *config.Site
	j      *journal.Journal
	in     *collector.Intake
	h      *collector.History
	checks *health.Checks
	stop   func()
}

func open(t require.TestingT, dir string, site *config.Site) *house {
	x := &house{dir: dir, site: site, checks: health.New(nil)}
	var err error
	x.j, err = journal.Open(context.Background(), filepath.Join(dir, "journal.db"), journal.Options{})
	require.NoError(t, err)
	get := func() *config.Site { return site }
	x.in = collector.NewIntake(get, x.j, x.checks, nil)
	x.h = collector.NewHistory(x.j, get)
	x.h.Mends(x.in)
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		_ = x.in.Run(ctx)
	}()
	x.stop = func() {
		stop()
		<-ended
		require.NoError(t, x.j.Close())
	}
	return x
}

// count stores pulse counts of d-1 at minutes after t0.
func (x *house) count(t require.TestingT, minutes ...int) {
	var b journal.Batch
	for _, i := range minutes {
		at := t0.Add(time.Duration(i) * time.Minute)
		b = append(b, journal.Entry{Readings: []reading.Reading{{Channel: reading.Channel{Device: "d-1", Quantity: reading.PulseCount}, At: at, Received: at, FromDevice: true, Count: int64(i), Value: float64(i)}}})
	}
	_, err := x.j.Commit(context.Background(), b)
	require.NoError(t, err)
}

func (x *house) readings(t require.TestingT) []reading.Reading {
	var out []reading.Reading
	require.NoError(t, x.j.Readings(context.Background(), nil, time.Time{}, t0.AddDate(9, 0, 0), func(r reading.Reading) error {
		out = append(out, r)
		return nil
	}))
	return out
}

func (x *house) facts(t require.TestingT) []reading.StoredFact {
	var out []reading.StoredFact
	require.NoError(t, x.j.StoredFacts(context.Background(), func(f reading.StoredFact) error {
		out = append(out, f)
		return nil
	}))
	return out
}

// answers is all that a history says.
type answers struct {
	Days    map[string][]reading.Day
	Amounts []reading.Amount
	Levels  map[string][]reading.Sample
	Seen    []string
	Facts   []reading.Fact
}

func (x *house) ask(t require.TestingT, until time.Time) answers {
	ctx := context.Background()
	h := x.h.AsOf(until)
	out := answers{Days: map[string][]reading.Day{}, Levels: map[string][]reading.Sample{}}
	first, last := civil.Of(t0, x.site.Location())-3, civil.Of(until, x.site.Location())+2
	for _, d := range devices {
		for _, kind := range []reading.Kind{reading.Run, reading.Pulse, reading.Dose} {
			days, err := h.Days(ctx, d, kind, first, last)
			require.NoError(t, err)
			out.Days[d+" "+string(kind)] = slices.Clone(days)
			for _, from := range []time.Time{t0.Add(-time.Hour), t0.Add(13 * time.Hour), t0.Add(50 * time.Hour)} {
				a, err := h.Amount(ctx, d, kind, from, until)
				require.NoError(t, err)
				out.Amounts = append(out.Amounts, a)
			}
		}
		levels, err := h.Levels(ctx, d, t0.AddDate(0, 0, -2), until)
		require.NoError(t, err)
		out.Levels[d] = slices.Clone(levels)
		seen, every, ok, err := h.LastSeen(ctx, d, until)
		require.NoError(t, err)
		out.Seen = append(out.Seen, fmt.Sprint(d, seen, every, ok))
	}
	facts, err := h.Facts(ctx, until)
	require.NoError(t, err)
	out.Facts = facts
	return out
}

// place is where a reading lies in the database.
type place struct {
	at  int64
	key string
}

// database is what a gateway has forwarded to, as a fake.
type database struct {
	points map[reading.Channel]map[place]reading.Reading
	reach  map[reading.Channel]int64 // what was read of the journal up to here; later changes below are late
	feed   []mirror.Change
	facts  map[string]reading.StoredFact
	learnt []journal.Calibration
	clock  time.Time // of the gateway
	upto   time.Time
	keeps  time.Duration

	fails func() error // asked with each question, and with each row
}

func newDatabase() *database {
	return &database{
		points: map[reading.Channel]map[place]reading.Reading{}, reach: map[reading.Channel]int64{},
		facts: map[string]reading.StoredFact{}, clock: t0, upto: t0.AddDate(20, 0, 0), fails: func() error { return nil },
	}
}

// forward brings the database what a journal has, as an outbox does; halfway,
// only the feed tells of what is late.
func (x *database) forward(t require.TestingT, from *house, halfway bool) {
	x.clock = x.clock.Add(time.Second)
	now := map[reading.Channel]map[place]reading.Reading{}
	for _, r := range from.readings(t) {
		if now[r.Channel] == nil {
			now[r.Channel] = map[place]reading.Reading{}
		}
		now[r.Channel][place{r.At.UnixMilli(), r.Key}] = r
	}
	for ch := range x.points {
		if now[ch] == nil {
			now[ch] = nil
		}
	}
	for ch, list := range now {
		reach, ok := x.reach[ch]
		if !ok {
			reach = math.MinInt64
		}
		if x.points[ch] == nil {
			x.points[ch] = map[place]reading.Reading{}
		}
		late := func(at int64) {
			when := time.UnixMilli(at).UTC()
			x.feed = append(x.feed, mirror.Change{At: x.clock, Device: ch.Device, Quantity: ch.Quantity, From: when, To: when})
		}
		for at, r := range list {
			if old, ok := x.points[ch][at]; ok && old == r {
				continue
			}
			if at.at <= reach {
				late(at.at)
			}
			if at.at > reach || !halfway {
				x.points[ch][at] = r
			}
			x.reach[ch] = max(x.reach[ch], at.at)
		}
		for at := range x.points[ch] {
			if _, ok := list[at]; !ok {
				late(at.at)
				if !halfway {
					delete(x.points[ch], at)
				}
			}
		}
	}
	for _, f := range from.facts(t) {
		old, ok := x.facts[f.ID]
		if ok && fmt.Sprint(old) == fmt.Sprint(f) {
			continue
		}
		x.facts[f.ID] = f
		c := mirror.Change{At: x.clock, Device: f.Device, From: f.At, To: f.At}
		if len(x.feed)%3 == 0 { // told with others, of long ago
			c.From = c.From.AddDate(0, -3, 0)
		}
		x.feed = append(x.feed, c)
	}
}

func (x *database) Devices(context.Context) ([]string, error) {
	var out []string
	for ch := range x.points {
		out = append(out, ch.Device)
	}
	return out, x.fails()
}

func (x *database) Newest(_ context.Context, devices []string) (map[reading.Channel]time.Time, error) {
	out := map[reading.Channel]time.Time{}
	for ch, list := range x.points {
		for _, r := range list {
			if slices.Contains(devices, ch.Device) && r.At.After(out[ch]) {
				out[ch] = r.At
			}
		}
	}
	return out, x.fails()
}

func (x *database) Readings(_ context.Context, device string, quantities []reading.Quantity, after, to time.Time, fn func(reading.Reading) error) error {
	var out []reading.Reading
	for ch, list := range x.points {
		for _, r := range list {
			if ch.Device == device && slices.Contains(quantities, ch.Quantity) && (after.IsZero() || r.At.After(after)) && !r.At.After(to) {
				out = append(out, r)
			}
		}
	}
	slices.SortFunc(out, reading.Compare)
	for _, r := range out {
		if err := errors.Join(x.fails(), fn(r)); err != nil {
			return err
		}
	}
	return x.fails()
}

func (x *database) Late(_ context.Context, since time.Time, fn func(mirror.Change) error) error {
	for _, c := range x.feed {
		if c.At.Before(since) {
			continue
		}
		if err := errors.Join(x.fails(), fn(c)); err != nil {
			return err
		}
	}
	return x.fails()
}

func (x *database) LateEnd(context.Context) (time.Time, error) {
	var out time.Time
	for _, c := range x.feed {
		out = c.At
	}
	return out, x.fails()
}

func (x *database) Keeps(context.Context) (time.Duration, error) { return x.keeps, x.fails() }

func (x *database) Forwarded(context.Context) (time.Time, error) { return x.upto, x.fails() }

func (x *database) Facts(_ context.Context, from, to time.Time, fn func(reading.StoredFact) error) error {
	for _, f := range x.facts {
		if f.At.Before(from) || f.At.After(to) {
			continue
		}
		if err := errors.Join(x.fails(), fn(f)); err != nil {
			return err
		}
	}
	return x.fails()
}

func (x *database) Calibrations(_ context.Context, since time.Time, fn func(journal.Calibration) error) error {
	for _, c := range x.learnt {
		if c.Stored.Before(since) {
			continue
		}
		if err := errors.Join(x.fails(), fn(c)); err != nil {
			return err
		}
	}
	return x.fails()
}

var errAway = errors.New("the database is away")

// copied is a machine with a working copy.
type copied struct {
	*house
	m      *mirror.Mirror
	db     *database
	rows   int
	now    func() time.Time
	broken func() error // of a commit: nil it is done; after it, too
}

func (x *copied) open(t require.TestingT) {
	x.house = open(t, x.dir, x.site)
	x.m = mirror.New(mirror.Options{
		Source: x.db, Journal: x.j, Rows: x.rows, Health: x.checks, Now: x.now,
		Devices: func() []string { return devices },
		Commit: func(ctx context.Context, c journal.Copied) (journal.Result, error) {
			if err := x.broken(); err != nil {
				return journal.Result{}, err
			}
			result, err := x.in.TakeOver(ctx, c)
			return result, errors.Join(err, x.broken())
		},
	})
	if x.rows > 0 {
		x.m.Entries(3 * x.rows)
	}
}

func newCopied(t require.TestingT, dir string, db *database, rows int, now func() time.Time) *copied {
	x := &copied{house: &house{dir: dir, site: plant(t)}, db: db, rows: rows, now: now, broken: func() error { return nil }}
	x.open(t)
	return x
}

// drawReading draws a reading, mostly of the minutes that follow.
func drawReading(t *rapid.T, minute int) reading.Reading {
	ch := rapid.SampledFrom([]reading.Channel{
		{Device: "elevator-1", Quantity: reading.RunHours}, {Device: "elevator-1", Quantity: reading.RunRunning},
		{Device: "d-1", Quantity: reading.PulseCount}, {Device: "d-1", Quantity: reading.PulseIncrement}, {Device: "d-2", Quantity: reading.PulseIncrement},
		{Device: "d-1", Quantity: reading.LevelCM3}, {Device: "d-1", Quantity: reading.StatusOnline}, {Device: "gw-1", Quantity: reading.StatusOnline},
		{Device: "d-2", Quantity: reading.DoseStrokes}, {Device: "d-2", Quantity: reading.StatusTempC},
	}).Draw(t, "channel")
	back := rapid.SampledFrom([]int{0, 0, 0, 0, 1, 5, 60, 300, 3000}).Draw(t, "late")
	at := t0.Add(time.Duration(max(0, minute-back)) * 7 * time.Minute)
	n := int64(minute) + int64(rapid.IntRange(0, 3).Draw(t, "value"))
	r := reading.Reading{Channel: ch, At: at, Received: at.Add(time.Duration(rapid.IntRange(0, 5).Draw(t, "lag")) * time.Second), FromDevice: true, Value: float64(n)}
	switch ch.Quantity {
	case reading.RunHours, reading.LevelCM3, reading.StatusTempC:
		r.Value = float64(n) / 10
	case reading.RunRunning, reading.StatusOnline:
		r.Value = float64(n % 2)
	case reading.PulseIncrement:
		r.Count, r.Value = 1, 1
		r.Key = fmt.Sprint("k-", rapid.IntRange(0, 40).Draw(t, "key"))
	default:
		r.Count = n
	}
	if rapid.IntRange(0, 9).Draw(t, "clock") == 0 {
		r.FromDevice, r.Flags, r.At = false, reading.ReceiveTime, r.Received
	}
	return r
}

func drawFact(t *rapid.T, minute int) reading.Fact {
	at := t0.Add(time.Duration(max(0, minute-rapid.SampledFrom([]int{0, 0, 3, 400}).Draw(t, "late"))) * 7 * time.Minute)
	f := reading.Fact{Kind: reading.FactSetting, Device: "d-1", At: at, Received: at.Add(time.Second), Pacing: "run"}
	amount := float64(rapid.IntRange(1, 3).Draw(t, "setting"))
	f.CM3Per100h = &amount
	if rapid.Bool().Draw(t, "change") {
		f = reading.Fact{ID: fmt.Sprint("entry-", rapid.IntRange(0, 5).Draw(t, "id")), Kind: reading.FactChange, Point: "p-1", Device: "d-1", At: at, Received: at, VolumeCM3: &amount, By: "kim"}
	}
	return f
}

// same says that a copy equals the journal that it follows.
func same(t require.TestingT, want *house, got *house, minute int) {
	require.Equal(t, want.readings(t), got.readings(t))
	require.Equal(t, want.facts(t), got.facts(t))
	for _, until := range []time.Time{t0.Add(30 * time.Hour), t0.Add(time.Duration(minute)*7*time.Minute + time.Hour)} {
		require.Equal(t, want.ask(t, until), got.ask(t, until))
	}
}

// A copy equals its source whatever comes late, is changed or taken away, and
// whatever fails meanwhile; two copies do not know of each other.
func TestACopyEqualsItsSource(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		root, err := os.MkdirTemp("", "mirror")
		require.NoError(t, err)
		defer os.RemoveAll(root)
		ctx := context.Background()
		source := open(t, filepath.Join(root, "source"), plant(t))
		defer func() { source.stop() }()
		db := newDatabase()
		now := t0
		var copies []*copied
		for i, rows := range []int{1, 4} {
			x := newCopied(t, filepath.Join(root, fmt.Sprint("copy", i)), db, rows, func() time.Time { return now })
			defer func() { x.stop() }()
			copies = append(copies, x)
		}
		minute := 0
		t.Repeat(map[string]func(*rapid.T){
			"messages": func(t *rapid.T) {
				var b journal.Batch
				for range rapid.IntRange(1, 12).Draw(t, "n") {
					minute += rapid.SampledFrom([]int{0, 1, 1, 2, 40}).Draw(t, "minutes")
					e := journal.Entry{Readings: []reading.Reading{drawReading(t, minute)}}
					if rapid.IntRange(0, 5).Draw(t, "fact") == 0 {
						e.Facts, e.Person = []reading.Fact{drawFact(t, minute)}, rapid.Bool().Draw(t, "person")
					}
					b = append(b, e)
				}
				_, err := source.j.Commit(ctx, b)
				require.NoError(t, err)
			},
			"taken back": func(t *rapid.T) {
				ch := reading.Channel{Device: "d-1", Quantity: rapid.SampledFrom([]reading.Quantity{reading.PulseCount, reading.LevelCM3, reading.PulseIncrement}).Draw(t, "quantity")}
				at := t0.Add(time.Duration(rapid.IntRange(0, minute+1).Draw(t, "minute")) * 7 * time.Minute)
				_, err := source.j.TakeOver(ctx, journal.Copied{Stretches: []journal.Stretch{{Device: ch.Device, Quantities: []reading.Quantity{ch.Quantity}, After: at, To: at.Add(20 * time.Minute)}}})
				require.NoError(t, err)
			},
			"clock mended": func(t *rapid.T) {
				from := t0.Add(time.Duration(rapid.IntRange(0, minute+1).Draw(t, "minute")) * 7 * time.Minute)
				_, err := source.j.Shift(ctx, from, from.Add(time.Hour), time.Duration(rapid.SampledFrom([]int{-600, 900}).Draw(t, "by"))*time.Second)
				require.NoError(t, err)
			},
			"forwarded": func(t *rapid.T) { db.forward(t, source, rapid.Bool().Draw(t, "halfway")) },
			"run": func(t *rapid.T) {
				x := rapid.SampledFrom(copies).Draw(t, "copy")
				now = now.Add(time.Duration(rapid.SampledFrom([]int{1, 1, 90}).Draw(t, "minutes")) * time.Minute)
				left := rapid.IntRange(0, 60).Draw(t, "fails after")
				if rapid.Bool().Draw(t, "sound") {
					left = math.MaxInt
				}
				fails := func() error {
					if left--; left < 0 {
						return errAway
					}
					return nil
				}
				if rapid.Bool().Draw(t, "disk") {
					x.broken = fails
				} else {
					db.fails = fails
				}
				run := x.m.Sync
				if rapid.Bool().Draw(t, "lazy") {
					run = x.m.SyncLazily
				}
				_, err := run(ctx)
				x.broken, db.fails = func() error { return nil }, func() error { return nil }
				if left == math.MaxInt {
					require.NoError(t, err)
				}
				if err != nil {
					require.ErrorIs(t, err, errAway)
				}
				if rapid.Bool().Draw(t, "stopped") {
					x.stop()
					x.open(t)
				}
			},
		})
		db.forward(t, source, false)
		now = now.Add(time.Minute)
		for _, x := range copies {
			_, err := x.m.Sync(ctx)
			require.NoError(t, err)
			same(t, source, x.house, minute)
		}
	})
}

func TestACopyIsLeftAloneWhereNothingIsNew(t *testing.T) {
	ctx := context.Background()
	source := open(t, t.TempDir(), plant(t))
	defer source.stop()
	var b journal.Batch
	for i := range 500 {
		at := t0.Add(time.Duration(i) * time.Minute)
		b = append(b, journal.Entry{Readings: []reading.Reading{
			{Channel: reading.Channel{Device: "d-1", Quantity: reading.PulseCount}, At: at, Received: at, FromDevice: true, Count: int64(i), Value: float64(i)},
			{Channel: reading.Channel{Device: "elevator-1", Quantity: reading.RunHours}, At: at, Received: at, FromDevice: true, Value: float64(i) / 60},
		}})
	}
	_, err := source.j.Commit(ctx, b)
	require.NoError(t, err)
	db, now := newDatabase(), t0
	db.forward(t, source, false)
	x := newCopied(t, t.TempDir(), db, 0, func() time.Time { return now })
	defer x.stop()
	out, err := x.m.Sync(ctx)
	require.NoError(t, err)
	require.Equal(t, 1000, out.Readings)
	require.Equal(t, 1000, out.Rows)
	out, err = x.m.Sync(ctx)
	require.NoError(t, err)
	require.Zero(t, out.Readings)
	now = now.Add(2 * time.Hour)
	out, err = x.m.Sync(ctx)
	require.NoError(t, err)
	require.Equal(t, 130, out.Readings, "the last 65 minutes of two channels are read again")
	require.Zero(t, out.Rows, "and change nothing")
	require.Equal(t, now, out.Complete)
}

func TestWhatTheDatabaseForgotStaysInTheCopy(t *testing.T) {
	ctx := context.Background()
	source := open(t, t.TempDir(), plant(t))
	defer source.stop()
	ch := reading.Channel{Device: "d-1", Quantity: reading.PulseCount}
	var b journal.Batch
	for i := range 60 {
		at := t0.AddDate(0, 0, i)
		b = append(b, journal.Entry{Readings: []reading.Reading{{Channel: ch, At: at, Received: at, FromDevice: true, Count: int64(i), Value: float64(i)}}})
	}
	_, err := source.j.Commit(ctx, b)
	require.NoError(t, err)
	db := newDatabase()
	db.keeps = 30 * 24 * time.Hour
	db.forward(t, source, false)
	x := newCopied(t, t.TempDir(), db, 0, nil)
	defer x.stop()
	now := t0
	m := mirror.New(mirror.Options{Source: db, Journal: x.j, Commit: x.in.TakeOver, Now: func() time.Time { return now }})
	_, err = m.Sync(ctx)
	require.NoError(t, err)
	want := x.readings(t)
	require.Len(t, want, 60)
	// The database forgets the first half; somebody changes a stretch that
	// reaches into it.
	now = t0.AddDate(0, 0, 60)
	for at := range db.points[ch] {
		if at.at < t0.AddDate(0, 0, 30).UnixMilli() {
			delete(db.points[ch], at)
		}
	}
	change := mirror.Change{At: t0.Add(time.Hour), Device: "d-1", Quantity: reading.PulseCount, From: t0.AddDate(0, 0, 10), To: t0.AddDate(0, 0, 50)}
	db.feed = append(db.feed, change)
	_, err = m.Sync(ctx)
	require.NoError(t, err)
	require.Equal(t, want, x.readings(t))

	// A copy that is made now has what is left, however short that is kept.
	y := newCopied(t, t.TempDir(), db, 0, nil)
	defer y.stop()
	db.keeps = 2 * time.Hour
	m = mirror.New(mirror.Options{Source: db, Journal: y.j, Commit: y.in.TakeOver, Now: func() time.Time { return now }})
	_, err = m.Sync(ctx)
	require.NoError(t, err)
	require.Equal(t, want[30:], y.readings(t))
}

// While a gateway catches up, what is later may be there before what is earlier.
// Once it has sent all, the copy has all.
func TestWhatCameInAnotherOrderIsRead(t *testing.T) {
	ctx := context.Background()
	source := open(t, t.TempDir(), plant(t))
	defer source.stop()
	ch := reading.Channel{Device: "d-1", Quantity: reading.PulseCount}
	store := func(day, days int) {
		var b journal.Batch
		for i := range days * 24 {
			at := t0.AddDate(0, 0, day).Add(time.Duration(i) * time.Hour)
			b = append(b, journal.Entry{Readings: []reading.Reading{{Channel: ch, At: at, Received: at, FromDevice: true, Count: int64(day*24 + i), Value: float64(day*24 + i)}}})
		}
		_, err := source.j.Commit(ctx, b)
		require.NoError(t, err)
	}
	db, now := newDatabase(), t0.AddDate(0, 0, 60)
	x := newCopied(t, t.TempDir(), db, 0, func() time.Time { return now })
	defer x.stop()
	// part has the database show all but some days for the time of one run.
	part := func(first, days int) {
		t.Helper()
		db.forward(t, source, false)
		held := map[place]reading.Reading{}
		for k, r := range db.points[ch] {
			if day := int(r.At.Sub(t0) / (24 * time.Hour)); day >= first && day < first+days {
				held[k] = r
				delete(db.points[ch], k)
			}
		}
		_, err := x.m.Sync(ctx)
		require.NoError(t, err)
		require.Len(t, x.readings(t), len(source.readings(t))-len(held))
		maps.Copy(db.points[ch], held)
		_, err = x.m.Sync(ctx)
		require.NoError(t, err)
	}
	db.upto = time.Time{} // it has never sent all
	store(0, 60)
	part(20, 10)
	db.upto = now
	_, err := x.m.Sync(ctx)
	require.NoError(t, err)
	require.Equal(t, source.readings(t), x.readings(t))

	now = now.AddDate(0, 0, 10) // away for ten days
	store(60, 10)
	part(63, 2)
	db.upto = now
	out, err := x.m.Sync(ctx)
	require.NoError(t, err)
	require.Equal(t, source.readings(t), x.readings(t))
	require.InDelta(t, 240, out.Readings, 3, "what is before is not read again")
	out, err = x.m.Sync(ctx)
	require.NoError(t, err)
	require.Zero(t, out.Readings)
}

// One that gathers for long is not late for that.
func TestAGatewayIsLate(t *testing.T) {
	at := func(ago time.Duration) mirror.State { return mirror.State{Complete: t0, Forwarded: t0.Add(-ago)} }
	require.False(t, at(14*time.Minute).Late(0))
	require.True(t, at(16*time.Minute).Late(0))
	require.False(t, at(40*time.Minute).Late(20*time.Minute))
	require.True(t, at(time.Hour).Late(20*time.Minute))
	require.False(t, mirror.State{Complete: t0}.Late(0), "it has not said yet")
}

func TestWhy(t *testing.T) {
	lost := func(err error) error {
		return &url.Error{Op: "Post", URL: "http://db.example:8086/api/v2/query?org=terminal", Err: err}
	}
	refused := &net.OpError{Op: "dial", Net: "tcp", Err: errors.New("connection refused")}
	denied := errors.New("unauthorized: unauthorized access")
	for want, err := range map[string]error{
		"InfluxDB does not answer: dial tcp: connection refused":         errors.Join(fmt.Errorf("read d-1: %w", lost(refused)), lost(refused)),
		"InfluxDB does not answer in time":                               fmt.Errorf("x: %w", lost(context.DeadlineExceeded)),
		"there is no token: no such file":                                lost(errors.New("there is no token: no such file")),
		"InfluxDB was too slow to give all of it":                        fmt.Errorf("read d-1: %w", context.DeadlineExceeded),
		"ask InfluxDB for the devices: " + denied.Error():                fmt.Errorf("list the devices: ask InfluxDB for the devices: %w", denied),
		"ask InfluxDB for the devices: " + denied.Error() + ", and more": errors.Join(fmt.Errorf("ask InfluxDB for the devices: %w", denied), denied),
	} {
		require.Equal(t, want, mirror.Why(err))
	}
}

// A database that keeps readings for a short time is copied all the same: what it
// has, and what comes late.
func TestADatabaseThatKeepsLittle(t *testing.T) {
	ctx := context.Background()
	source := open(t, t.TempDir(), plant(t))
	defer source.stop()
	db, now := newDatabase(), t0.Add(24*time.Hour)
	db.keeps = 2 * 24 * time.Hour
	x := newCopied(t, t.TempDir(), db, 0, func() time.Time { return now })
	defer x.stop()
	for _, minutes := range [][]int{{0, 60, 1200}, {1300}, {70}, {1430}} {
		source.count(t, minutes...)
		db.clock = now
		db.forward(t, source, false)
		_, err := x.m.Sync(ctx)
		require.NoError(t, err)
		require.Equal(t, source.readings(t), x.readings(t), "after %v", minutes)
	}
}

// A gateway whose clock was years ahead dates its feed by it. What it says once
// that is put right counts, and what it said before is not read again for ever.
func TestAFeedThatWasDatedAhead(t *testing.T) {
	ctx := context.Background()
	source := open(t, t.TempDir(), plant(t))
	defer source.stop()
	ch := reading.Channel{Device: "d-1", Quantity: reading.PulseCount}
	db, now := newDatabase(), t0.Add(6*time.Hour)
	x := newCopied(t, t.TempDir(), db, 0, func() time.Time { return now })
	defer x.stop()
	sync := func() mirror.Synced {
		out, err := x.m.Sync(ctx)
		require.NoError(t, err)
		return out
	}
	source.count(t, 0, 300)
	db.forward(t, source, false)
	db.clock = t0.AddDate(10, 0, 0)
	source.count(t, 10)
	db.forward(t, source, false)
	sync() // for the first time
	now = now.Add(20 * time.Minute)
	source.count(t, 20)
	db.forward(t, source, false)
	sync()
	db.clock = now
	source.count(t, 30)
	db.forward(t, source, false)
	// The shift tells of all that came while the clock was wrong.
	at := t0.Add(20 * time.Minute)
	db.feed = append(db.feed, mirror.Change{At: db.clock.Add(time.Second), Device: ch.Device, Quantity: ch.Quantity, From: at, To: at})
	now = now.Add(30 * time.Minute)
	out := sync()
	require.Equal(t, source.readings(t), x.readings(t))
	require.Equal(t, 2, out.Changes, "those dated ahead are left alone")
}

func TestHealthSaysHowOldACopyIs(t *testing.T) {
	ctx := context.Background()
	source := open(t, t.TempDir(), plant(t))
	defer source.stop()
	db, now := newDatabase(), t0
	db.forward(t, source, false)
	x := newCopied(t, t.TempDir(), db, 0, func() time.Time { return now })
	defer x.stop()
	check := func() health.Check {
		i := slices.IndexFunc(x.checks.List(), func(c health.Check) bool { return c.Name == mirror.CheckName })
		require.GreaterOrEqual(t, i, 0)
		return x.checks.List()[i]
	}
	db.fails = func() error { return errAway }
	_, err := x.m.Sync(ctx)
	require.ErrorIs(t, err, errAway)
	require.Equal(t, health.Bad, check().Level)
	require.Contains(t, check().What, "not complete yet")
	db.fails = func() error { return nil }
	all := db.upto
	db.upto = time.Time{}
	_, err = x.m.Sync(ctx)
	require.NoError(t, err)
	require.Equal(t, health.Warn, check().Level)
	require.Contains(t, check().What, "not forwarded yet all that it has")
	require.Zero(t, x.m.State().AsOf(), "what is there may be of long ago")
	db.upto = all
	_, err = x.m.Sync(ctx)
	require.NoError(t, err)
	require.Equal(t, health.Ok, check().Level)
	now = now.Add(3 * time.Hour)
	db.fails = func() error { return errAway }
	_, err = x.m.Sync(ctx)
	require.ErrorIs(t, err, errAway)
	require.Equal(t, health.Bad, check().Level)
	require.True(t, strings.Contains(check().What, "as of 2026-03-27T06:00:00Z"), check().What)
	require.Equal(t, t0, x.m.State().Complete)
	require.Equal(t, t0, x.m.State().AsOf())

	// A gateway that does not forward is another cause.
	db.fails, db.upto = func() error { return nil }, now.Add(-time.Minute)
	_, err = x.m.Sync(ctx)
	require.NoError(t, err)
	require.Equal(t, health.Ok, check().Level)
	require.Equal(t, db.upto, x.m.State().AsOf())
	now = now.Add(3 * time.Hour)
	_, err = x.m.Sync(ctx)
	require.NoError(t, err)
	require.Equal(t, health.Bad, check().Level)
	require.Contains(t, check().What, "the gateway has forwarded nothing since 2026-03-27T08:59:00Z")
	require.Equal(t, db.upto, x.m.State().AsOf())
	again := mirror.New(mirror.Options{Source: db, Journal: x.j, Commit: x.in.TakeOver, Now: func() time.Time { return now }})
	db.fails = func() error { return errAway }
	out, err := again.Sync(ctx)
	require.ErrorIs(t, err, errAway)
	require.Equal(t, db.upto, out.AsOf(), "it is remembered")
}
