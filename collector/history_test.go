package collector

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/config/civil"
)

const step = 10 * time.Minute

// running gives the messages of an elevator that runs from 8 to 16 UTC each
// day: hour counter and state, every ten minutes.
func running(device string, from time.Time, steps int) []reading.Message {
	var out []reading.Message
	total := 500.0
	for i := range steps {
		when := from.Add(time.Duration(i) * step)
		on := when.Hour() >= 8 && when.Hour() < 16
		out = append(out, message(device, "run", when.Add(time.Second), `{"hours":%.4f,"running":%t,"at":%q}`, total, on, at(when)))
		if on {
			total += step.Hours()
		}
	}
	return out
}

// pulses gives the messages of a dispenser: a count that grows by one every
// half hour, and a coarse level.
func pulses(device string, from time.Time, steps int) []reading.Message {
	var out []reading.Message
	for i := range steps {
		when := from.Add(time.Duration(i) * step)
		out = append(out,
			message(device, "pulse", when.Add(2*time.Second), `{"count":%d,"at":%q}`, 1000+i/3, at(when)),
			message(device, "level", when.Add(2*time.Second), `{"cm3":%g,"at":%q}`, 110-float64(i/12), at(when)))
	}
	return out
}

func TestDutyPerDay(t *testing.T) {
	x := start(t, terminal(t, 1, 1))
	x.submit(t, running("elevator-1", t0, 3*144)...)
	x.submit(t, pulses("d-1", t0, 3*144)...)
	x.flush(t)
	days := x.days(t, x.h, "elevator-1", reading.Run, "2026-03-01", "2026-03-10")
	require.Len(t, days, 4, "from 07:00 on the 2nd to 06:50 on the 5th")
	for i, want := range []float64{8, 8, 8, 0} {
		require.InDelta(t, want, days[i].Amount, 1e-9, "day %s", days[i].Date)
	}
	require.InDelta(t, 17.0/24, days[0].Seen, 1e-9)
	require.InDelta(t, 1, days[1].Seen, 1e-9)
	require.InDelta(t, 1, days[1].Known, 1e-9)
	require.InDelta(t, (6+5.0/6)/24, days[3].Seen, 1e-9)
	days = x.days(t, x.h, "d-1", reading.Pulse, "2026-03-03", "2026-03-04")
	require.Len(t, days, 2)
	require.InDelta(t, 48, days[0].Amount, 1e-9)

	ctx := context.Background()
	a, err := x.h.Amount(ctx, "elevator-1", reading.Run, t0.Add(4*time.Hour), t0.Add(28*time.Hour+5*time.Minute))
	require.NoError(t, err)
	// 10:00 to 16:00 on the 2nd, 8:00 to 10:05 on the 3rd; the last five
	// minutes are told by the state alone, if at all.
	require.InDelta(t, 8, a.Value, 5.0/60+1e-9)
	none, err := x.h.Amount(ctx, "elevator-1", reading.Run, t0, t0)
	require.NoError(t, err)
	require.Zero(t, none)

	levels, err := x.h.Levels(ctx, "d-1", t0, t0.Add(30*time.Hour))
	require.NoError(t, err)
	require.Len(t, levels, 2)
	require.Equal(t, time.Date(2026, 3, 2, 22, 50, 0, 0, time.UTC), levels[0].At, "the last before midnight in Vienna")
	require.Equal(t, t0.Add(30*time.Hour), levels[1].At, "the last at the instant asked for")
}

