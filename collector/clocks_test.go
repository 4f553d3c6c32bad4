package collector

import (
	"context"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/health"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
)

func (x *house) check(name string) health.Check {
	for _, c := range x.checks.List() {
		if c.Name == name {
			return c
		}
	}
	return health.Check{}
}

func TestMessagesWaitForAClockThatIsNotSet(t *testing.T) {
	for name, m := range map[string]reading.Message{
		"device time": message("elevator-1", "run", time.Unix(90, 0), `{"hours":100.5,"at":%q}`, at(t0)),
		"none":        message("elevator-1", "run", time.Unix(90, 0), `{"hours":100.5}`),
	} {
		t.Run(name, func(t *testing.T) {
			var now atomic.Pointer[time.Time]
			set := func(x time.Time) { now.Store(&x) }
			set(time.Unix(100, 0))
			x := startWith(t, terminal(t, 1, 1), t.TempDir()+"/journal.db", nil, func(in *Intake) { in.now = func() time.Time { return *now.Load() } })
			answers := make(chan error, 1)
			m.Done = func(err error) { answers <- err }
			x.submit(t, m)
			require.ErrorIs(t, x.Record(context.Background(), reading.Fact{Kind: reading.FactChange, Point: "p-1", Device: "d-1"}), errClockUnset, "a person is told")
			require.Eventually(t, func() bool { return x.check(checkClock).Level == health.Bad }, 10*time.Second, time.Millisecond)
			require.Contains(t, x.check(checkClock).What, "1970-01-01")
			require.Empty(t, answers, "not acknowledged")

			set(t0.Add(time.Minute))
			require.NoError(t, <-answers)
			require.Equal(t, health.Ok, x.check(checkClock).Level)
			var got []reading.Reading
			require.NoError(t, x.h.Readings(context.Background(), nil, time.Time{}, t0.AddDate(1, 0, 0), func(r reading.Reading) error { got = append(got, r); return nil }))
			require.Len(t, got, 1)
			require.Equal(t, 2026, got[0].At.Year())
			require.Equal(t, 2026, got[0].Received.Year())
			require.Equal(t, name == "device time", got[0].FromDevice)
		})
	}
}

func TestAStopWhileTheClockIsNotSetHandsMessagesBack(t *testing.T) {
	x := startWith(t, terminal(t, 1, 1), t.TempDir()+"/journal.db", nil, func(in *Intake) { in.now = func() time.Time { return time.Unix(100, 0) } })
	answers := make(chan error, 3)
	for range 3 {
		m := message("elevator-1", "run", time.Unix(90, 0), `{"hours":100.5}`)
		m.Done = func(err error) { answers <- err }
		x.submit(t, m)
	}
	require.NoError(t, x.stop())
	for range 3 {
		require.ErrorIs(t, <-answers, errClockUnset)
	}
}

func TestDevicesWithAWrongClockAreNamedUntilTheyAreRight(t *testing.T) {
	x := start(t, terminal(t, 2, 1))
	send := func(device string, i int, payload string) {
		x.submit(t, message(device, "run", t0.Add(time.Duration(i)*time.Minute), "%s", payload))
		x.settle(t)
	}
	send("elevator-1", 0, `{"hours":1,"at":"2026-03-02T07:00:00Z"}`) // an hour ahead
	c := x.check(checkClocks)
	require.Equal(t, health.Warn, c.Level)
	require.Contains(t, c.What, "elevator-1")
	require.Contains(t, c.What, "ahead by")
	require.Contains(t, c.What, "2026-03-02T07:00:00Z")
	require.NotEmpty(t, c.Try)
	send("elevator-2", 1, `{"hours":1,"at":"2026-03-02 07:01"}`) // no zone
	require.Contains(t, x.check(checkClocks).What, "1 other device")
	send("elevator-2", 2, `{"hours":1}`) // says nothing of its clock
	require.Contains(t, x.check(checkClocks).What, "1 other device")
	send("elevator-2", 3, `{"hours":1,"at":"2026-03-02T06:03:00Z"}`)
	require.Equal(t, health.Warn, x.check(checkClocks).Level)
	require.Contains(t, x.check(checkClocks).What, "elevator-1")
	send("elevator-1", 4, `{"hours":1,"at":"2026-03-02T06:04:00Z"}`)
	require.Equal(t, health.Ok, x.check(checkClocks).Level)

	old := message("elevator-1", "run", t0, `{"hours":1,"at":37}`)
	old.Source = "replay"
	x.submit(t, old)
	x.settle(t)
	require.Equal(t, health.Ok, x.check(checkClocks).Level, "a log says nothing of today's clocks")
	require.EqualValues(t, 3, x.Stats().BadTimes)
}

