package collector

import (
	"context"
	"fmt"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/collector/wallclock"
	"dwindle/config"
	"dwindle/config/mapping"
)

func (x *house) rerun(t testing.TB, opt RerunOptions) Rerun {
	t.Helper()
	out, err := x.Rerun(context.Background(), opt)
	require.NoError(t, err)
	return out
}

func (x *house) kept(t testing.TB) (out []journal.Kept) {
	t.Helper()
	out, err := x.j.KeptAside(context.Background(), 1000)
	require.NoError(t, err)
	return out
}

func (x *house) all(t testing.TB) (out []reading.Reading) {
	t.Helper()
	require.NoError(t, x.j.Readings(context.Background(), nil, time.Time{}, endOfTime, func(r reading.Reading) error {
		out = append(out, r)
		return nil
	}))
	return out
}

// What a device sent before it was registered is there once it is.
func TestMessagesOfADeviceThatIsRegisteredLaterAreRunAgain(t *testing.T) {
	x := start(t, terminal(t, 1, 0))
	for i := range 3 {
		x.submit(t, message("elevator-2", "run", t0.Add(time.Duration(i)*time.Hour), `{"hours":%d}`, 100+i))
	}
	x.submit(t, message("elevator-2", "run", t0.Add(4*time.Hour), `{"hours":`))
	x.submit(t, message("elevator-1", "run", t0, `{"hours":7}`))
	x.flush(t)
	ctx := context.Background()
	unknown, err := x.j.Unknown(ctx)
	require.NoError(t, err)
	require.Len(t, unknown, 1)
	before := x.Stats()

	// Nothing has changed yet: nothing comes of it, and nothing is doubled.
	for range 2 {
		out := x.rerun(t, RerunOptions{})
		require.Equal(t, Rerun{Kept: 4, StillKept: map[string]int64{"unknown_device": 4}}, out)
	}
	require.Len(t, x.kept(t), 4)

	x.site.Store(terminal(t, 2, 0))
	want := Rerun{Kept: 4, Stored: 3, StillKept: map[string]int64{"not_json": 1}}
	require.Equal(t, want, x.rerun(t, RerunOptions{Trial: true}))
	require.Len(t, x.kept(t), 4, "a trial changes nothing")
	require.Len(t, x.all(t), 1)
	other := x.rerun(t, RerunOptions{Device: "elevator-1"})
	require.Zero(t, other.Kept)
	require.Len(t, x.kept(t), 4)

	want.Forgotten = 0 // by the run above: the device was known by then
	require.EqualValues(t, 1, other.Forgotten)
	require.Equal(t, want, x.rerun(t, RerunOptions{}))
	left := x.kept(t)
	require.Len(t, left, 1)
	require.Equal(t, "not_json", left[0].Reason, "the reason that holds now")
	unknown, err = x.j.Unknown(ctx)
	require.NoError(t, err)
	require.Empty(t, unknown)
	got := x.all(t)
	require.Len(t, got, 4)
	require.Equal(t, t0.Add(time.Hour), got[2].Received, "as received then")
	require.InDelta(t, 2, x.days(t, x.h, "elevator-2", reading.Run, "2026-03-02", "2026-03-02")[0].Amount, 1e-9)

	after := x.Stats()
	require.Equal(t, before.Received, after.Received, "they were received once")
	require.Equal(t, before.Kept, after.Kept)
	require.EqualValues(t, 3, x.count(t, journal.CountRecovered+"unknown_device"))
	require.Equal(t, Rerun{Kept: 1, StillKept: map[string]int64{"not_json": 1}}, x.rerun(t, RerunOptions{}))
}

func (x *house) count(t testing.TB, name string) int64 {
	t.Helper()
	n, err := x.j.Counters(context.Background())
	require.NoError(t, err)
	return n[name]
}