func TestASiteDayIsAsLongAsTheClocksMakeIt(t *testing.T) {
	// Vienna, 2026-03-29: 23 h; 2026-10-25: 25 h. A mill that always runs.
	for day, want := range map[string]float64{"2026-03-28": 24, "2026-03-29": 23, "2026-03-30": 24, "2026-10-24": 24, "2026-10-25": 25, "2026-10-26": 24} {
		x := start(t, terminal(t, 1, 1))
		d := date(t, day)
		from := d.Start(x.site.Load().Location()).Add(-6 * time.Hour)
		for i := range 6 * 40 {
			when := from.Add(time.Duration(i) * step)
			x.submit(t, message("elevator-1", "run", when, `{"hours":%.6f,"at":%q}`, 100+when.Sub(from).Hours(), at(when)))
		}
		x.flush(t)
		days := x.days(t, x.h, "elevator-1", reading.Run, day, day)
		require.Len(t, days, 1)
		require.InDelta(t, want, days[0].Amount, 1e-4, day)
		require.InDelta(t, 1, days[0].Seen, 1e-9, day)
	}
}

func TestLateReadingsRecomputeTheDaysTheyTouch(t *testing.T) {
	x := start(t, terminal(t, 1, 1))
	all := running("elevator-1", t0, 5*144)
	gone := all[100:300] // stayed in the gateway for days
	x.submit(t, all[:100]...)
	x.submit(t, all[300:]...)
	x.flush(t)
	days := x.days(t, x.h, "elevator-1", reading.Run, "2026-03-03", "2026-03-03")
	require.Len(t, days, 1)
	require.Less(t, days[0].Seen, 0.5)
	slices.Reverse(gone) // newest first, as some gateways do
	x.submit(t, gone...)
	x.flush(t)
	days = x.days(t, x.h, "elevator-1", reading.Run, "2026-03-03", "2026-03-03")
	require.InDelta(t, 8, days[0].Amount, 1e-9)
	require.InDelta(t, 1, days[0].Seen, 1e-9)

	y := start(t, terminal(t, 1, 1))
	y.submit(t, all...)
	y.flush(t)
	require.Equal(t, dump(t, y), dump(t, x))
}

// answers is what a history says about a site, for comparison.
type answers struct {
	Days    map[string][]reading.Day
	Amounts []reading.Amount
	Levels  []reading.Sample
	Seen    []string
	Facts   []reading.Fact
}

func ask(t require.TestingT, h *History, until time.Time) answers {
	ctx := context.Background()
	out := answers{Days: map[string][]reading.Day{}}
	// What a batch has read ahead must say the same.
	b, err := h.Batch(ctx, []string{"elevator-1", "gw-1", "d-1"})
	require.NoError(t, err)
	defer b.Close()
	first := civil.Of(t0, time.UTC) - 1
	for _, s := range []journal.Series{{Device: "elevator-1", Kind: reading.Run}, {Device: "d-1", Kind: reading.Pulse}, {Device: "d-1", Kind: reading.Dose}} {
		d, err := h.Days(ctx, s.Device, s.Kind, first, first+8)
		require.NoError(t, err)
		again, err := b.Days(ctx, s.Device, s.Kind, first, first+8)
		require.NoError(t, err)
		require.Equal(t, fmt.Sprint(d), fmt.Sprint(again))
		out.Days[s.Device+" "+string(s.Kind)] = d
		for _, from := range []time.Time{t0.Add(-time.Hour), t0.Add(7 * time.Hour), t0.Add(17 * time.Hour), t0.Add(31*time.Hour + 7*time.Minute)} {
			a, err := h.Amount(ctx, s.Device, s.Kind, from, until)
			require.NoError(t, err)
			again, err := b.Amount(ctx, s.Device, s.Kind, from, until)
			require.NoError(t, err)
			require.Equal(t, a, again)
			out.Amounts = append(out.Amounts, a)
		}
		// Parts of days, which are remembered.
		for _, part := range [][2]time.Duration{{17 * time.Hour, 24 * time.Hour}, {48 * time.Hour, 55*time.Hour + 11*time.Minute}, {73 * time.Hour, 75 * time.Hour}} {
			day := civil.Of(t0, time.UTC).Start(time.UTC)
			a, err := h.Amount(ctx, s.Device, s.Kind, day.Add(part[0]), day.Add(part[1]))
			require.NoError(t, err)
			again, err := b.Amount(ctx, s.Device, s.Kind, day.Add(part[0]), day.Add(part[1]))
			require.NoError(t, err)
			require.Equal(t, a, again)
			out.Amounts = append(out.Amounts, a)
		}
	}
	out.Levels, err = h.Levels(ctx, "d-1", t0.Add(5*time.Hour), until)
	require.NoError(t, err)
	levels, err := b.Levels(ctx, "d-1", t0.Add(5*time.Hour), until)
	require.NoError(t, err)
	require.Equal(t, fmt.Sprint(out.Levels), fmt.Sprint(levels))
	for _, d := range []string{"elevator-1", "d-1", "gw-1"} {
		seen, every, ok, err := h.LastSeen(ctx, d, until)
		require.NoError(t, err)
		newest, found, err := b.Newest(ctx, d, until)
		require.NoError(t, err)
		require.Equal(t, ok, found)
		require.Equal(t, seen, newest)
		out.Seen = append(out.Seen, fmt.Sprint(d, seen, every, ok))
	}
	out.Facts, err = h.Facts(ctx, until)
	require.NoError(t, err)
	return out
}

