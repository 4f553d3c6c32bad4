package station

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/alerts/alarm"
	"dwindle/collector/health"
	"dwindle/collector/journal/disktest"
	"dwindle/collector/reading"
	"dwindle/config"
)

func TestPartsThatAskForSomebody(t *testing.T) {
	for name, want := range map[string][2]bool{ // vital, warns
		"journal": {true, false}, "journal disk": {true, true}, "journal file": {true, true}, "clock": {true, true}, "writer": {true, false},
		"broker connection": {true, false}, "broker quay delivery": {true, true}, "embedded broker": {true, false}, "sparkplug subscription": {true, false},
		"disk reserve": {false, true}, "damaged stores": {false, true}, "snapshots": {false, true},
		"forecast": {false, false}, "doubtful readings": {false, false}, "device clocks": {false, false},
	} {
		p := part(health.Check{Name: name})
		require.Equal(t, want, [2]bool{p.Vital, p.Warns}, name)
	}
}

// lookAt lets the alarms about the collector look as if the checks had stood so
// long: no test waits for minutes.
func lookAt(t *testing.T, c *Station, later time.Duration) {
	t.Helper()
	now, err := c.collectorNow(t.Context(), time.Now(), true)
	require.NoError(t, err)
	now.Now = now.Now.Add(later)
	_, err = c.watch.EvaluateCollector(t.Context(), time.Now().Add(later), now)
	require.NoError(t, err)
}

// trouble gives the listed alarm about a part, if there is one.
func trouble(t *testing.T, c *Station, part string) (alarm.Row, bool) {
	t.Helper()
	rows, err := c.AlarmRows(t.Context(), false)
	require.NoError(t, err)
	i := slices.IndexFunc(rows, func(r alarm.Row) bool { return r.Type == alarm.CollectorTrouble && r.Part == part })
	if i < 0 {
		return alarm.Row{}, false
	}
	return rows[i], true
}

// While the disk is full the alarm that says so is written on that disk, and it
// ends when there is room.
func TestAFullDiskIsAnAlarm(t *testing.T) {
	disk := disktest.Small(t, 12)
	var free func()
	fullDisk(t, disk, func(*Station) { free = disktest.Fill(t, disk) }, func(*Station) { free() })
}

// The same of a journal that is bounded, which needs no file system of its own.
func TestAJournalThatCannotBeWrittenIsAnAlarm(t *testing.T) {
	fullDisk(t, t.TempDir(),
		func(c *Station) { require.NoError(t, c.Journal().Limit(context.Background(), 1)) },
		func(c *Station) { require.NoError(t, c.Journal().Limit(context.Background(), 0)) })
}

func fullDisk(t *testing.T, dir string, fill, free func(*Station)) {
	site := small(filepath.Join(dir, "data"), config.Connections{})
	c, err := New(t.Context(), site, Options{})
	require.NoError(t, err)
	closed := false
	defer func() {
		if !closed {
			_ = c.Close()
		}
	}()
	n := 0
	send := func() {
		n++
		payload := append([]byte("no JSON "), make([]byte, 2000)...)
		ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		defer cancel() // the queue is full when nothing is written
		_ = c.Intake().Submit(ctx, reading.Message{Topic: "lube/v1/" + site.ID + "/nobody/run", Payload: payload, Received: time.Now().Add(-time.Duration(n) * time.Second), Source: "test"})
	}
	fill(c)
	for levelOf(c, "journal") != health.Bad && n < 20_000 {
		send()
	}
	soon(t, func() bool { return levelOf(c, "journal") == health.Bad })
	lookAt(t, c, 30*time.Second)
	_, there := trouble(t, c, "journal")
	require.False(t, there, "it may pass")
	lookAt(t, c, 2*time.Minute)
	r, there := trouble(t, c, "journal")
	require.True(t, there, "it must be seen while nothing can be stored")
	require.Equal(t, []any{alarm.Unacknowledged, alarm.Medium, "gateway_owner"}, []any{r.State, r.Priority, r.Owner})
	require.Contains(t, r.Cause, "nothing is acknowledged")
	require.NoError(t, c.Decide(t.Context(), Decision{Verb: Acknowledge, ID: r.ID, By: "kim", Note: "I make room", At: time.Now()}), "decisions are written, too")
	require.Equal(t, health.Bad, levelOf(c, "journal"), "still")

	free(c)
	soon(t, func() bool { send(); return levelOf(c, "journal") == health.Ok })
	lookAt(t, c, 3*time.Minute)
	lookAt(t, c, 7*time.Minute)
	_, there = trouble(t, c, "journal")
	require.False(t, there, "it ends by itself")
	closed = true
	require.NoError(t, c.Close())
}

// The loop of a serving station looks by itself, and a broker that is not there
// is told within its minute and a look.
func TestAServingStationLooksAtItself(t *testing.T) {
	require.Less(t, troublesEvery, time.Minute)
	c := served(t, embedded, nil)
	soon(t, func() bool { return c.Ready().OK() })
	c.health.Set("broker elsewhere connection", health.Bad, "no connection", "see the broker")
	require.NoError(t, c.lookAtCollector(t.Context(), time.Now(), true))
	_, there := trouble(t, c, "broker elsewhere connection")
	require.False(t, there)
	lookAt(t, c, 2*time.Minute)
	_, there = trouble(t, c, "broker elsewhere connection")
	require.True(t, there)
}

// A machine that sends minutes as hours is asked about, and no more once it
// sends hours again.
func TestAWrongUnitIsAnAlarm(t *testing.T) {
	site := small(t.TempDir(), config.Connections{})
	c, err := New(t.Context(), site, Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, c.Close()) }()
	machine := site.Machines[0].ID
	at, hours := time.Now().Add(-100*time.Hour).Truncate(time.Second), 1000.0
	send := func(n int, each float64) {
		for range n {
			at, hours = at.Add(time.Hour), hours+each
			require.NoError(t, c.Intake().Submit(t.Context(), reading.Message{
				Topic: "lube/v1/" + site.ID + "/" + machine + "/run", Payload: fmt.Appendf(nil, `{"at":%q,"hours":%.2f}`, at.Format(time.RFC3339), hours), Received: at, Source: "test",
			}))
		}
		require.NoError(t, c.Intake().Flush(t.Context()))
	}
	listed := func() (out []alarm.Row) {
		rows, err := c.AlarmRows(t.Context(), false)
		require.NoError(t, err)
		for _, r := range rows {
			if r.Type == alarm.DoubtfulData {
				out = append(out, r)
			}
		}
		return out
	}
	send(10, 0.9)
	send(10, 54)
	lookAt(t, c, 0)
	require.Empty(t, listed())
	lookAt(t, c, 31*time.Minute)
	require.Len(t, listed(), 1)
	r := listed()[0]
	require.Equal(t, machine, r.Device)
	require.Contains(t, r.Cause, "minutes in a field of hours")
	require.Contains(t, strings.Join(r.Response, " "), "replay --kept --from "+r.Since.AddDate(0, 0, -1).In(site.Location()).Format("2006-01-02"), "the day before it was seen")

	send(10, 0.9)
	lookAt(t, c, 62*time.Minute)
	lookAt(t, c, 93*time.Minute)
	require.Empty(t, listed())
}