func TestWhatWasUnderstoodOrMissingIsCounted(t *testing.T) {
	site := terminal(t, 1, 1)
	x := start(t, site)
	x.submit(t,
		message("elevator-1", "run", t0, `{"Hours":"12,5","running":"ON"}`),
		message("elevator-1", "run", t0.Add(time.Minute), `{"hours":13,"running":null}`))
	x.flush(t)
	s := x.Stats()
	require.EqualValues(t, 3, s.Coerced)
	require.EqualValues(t, 1, s.Missing)
	require.Zero(t, s.BadTimes)
	require.NoError(t, x.stop())
	require.EqualValues(t, 3, startAt(t, site, x.path).Stats().Coerced, "over restarts")
}

func TestEachMessagesFateIsTold(t *testing.T) {
	x := start(t, terminal(t, 1, 1))
	fates := make(chan Fate, 4)
	for _, m := range []reading.Message{
		message("elevator-1", "run", t0, `{"hours":5,"at":%q}`, at(t0)),
		message("elevator-1", "run", t0, `{"hours":5,"at":%q}`, at(t0)),
		message("elevator-1", "run", t0, `{"hours":4,"at":%q}`, at(t0)),
		message("elevator-1", "run", t0, `{"hours":`),
	} {
		require.NoError(t, x.Feed(context.Background(), m, func(f Fate) { fates <- f }))
	}
	x.settle(t)
	require.Equal(t, Fate{Outcome: journal.Stored}, <-fates)
	require.Equal(t, Fate{Outcome: journal.Duplicate}, <-fates)
	require.Equal(t, Fate{Outcome: journal.KeptAside, Reason: journal.ReasonConflict}, <-fates)
	require.Equal(t, Fate{Outcome: journal.KeptAside, Reason: "not_json"}, <-fates)
}

func TestAnotherPersonsRefusedEntryIsNotMine(t *testing.T) {
	x := start(t, terminal(t, 1, 1))
	refused, mine := make(chan error, 1), make(chan error, 1)
	x.commitTo = func(context.Context, journal.Batch) (journal.Result, error) {
		return journal.Result{}, journal.ErrRefused
	}
	x.commit([]work{{entry: journal.Entry{Person: true}, done: func(err error) { refused <- err }}, {flush: mine}})
	require.ErrorIs(t, <-refused, journal.ErrRefused)
	require.NoError(t, <-mine)
}

// A register that fails stands for a decoder that does.
func TestAMessageThatBreaksTheDecoderIsKeptAside(t *testing.T) {
	x := start(t, terminal(t, 1, 1))
	w := (&Intake{site: x.Intake.site, log: x.log, now: time.Now}).understand(item{m: &reading.Message{
		Topic: "lube/v1/terminal/elevator-1/run", Payload: []byte(`{"hours":1}`), Received: t0,
	}})
	require.NotNil(t, w.entry.Kept)
	require.Equal(t, reasonUndecodable, w.entry.Kept.Reason)
	require.Equal(t, `{"hours":1}`, string(w.entry.Kept.Payload))
}