// scaled has an intake read levels as so many times what they say.
func (x *house) scaled(by float64) {
	x.reads = func(e *journal.Entry) {
		for i := range e.Readings {
			if r := &e.Readings[i]; r.Quantity == reading.LevelPercent {
				r.Value *= by
			}
		}
	}
}

func TestReadingsOfACorrectedRuleTakeThePlaceOfTheWrongOnes(t *testing.T) {
	x := start(t, terminal(t, 1, 2))
	x.submit(t,
		message("d-1", "level", t0, `{"percent":90}`),
		message("d-1", "level", t0.Add(24*time.Hour), `{"percent":80}`),
		message("d-2", "level", t0, `{"percent":40}`),
		message("d-1", "status", t0, `{"temperature_c":11}`))
	x.flush(t)
	x.scaled(0.5)
	require.Equal(t, Rerun{StillKept: map[string]int64{}}, x.rerun(t, RerunOptions{}), "without a beginning only what was kept aside")

	// From the second day on one message is wrong.
	out := x.rerun(t, RerunOptions{From: t0.Add(time.Hour)})
	require.Equal(t, Rerun{Understood: 1, Stored: 1, Replaced: 1, StillKept: map[string]int64{}}, out)
	out = x.rerun(t, RerunOptions{From: t0, Device: "d-1"})
	require.Equal(t, Rerun{Understood: 3, Stored: 1, Duplicates: 2, Replaced: 1, StillKept: map[string]int64{}}, out)
	var values []float64
	for _, r := range x.all(t) {
		if r.Quantity == reading.LevelPercent {
			values = append(values, r.Value)
			require.Equal(t, r.Device == "d-1", r.Flags&reading.Corrected != 0)
		}
	}
	require.Equal(t, []float64{45, 40, 40}, values, "d-2 was not asked for")
	levels, err := x.h.Levels(context.Background(), "d-1", t0, t0.Add(48*time.Hour))
	require.NoError(t, err)
	require.Len(t, levels, 2)
	require.Equal(t, 45., levels[0].Value, "the days follow")
	for _, k := range x.kept(t) {
		require.Equal(t, journal.ReasonReplaced, k.Reason)
	}
	require.Len(t, x.kept(t), 2, "what gave way is kept")
	require.EqualValues(t, 2, x.count(t, journal.CountReplaced))

	// Corrected once more: the ring knows what the messages gave by now.
	x.scaled(0.25)
	out = x.rerun(t, RerunOptions{From: t0, Device: "d-1"})
	require.EqualValues(t, 2, out.Replaced)
	require.Len(t, x.all(t), 4)
}

// What another message has put into the place of a wrong reading stays.
func TestOnlyTheReadingsOfTheMessageItselfAreReplaced(t *testing.T) {
	x := start(t, terminal(t, 1, 2))
	own := at(t0)
	x.submit(t, message("d-1", "level", t0.Add(time.Second), `{"at":%q,"percent":90}`, own))
	x.submit(t, message("d-1", "level", t0.Add(2*time.Second), `{"at":%q,"percent":70}`, own)) // wins, being later
	x.flush(t)
	x.scaled(0.5)
	out := x.rerun(t, RerunOptions{From: t0, To: t0.Add(time.Second)})
	require.Zero(t, out.Replaced)
	got := x.all(t)
	require.Len(t, got, 1)
	require.Equal(t, 70., got[0].Value)
}

