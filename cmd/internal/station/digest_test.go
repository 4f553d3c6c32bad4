package station_test

import (
	"context"
	"database/sql"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector"
	"dwindle/collector/health"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/collector/simulate"
	"dwindle/config"
	"dwindle/forecast"
)

// States that are kept with the daily figures give what all of the history
// gives, to the last bit: with devices that are silent for days and then tell
// what was, with messages that come weeks late, with another calendar, and after
// all that is derived was made anew.
func TestForecastsAreTheSameFromKeptStates(t *testing.T) {
	for seed := range uint64(3) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) { keptStates(t, seed) })
	}
}

func keptStates(t *testing.T, seed uint64) {
	ctx := context.Background()
	rng := rand.New(rand.NewPCG(77, seed))
	plant := simulate.New(simulate.Options{Seed: seed + 3, Points: 10, Days: 110, ReportEvery: 6 * time.Hour})
	site := plant.Site()
	var messages []reading.Message
	for m := range plant.Messages() {
		messages = append(messages, reading.Message{Topic: m.Topic, Payload: m.Payload, Received: m.At, Source: "simulated"})
	}
	// Each device is held up twice: once all comes in the end, once half of it
	// is lost.
	holds := map[string][]hold{}
	for i := range messages {
		m := &messages[i]
		device := strings.Split(m.Topic, "/")[3]
		if holds[device] == nil {
			for k := range 2 {
				from := plant.End().AddDate(0, 0, -rng.IntN(70)-3)
				to := from.Add(time.Duration(1+rng.IntN(9*24)) * time.Hour)
				holds[device] = append(holds[device], hold{from, to, to.Add(time.Duration(rng.IntN(15*24)) * time.Hour), k == 1})
			}
		}
		for _, h := range holds[device] {
			if m.Received.After(h.from) && m.Received.Before(h.to) {
				m.Received = h.until
				if h.lossy && rng.IntN(2) == 0 {
					m.Received = plant.End().AddDate(1, 0, 0)
				}
				break
			}
		}
	}
	slices.SortStableFunc(messages, func(a, b reading.Message) int { return a.Received.Compare(b.Received) })

	path := filepath.Join(t.TempDir(), "journal.db")
	j, err := journal.Open(ctx, path, journal.Options{})
	require.NoError(t, err)
	defer j.Close()
	var inForce atomic.Pointer[config.Site] // the intake asks from a goroutine of its own
	inForce.Store(site)
	in := collector.NewIntake(inForce.Load, j, health.New(nil), nil)
	history := collector.NewHistory(j, inForce.Load)
	history.Mends(in)
	defer running(t, in)()
	require.NoError(t, in.Record(ctx, plant.Facts()...))
	pass := func(src forecast.Source, at time.Time) string {
		f, err := forecast.Pass(ctx, site, src, at, forecast.Options{Workers: 2})
		require.NoError(t, err)
		return passText(t, site, f)
	}
	same := func(at time.Time) {
		t.Helper()
		want := pass(struct{ forecast.Source }{history}, at)
		require.Contains(t, want, "empty_p50")
		require.Equal(t, want, pass(history, at), "at %s, from what is kept so far", at)
		require.NoError(t, in.Flush(ctx))
		require.Equal(t, want, pass(history, at), "at %s, from what was kept now", at)
	}
	at := plant.End().AddDate(0, 0, -45)
	for n := 0; !at.After(plant.End()); n++ {
		var committed sync.WaitGroup
		for len(messages) > 0 && !messages[0].Received.After(at) {
			committed.Add(1)
			require.NoError(t, in.Feed(ctx, messages[0], func(collector.Fate) { committed.Done() }))
			messages = messages[1:]
		}
		committed.Wait()
		if n%3 != 1 { // else what is new has still to be folded in
			require.NoError(t, in.Flush(ctx))
		}
		same(at)
		switch n {
		case 4:
			other := *site
			day := site.Today(at) - 20
			other.Calendar.Shutdowns = append(slices.Clone(site.Calendar.Shutdowns), config.Shutdown{From: day, To: day + 2})
			require.NoError(t, other.Reindex())
			site = &other
			inForce.Store(site)
			same(at)
		case 7:
			require.NoError(t, in.Rebuild(ctx))
			same(at)
		}
		same(at.AddDate(0, 0, -9)) // a day that is past keeps nothing and trusts nothing
		at = at.Add(time.Duration(20+rng.IntN(80)) * time.Hour)
	}
	at = plant.End()
	same(at)
	right := pass(history, at)

	// They are what a pass rests on.
	db, err := sql.Open("sqlite", "file:"+path)
	require.NoError(t, err)
	defer db.Close()
	change := func(text string) {
		result, err := db.ExecContext(ctx, text)
		require.NoError(t, err)
		n, err := result.RowsAffected()
		require.NoError(t, err)
		require.Positive(t, n)
	}
	change("UPDATE digest SET body = (SELECT body FROM digest ORDER BY series DESC LIMIT 1)")
	require.NotEqual(t, right, pass(history, at))
	change("UPDATE digest SET body = x'00'")
	require.Equal(t, right, pass(history, at), "what cannot be read is passed over")
}

// hold is a time of silence; what was said in it comes at its end, or is lost.
type hold struct {
	from, to, until time.Time
	lossy           bool
}