func TestAClockThatIsBehindIsToldFromMessagesUnderWay(t *testing.T) {
	x := start(t, terminal(t, 3, 1))
	send := func(device string, minute, behind int) {
		now := t0.Add(time.Duration(minute) * time.Minute)
		x.submit(t, message(device, "run", now, `{"hours":%d.5,"at":%q}`, 100+minute/60, at(now.Add(-time.Duration(behind)*time.Minute))))
	}
	for i := range 20 {
		send("elevator-1", i, 9)        // nine minutes behind
		send("elevator-2", i, 40*(i%3)) // many are buffered, some come at once
	}
	for i := range 50 { // the backlog of an outage, oldest first, within a minute
		send("elevator-3", 20, 500-10*i)
	}
	x.settle(t)
	c := x.check(checkClocks)
	require.Equal(t, health.Warn, c.Level)
	require.Equal(t, "the clock of elevator-1 is behind by 9m0s, or its messages are under way for so long", c.What)
	got := map[string]DeviceClock{}
	for _, k := range x.Clocks() {
		got[k.Device] = k
	}
	require.Equal(t, 9*time.Minute, got["elevator-1"].Behind)
	require.True(t, got["elevator-1"].Off())
	require.Zero(t, got["elevator-2"].Behind)
	require.NotContains(t, got, "elevator-3", "a burst tells nothing of its clock")

	for i := range 20 { // set right
		send("elevator-1", 40+i, 0)
	}
	x.settle(t)
	require.Equal(t, health.Ok, x.check(checkClocks).Level)
}

func TestDevicesThatAgreeRefuteAStepOfAGatewaysClock(t *testing.T) {
	b := &box{}
	b.set(0, 0, false)
	x := startWith(t, terminal(t, 3, 1), t.TempDir()+"/journal.db", nil, b.install)
	x.settle(t)
	b.set(0, 87600*time.Hour, false) // ten years ahead
	b.seen(t, x)
	came := b.now()
	b.set(2*time.Second, 87600*time.Hour, false) // at any look from now on they have come before it
	for i := range 3 {
		x.submit(t, message([]string{"elevator-1", "elevator-2", "elevator-3"}[i], "run", came, `{"hours":100,"at":%q}`, at(t0)))
	}
	x.submit(t, message("elevator-1", "run", came.Add(time.Second), `{"seconds":360000}`)) // stamped by the gateway
	x.settle(t)
	b.seen(t, x)
	now, ok := x.Now()
	require.True(t, ok)
	require.WithinDuration(t, t0, now, time.Minute)
	require.Contains(t, x.check(checkClock).What, "the clocks of the devices agree")
	x.flush(t)
	require.NoError(t, x.h.Readings(context.Background(), nil, time.Time{}, t0.AddDate(40, 0, 0), func(r reading.Reading) error {
		require.WithinDuration(t, t0, r.At, time.Minute, r.Quantity)
		require.WithinDuration(t, t0, r.Received, time.Minute, r.Quantity)
		return nil
	}))
}

// What was said of a device that has left the register would never clear.
func TestADeviceThatIsGoneIsNotComplainedAbout(t *testing.T) {
	x := start(t, terminal(t, 2, 1))
	send := func(i int, payload string) {
		x.submit(t, message("elevator-2", "run", t0.Add(time.Duration(i)*time.Minute), "%s", payload))
		x.settle(t)
	}
	for i := range 3 {
		send(i, `{"hours":1,"at":1772431200}`)
	}
	send(3, `{"hours":1,"at":1772431200000}`)
	require.Equal(t, health.Warn, x.check(checkUnits).Level)
	send(4, `{"hours":1,"at":"2026-03-02T07:00:00Z"}`) // an hour ahead
	require.Equal(t, health.Warn, x.check(checkClocks).Level)
	x.flush(t)
	require.NoError(t, x.j.Note(context.Background(), reading.Notice{Kind: "unit", Device: "elevator-2", About: "run", At: t0, Words: "x", Evidence: "y"}))
	x.flush(t)
	require.Equal(t, health.Warn, x.check(checkReadings).Level)

	x.site.Store(terminal(t, 1, 1))
	x.flush(t)
	require.Equal(t, health.Ok, x.check(checkReadings).Level)
	for _, name := range []string{checkClocks, checkUnits} {
		require.Eventually(t, func() bool { return x.check(name).Level == health.Ok }, 10*time.Second, 10*time.Millisecond, name)
	}
}