// A reading that a message gives no more is gone, and so are its days, even
// where nothing else is left of the series.
func TestWhatAMessageGivesNoMoreIsTakenBack(t *testing.T) {
	x := start(t, terminal(t, 2, 0))
	x.submit(t, message("elevator-1", "run", t0, `{"hours":5}`), message("elevator-1", "run", t0.Add(time.Hour), `{"hours":6}`))
	x.flush(t)
	require.Len(t, x.days(t, x.h, "elevator-1", reading.Run, "2026-03-02", "2026-03-02"), 1)
	ctx := context.Background()
	require.NoError(t, x.j.SaveRaw(ctx))
	blocks, err := x.j.RawBlocks(ctx, t0, endOfTime)
	require.NoError(t, err)
	require.Len(t, blocks, 1)
	list, err := x.j.RawMessages(ctx, blocks[0].ID)
	require.NoError(t, err)
	// As if a mapping had named another machine all the time.
	var batch journal.Batch
	for i := range list {
		e := x.understand(item{m: &reading.Message{Topic: "lube/v1/terminal/elevator-2/run", Payload: list[i].Payload, Received: list[i].Received, Source: "replay"}}).entry
		batch = append(batch, e)
	}
	result, err := x.j.RerunRaw(ctx, blocks[0].ID, list, batch, false)
	require.NoError(t, err)
	require.Equal(t, 2, result.Replaced)
	x.done(batch, result)
	x.flush(t)
	require.Empty(t, x.days(t, x.h, "elevator-1", reading.Run, "2026-03-02", "2026-03-02"))
	require.InDelta(t, 1, x.days(t, x.h, "elevator-2", reading.Run, "2026-03-02", "2026-03-02")[0].Amount, 1e-9)
}

// Whatever came, run again under other rules the journal holds what it would
// hold had these rules stood from the beginning.
func TestARunUnderNewRulesGivesWhatTheyWouldHaveGiven(t *testing.T) {
	plain := func(list []reading.Reading) []reading.Reading {
		for i := range list {
			list[i].Flags &^= reading.Corrected
		}
		return list
	}
	rapid.Check(t, func(r *rapid.T) {
		var ms []reading.Message
		for i := range rapid.IntRange(1, 20).Draw(r, "messages") {
			received := t0.Add(time.Duration(i) * 7 * time.Hour) // no two of one time
			device := rapid.SampledFrom([]string{"d-1", "d-2", "d-3"}).Draw(r, "device")
			switch rapid.IntRange(0, 2).Draw(r, "kind") {
			case 0:
				ms = append(ms, message(device, "level", received, `{"percent":%d}`, rapid.IntRange(0, 100).Draw(r, "percent")))
			case 1:
				ms = append(ms, message(device, "pulse", received, `{"pulses":1,"id":"%d"}`, i))
			default:
				ms = append(ms, message(device, "status", received, `{"supply_v":%d,"every_s":60}`, i))
			}
		}
		then, now := terminal(t, 1, 2), terminal(t, 1, 2)
		now.Dispensers = append(now.Dispensers, config.Dispenser{ID: "d-3", Model: "m"})
		require.NoError(t, now.Reindex())
		x, want := start(t, then), startWith(t, now, filepath.Join(t.TempDir(), "journal.db"), nil, func(in *Intake) { (&house{Intake: in}).scaled(0.5) })
		x.submit(t, ms...)
		want.submit(t, ms...)
		x.flush(t)
		want.flush(t)

		was := fmt.Sprint(x.all(t))
		x.rerun(t, RerunOptions{From: t0})
		require.Equal(t, was, fmt.Sprint(x.all(t)), "under the same rules nothing changes")
		x.site.Store(now)
		x.scaled(0.5)
		x.rerun(t, RerunOptions{From: t0, Trial: true})
		require.Equal(t, was, fmt.Sprint(x.all(t)))
		x.rerun(t, RerunOptions{From: t0})
		require.Equal(t, want.all(t), plain(x.all(t)))
		for _, d := range []string{"d-1", "d-2", "d-3"} {
			a, err := want.h.Levels(context.Background(), d, t0, t0.AddDate(0, 1, 0))
			require.NoError(t, err)
			b, err := x.h.Levels(context.Background(), d, t0, t0.AddDate(0, 1, 0))
			require.NoError(t, err)
			for i := range b {
				b[i].Flags &^= reading.Corrected
			}
			require.Equal(t, a, b)
			require.Equal(t, want.days(t, want.h, d, reading.Pulse, "2026-03-01", "2026-04-01"), x.days(t, x.h, d, reading.Pulse, "2026-03-01", "2026-04-01"))
		}
		require.NoError(t, x.stop())
		require.NoError(t, want.stop())
	})
}