// dump gives the derived tables of a house as they are in the file.
func dump(t require.TestingT, x *house) map[string][]string {
	s, err := x.j.Snapshot(context.Background())
	require.NoError(t, err)
	defer s.Close()
	out := map[string][]string{}
	all, err := s.Series()
	require.NoError(t, err)
	for _, series := range all {
		name := series.Device + " " + string(series.Kind)
		saved, ok, err := s.Head(series)
		require.NoError(t, err)
		require.True(t, ok, name)
		require.Zero(t, saved.Late, name)
		parts, levels := []journal.Part(nil), []journal.LevelDay(nil)
		if series.Kind == reading.Level {
			levels, err = s.LevelDays(&saved, firstDay, lastDay)
		} else {
			parts, err = s.Parts(&saved, firstDay, lastDay)
		}
		require.NoError(t, err)
		state, err := saved.State()
		require.NoError(t, err)
		out[name] = append(out[name], fmt.Sprint(saved.At, saved.Rules, state)) // the edition tells of the way here
		for _, p := range parts {
			c, ok, err := s.CheckpointAt(saved.ID, p.Emitted)
			require.NoError(t, err)
			out[name] = append(out[name], fmt.Sprintf("%+v", p), fmt.Sprint(ok, c))
		}
		for _, l := range levels {
			out[name] = append(out[name], fmt.Sprintf("%+v", l))
		}
	}
	return out
}

