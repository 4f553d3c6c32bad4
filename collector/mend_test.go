package collector

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/health"
	"dwindle/collector/reading"
)

// spoil changes the file behind the journal's back.
func spoil(t testing.TB, path, statement string) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path+"?_pragma=busy_timeout(10000)")
	require.NoError(t, err)
	defer db.Close()
	done, err := db.Exec(statement)
	require.NoError(t, err)
	n, err := done.RowsAffected()
	require.NoError(t, err)
	require.Positive(t, n)
}

func TestSavedStatesThatCannotBeReadAreDerivedAnew(t *testing.T) {
	for name, statement := range map[string]string{
		"head, garbage":               "UPDATE series SET head_state = x'00112233445566'",
		"head, cut off":               "UPDATE series SET head_state = substr(head_state, 1, length(head_state) / 2) WHERE kind <> 'level'",
		"checkpoints, garbage":        "UPDATE checkpoint SET state = x'ffffffff'",
		"checkpoints, another kind's": "UPDATE checkpoint SET state = (SELECT head_state FROM series WHERE kind = 'pulse') WHERE place >> 32 = (SELECT id FROM series WHERE kind = 'run')",
		"newest days, garbage":        "UPDATE series SET open = x'0102'",
		"days, garbage":               "UPDATE bundle SET body = x'01ffff'",
		"days, cut off":               "UPDATE bundle SET body = substr(body, 1, length(body) - 3)",
	} {
		t.Run(name, func(t *testing.T) {
			site := terminal(t, 1, 1)
			x := start(t, site)
			x.submit(t, running("elevator-1", t0, 5*144)...)
			x.submit(t, pulses("d-1", t0, 5*144)...)
			x.flush(t)
			until := t0.AddDate(0, 0, 5)
			want := ask(t, x.h, until)
			spoil(t, x.path, statement)
			require.Equal(t, want, ask(t, x.h, until), "beside a running writer")
			require.NoError(t, x.stop())

			var log lockedBuffer
			y := startWith(t, site, x.path, slog.New(slog.NewTextHandler(&log, nil)))
			y.h.Mends(y.Intake)
			require.Equal(t, want, ask(t, y.h, until), "after a restart")
			// Late data need the checkpoints.
			late := t0.AddDate(0, 0, 2).Add(time.Minute)
			y.submit(t, message("elevator-1", "run", late, `{"running":true,"at":%q}`, at(late)), message("d-1", "pulse", late, `{"count":1100,"at":%q}`, at(late)))
			y.flush(t)
			for _, c := range y.checks.List() {
				require.Equal(t, health.Ok, c.Level, "%s: %s", c.Name, c.What)
			}
			got := ask(t, y.h, until)
			require.Contains(t, log.String(), "derived anew from the readings")
			require.NoError(t, y.Rebuild(context.Background()))
			require.Equal(t, ask(t, y.h, until), got)
			said := strings.Count(log.String(), "derived anew")
			y.flush(t)
			_ = ask(t, y.h, until)
			require.Equal(t, said, strings.Count(log.String(), "derived anew"), "mended, and said no more")
		})
	}
}

func TestWhoWaitsForDailyFiguresHearsOfTheStop(t *testing.T) {
	x := start(t, terminal(t, 1, 1))
	require.NoError(t, x.stop())
	done := make(chan error, 1)
	x.derive.ask(wish{done: done})
	require.True(t, errors.Is(<-done, ErrStopped))
}

// lockedBuffer is a log that a test reads while it is written.
type lockedBuffer struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buf.Write(p)
}

func (b *lockedBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buf.String()
}

// What had to be folded for a day that is cut is saved, is what a later start
// goes by, and is given up with the rest of what is derived.
func TestAmountsOfCutDaysAreSaved(t *testing.T) {
	site := terminal(t, 1, 1)
	x := start(t, site)
	x.h.Mends(x.Intake)
	x.submit(t, running("elevator-1", t0, 3*144)...)
	x.flush(t)
	ctx := context.Background()
	ask := func(h *History) float64 {
		a, err := h.Amount(ctx, "elevator-1", reading.Run, t0.Add(34*time.Hour), t0.Add(40*time.Hour))
		require.NoError(t, err)
		return a.Value
	}
	want := ask(x.h)
	require.Positive(t, want)
	x.flush(t)
	fresh := func() *History { return NewHistory(x.j, x.site.Load) }
	require.Equal(t, want, ask(fresh()))
	spoil(t, x.path, "UPDATE cut SET amount = amount + 1")
	require.Equal(t, want+1, ask(fresh()), "nothing was folded")
	require.NoError(t, x.Rebuild(ctx))
	require.Equal(t, want, ask(fresh()))
	require.Equal(t, want, ask(x.h))
}