// A message of several new devices stands under the first of them; what it says
// of the others must not go when that one is known.
func TestAMessageOfSeveralNewDevicesIsKeptUntilAllAreKnown(t *testing.T) {
	known := func(names ...string) *config.Site {
		site := hubSite(t, mapping.MappedValue{From: "{device}.n", As: "pulse.count"})
		for _, name := range names {
			site.Dispensers = append(site.Dispensers, config.Dispenser{ID: name, Model: "m", Point: "p-1"})
		}
		require.NoError(t, site.Reindex())
		return site
	}
	x := start(t, known())
	x.submit(t, hub("a", 0, `{"new-7":{"n":5},"new-8":{"n":6},"new-9":{"n":7}}`))
	x.flush(t)
	require.Len(t, x.kept(t), 1)

	x.site.Store(known("new-7"))
	require.Equal(t, Rerun{Kept: 1, Stored: 1, StillKept: map[string]int64{}, Forgotten: 1}, x.rerun(t, RerunOptions{}))
	require.Equal(t, Rerun{Kept: 2, StillKept: map[string]int64{"unknown_device": 2}}, x.rerun(t, RerunOptions{}), "nothing is doubled")
	var names []string
	for _, k := range x.kept(t) {
		names = append(names, k.Device)
	}
	require.ElementsMatch(t, []string{"new-8", "new-9"}, names)
	unknown, err := x.j.Unknown(t.Context())
	require.NoError(t, err)
	require.Len(t, unknown, 2)

	x.site.Store(known("new-7", "new-8", "new-9"))
	out := x.rerun(t, RerunOptions{})
	require.EqualValues(t, 2, out.Kept)
	require.Empty(t, x.kept(t))
	require.Len(t, x.all(t), 3)
}

// While messages are run again the clock is put right: they must not bring back
// the times that were moved.
func TestAClockPutRightMeanwhileHoldsForMessagesThatAreRunAgain(t *testing.T) {
	const by = 40 * 24 * time.Hour
	for name, opt := range map[string]RerunOptions{"understood": {From: t0}, "kept aside": {}} {
		t.Run(name, func(t *testing.T) {
			x := start(t, terminal(t, 1, 1))
			device := "d-1"
			if opt.From.IsZero() {
				device = "d-2" // not registered yet
			}
			x.submit(t, message(device, "level", t0, `{"percent":90}`))
			x.flush(t)
			x.site.Store(terminal(t, 1, 2))
			var once sync.Once
			x.reads = func(e *journal.Entry) {
				once.Do(func() { // the message was read and is not stored yet
					x.own.mending.Add(1)
					x.decoded <- work{mend: []wallclock.Shift{{From: t0, To: t0.Add(time.Hour), By: by}}, clock: "{}"}
					// Time to go wrong in; what is right has to wait.
					for end := time.Now().Add(200 * time.Millisecond); x.own.mending.Load() > 0 && time.Now().Before(end); {
						time.Sleep(time.Millisecond)
					}
				})
				e.Readings[0].Value /= 2 // so that the message is kept with other places
			}
			require.EqualValues(t, 1, x.rerun(t, opt).Stored)
			list := x.all(t)
			require.Len(t, list, 1)
			require.InDelta(t, 45, list[0].Value, 1e-9)
			require.Equal(t, t0.Add(by), list[0].At)
			require.Equal(t, t0.Add(by), list[0].Received)
			require.NoError(t, x.j.SaveRaw(context.Background()))
			blocks, err := x.j.RawBlocks(context.Background(), t0, endOfTime)
			require.NoError(t, err)
			require.Len(t, blocks, 1)
			raws, err := x.j.RawMessages(context.Background(), blocks[0].ID)
			require.NoError(t, err)
			require.Equal(t, t0.Add(by), raws[0].Received, "should it be run again")
		})
	}
}