// Contract, section 2: what comes out does not depend on the order in which
// messages arrive, nor on how often.
func TestTheResultDoesNotDependOnTheOrderOfArrival(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var ms []reading.Message
		hours, count := 500.0, 1000
		when := t0
		for range rapid.IntRange(5, 60).Draw(rt, "messages") {
			when = when.Add(time.Duration(rapid.SampledFrom([]int{1, 60, 600, 3600, 20_000, 90_000}).Draw(rt, "gap")) * time.Second)
			if when.After(t0.AddDate(0, 0, 6)) {
				break
			}
			received := when.Add(time.Second)
			switch rapid.IntRange(0, 6).Draw(rt, "kind") {
			case 6:
				who := rapid.SampledFrom([]string{"elevator-1", "d-1"}).Draw(rt, "who")
				ms = append(ms, message(who, "status", received, `{"online":%t,"at":%q}`, rapid.Bool().Draw(rt, "online"), at(when)))
			case 0:
				hours += rapid.Float64Range(0, 3).Draw(rt, "hours")
				ms = append(ms, message("elevator-1", "run", received, `{"hours":%.3f,"at":%q}`, hours, at(when)))
			case 1:
				ms = append(ms, message("elevator-1", "run", received, `{"running":%t,"at":%q}`, rapid.Bool().Draw(rt, "on"), at(when)))
			case 2:
				count += rapid.IntRange(0, 5).Draw(rt, "pulses")
				if rapid.IntRange(0, 15).Draw(rt, "reset") == 0 {
					count = 0
				}
				ms = append(ms, message("d-1", "pulse", received, `{"count":%d,"at":%q}`, count, at(when)))
			case 3:
				ms = append(ms, message("d-1", "level", received, `{"cm3":%d,"at":%q}`, rapid.IntRange(0, 120).Draw(rt, "cm3"), at(when)))
			case 4:
				ms = append(ms, message("d-1", "dose", received, `{"strokes":%d,"at":%q}`, count, at(when)))
			case 5:
				// Two values for one time.
				ms = append(ms, message("d-1", "level", received, `{"cm3":%d,"at":%q}`, 5, at(when)), message("d-1", "level", received.Add(time.Second), `{"cm3":%d,"at":%q}`, 6, at(when)))
			}
		}
		until := t0.AddDate(0, 0, 7)
		sorted := start(t, terminal(t, 1, 1))
		sorted.submit(t, ms...)
		sorted.flush(t)

		shuffled := start(t, terminal(t, 1, 1))
		shuffled.h.Mends(shuffled.Intake) // saves what it had to fold
		order := make([]int, len(ms))
		for i := range order {
			order[i] = i
		}
		for i, k := range rapid.Permutation(order).Draw(rt, "order") {
			m := ms[k]
			shuffled.submit(t, m)
			if rapid.IntRange(0, 4).Draw(rt, "again") == 0 {
				shuffled.submit(t, m)
			}
			if i%7 == 6 && rapid.Bool().Draw(rt, "derive now") {
				shuffled.settle(t)
				ask(rt, shuffled.h, until)
				shuffled.flush(t)
			}
		}
		shuffled.settle(t)         // committed, not yet derived
		ask(rt, shuffled.h, until) // what it remembers must not outlive what it is about
		require.Equal(rt, ask(rt, sorted.h, until), ask(rt, shuffled.h, until), "folded on the fly")
		shuffled.flush(t)
		require.Equal(rt, ask(rt, sorted.h, until), ask(rt, shuffled.h, until), "from the tables")
		require.Equal(rt, ask(rt, sorted.h, until), ask(rt, NewHistory(shuffled.j, shuffled.site.Load), until), "from the tables, nothing remembered")
		shuffled.flush(t)
		require.Equal(rt, ask(rt, sorted.h, until), ask(rt, NewHistory(shuffled.j, shuffled.site.Load), until), "from what was saved")
		require.Equal(rt, dump(rt, sorted), dump(rt, shuffled))

		require.NoError(rt, shuffled.Rebuild(context.Background()))
		require.Equal(rt, dump(rt, sorted), dump(rt, shuffled), "rebuilt")
		require.NoError(rt, sorted.stop())
		require.NoError(rt, shuffled.stop())
	})
}

// A history as of a past time must say what a journal would have said that
// had nothing later.
func TestAHistoryAsOfAPastTimeKnowsNothingLater(t *testing.T) {
	ms := slices.Concat(running("elevator-1", t0, 4*144), pulses("d-1", t0, 4*144))
	slices.SortStableFunc(ms, func(a, b reading.Message) int { return a.Received.Compare(b.Received) })
	whole := start(t, terminal(t, 1, 1))
	whole.submit(t, ms...)
	whole.flush(t)
	for _, past := range []time.Duration{3 * time.Hour, 16*time.Hour + 59*time.Minute, 17 * time.Hour, 30*time.Hour + 3*time.Minute, 70 * time.Hour} {
		cut := t0.Add(past)
		part := start(t, terminal(t, 1, 1))
		for _, m := range ms {
			if !m.Received.Add(-2 * time.Second).After(cut) {
				part.submit(t, m)
			}
		}
		part.flush(t)
		require.Equal(t, ask(t, part.h.AsOf(cut), cut), ask(t, whole.h.AsOf(cut), cut), "as of %s", cut)
		require.NoError(t, part.stop())
	}
}

func TestAReaderBesideTheWriterAgrees(t *testing.T) {
	x := start(t, terminal(t, 1, 1))
	x.submit(t, running("elevator-1", t0, 300)...)
	x.submit(t, pulses("d-1", t0, 300)...)
	x.settle(t) // committed, not derived
	j, err := journal.OpenReader(context.Background(), x.path, journal.Options{})
	require.NoError(t, err)
	defer j.Close()
	beside := NewHistory(j, x.site.Load)
	until := t0.AddDate(0, 0, 3)
	require.Equal(t, ask(t, x.h, until), ask(t, beside, until))
	x.flush(t)
	require.Equal(t, ask(t, x.h, until), ask(t, beside, until))
}

func TestOtherRulesDeriveAnew(t *testing.T) {
	x := start(t, terminal(t, 1, 1))
	for i := range 200 {
		when := t0.Add(time.Duration(i) * step)
		x.submit(t, message("d-1", "dose", when, `{"strokes":%d,"at":%q}`, 10+i, at(when)))
	}
	x.flush(t)
	sum := func() (cm3 float64) {
		for _, d := range x.days(t, x.h, "d-1", reading.Dose, "2026-03-01", "2026-03-10") {
			cm3 += d.Amount
		}
		return cm3
	}
	require.InDelta(t, 199*0.5, sum(), 1e-9)
	other := terminal(t, 1, 1)
	other.Models[0].CM3PerStroke = 0.25
	x.site.Store(other)
	require.InDelta(t, 199*0.25, sum(), 1e-9, "at once, on the fly")
	require.NoError(t, x.Rebuild(context.Background()))
	require.InDelta(t, 199*0.25, sum(), 1e-9)
	x.site.Store(terminal(t, 1, 1))
	require.InDelta(t, 199*0.5, sum(), 1e-9)
}

func TestLastSeen(t *testing.T) {
	ctx := context.Background()
	x := start(t, terminal(t, 1, 2))
	for i := range 20 {
		when := t0.Add(time.Duration(i) * 15 * time.Minute)
		x.submit(t, message("elevator-1", "run", when, `{"hours":%g,"at":%q}`, 100.5, at(when)))
	}
	replay := message("elevator-1", "run", t0.Add(24*time.Hour), `{"hours":%g,"at":%q}`, 100.5, at(t0.Add(10*time.Hour)))
	replay.Retained = true
	x.submit(t, replay)
	x.submit(t, message("gw-1", "status", t0.Add(time.Hour), `{"online":true}`))
	x.submit(t, message("d-1", "status", t0.Add(time.Hour), `{"faults":["low_supply"],"every_s":600}`))
	x.submit(t, message("d-1", "status", t0.Add(3*time.Hour), `{"faults":["low_supply"]}`))
	left := 60.0
	require.NoError(t, x.Record(ctx, reading.Fact{ID: "e-1", Kind: reading.FactWeighing, Point: "p-2", Device: "d-2", At: t0, CM3: &left}))
	x.flush(t)
	for _, c := range []struct {
		device string
		until  time.Time
		seen   time.Time
		every  time.Duration
		ok     bool
	}{
		{"elevator-1", t0.AddDate(0, 0, 2), t0.Add(285 * time.Minute), 15 * time.Minute, true}, // the replay does not count
		{"elevator-1", t0.Add(20 * time.Minute), t0.Add(15 * time.Minute), 0, true},            // too few to learn from
		{"elevator-1", t0.Add(-time.Minute), time.Time{}, 0, false},
		{"gw-1", t0.AddDate(0, 0, 2), t0.Add(time.Hour), 0, true},
		{"d-1", t0.AddDate(0, 0, 2), t0.Add(3 * time.Hour), 10 * time.Minute, true},
		{"d-2", t0.AddDate(0, 0, 2), time.Time{}, 0, false}, // what a person enters is no sign of life
		{"nobody", t0.AddDate(0, 0, 2), time.Time{}, 0, false},
	} {
		seen, every, ok, err := x.h.LastSeen(ctx, c.device, c.until)
		require.NoError(t, err)
		require.Equal(t, c.ok, ok, c.device)
		if ok {
			require.Equal(t, c.seen, seen, c.device)
		}
		require.Equal(t, c.every, every, c.device)
	}
}

func TestUnknownThingsAreEmptyAndNoError(t *testing.T) {
	ctx := context.Background()
	x := start(t, terminal(t, 1, 1))
	d, err := x.h.Days(ctx, "nobody", reading.Run, 20000, 20100)
	require.NoError(t, err)
	require.Empty(t, d)
	a, err := x.h.Amount(ctx, "nobody", reading.Pulse, t0, t0.AddDate(0, 1, 0))
	require.NoError(t, err)
	require.Zero(t, a)
	l, err := x.h.Levels(ctx, "nobody", t0, t0.AddDate(0, 1, 0))
	require.NoError(t, err)
	require.Empty(t, l)
	d, err = x.h.Days(ctx, "elevator-1", reading.Status, 20000, 20100)
	require.NoError(t, err)
	require.Empty(t, d)
}

func TestStretchesThatMeetCountNothingTwice(t *testing.T) {
	x := start(t, terminal(t, 1, 1))
	midnight := date(t, "2026-03-03").Start(x.site.Load().Location())
	for i := -30; i <= 30; i++ { // an increment on every hour, midnight included
		when := midnight.Add(time.Duration(i) * time.Hour)
		x.submit(t, message("d-1", "pulse", when, `{"pulses":1,"id":"%d","at":%q}`, i, at(when)))
	}
	x.flush(t)
	sum := func(from, to time.Time) float64 {
		a, err := x.h.Amount(context.Background(), "d-1", reading.Pulse, from, to)
		require.NoError(t, err)
		return a.Value
	}
	a, z := midnight.Add(-40*time.Hour), midnight.Add(40*time.Hour)
	require.Equal(t, 61.0, sum(a, z))
	for _, cut := range []time.Duration{0, time.Hour, -time.Hour, -24 * time.Hour, 24 * time.Hour, -30 * time.Hour, 30 * time.Hour} {
		m := midnight.Add(cut)
		require.Equal(t, 61.0, sum(a, m)+sum(m, z), "cut at %s", m)
	}
	days := x.days(t, x.h, "d-1", reading.Pulse, "2026-03-03", "2026-03-03")
	require.Equal(t, 24.0, days[0].Amount)
	require.Equal(t, 24.0, sum(midnight, midnight.Add(24*time.Hour)))
}

func TestReadingsThatAreMonthsLateAreFoldedInToo(t *testing.T) {
	all := running("elevator-1", t0, 80*144)
	x, y := start(t, terminal(t, 1, 1)), start(t, terminal(t, 1, 1))
	x.submit(t, all[:500]...)
	x.submit(t, all[900:]...)
	x.flush(t)
	x.submit(t, all[500:900]...) // older than the dense checkpoints
	y.submit(t, all...)
	x.settle(t)
	y.settle(t)
	ctx := context.Background()
	for range 2 { // on the fly, then saved
		want, got := y.days(t, y.h, "elevator-1", reading.Run, "2026-03-01", "2026-06-01"), x.days(t, x.h, "elevator-1", reading.Run, "2026-03-01", "2026-06-01")
		require.Equal(t, want, got)
		for _, from := range []time.Duration{100 * time.Hour, 400*time.Hour + 7*time.Minute} {
			want, err := y.h.Amount(ctx, "elevator-1", reading.Run, t0.Add(from), t0.AddDate(0, 0, 70))
			require.NoError(t, err)
			got, err := x.h.Amount(ctx, "elevator-1", reading.Run, t0.Add(from), t0.AddDate(0, 0, 70))
			require.NoError(t, err)
			require.Equal(t, want, got)
		}
		x.flush(t)
		y.flush(t)
	}
}
