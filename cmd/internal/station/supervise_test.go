package station

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/cmd/internal/monitor"
	"dwindle/cmd/internal/systemd"
	"dwindle/collector/health"
	"dwindle/collector/reading"
	"dwindle/collector/simulate"
	"dwindle/config"
)

// manager is a service manager that keeps what it is told.
type manager struct {
	mu    sync.Mutex
	lines []string
}

func (m *manager) heard() []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Clone(m.lines)
}

// count says how often a line was told.
func (m *manager) count(prefix string) (n int) {
	for _, line := range m.heard() {
		if strings.HasPrefix(line, prefix) {
			n++
		}
	}
	return n
}

// managed makes a manager that waits so long for signs of life.
func managed(t *testing.T, watchdog time.Duration) (*manager, *systemd.Notifier) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "notify")
	l, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	require.NoError(t, err)
	m, ended := &manager{}, make(chan struct{})
	go func() {
		defer close(ended)
		buf := make([]byte, 4096)
		for {
			n, err := l.Read(buf)
			if err != nil {
				return
			}
			m.mu.Lock()
			m.lines = append(m.lines, strings.Split(string(buf[:n]), "\n")...)
			m.mu.Unlock()
		}
	}()
	t.Cleanup(func() { _ = l.Close(); <-ended })
	t.Setenv("NOTIFY_SOCKET", path)
	t.Setenv("WATCHDOG_USEC", fmt.Sprint(watchdog.Microseconds()))
	t.Setenv("WATCHDOG_PID", "")
	return m, systemd.FromEnv()
}

// small is the site of a small plant with its data in a folder.
func small(dir string, connections config.Connections) *config.Site {
	site := simulate.New(simulate.Options{Seed: 4, Points: 5, Days: 30}).Site()
	site.Data = dir
	connections.Prefix = config.DefaultPrefix
	site.Connections = connections
	return site
}

// served runs a small station until the test ends.
func served(t *testing.T, connections config.Connections, n *systemd.Notifier) *Station {
	t.Helper()
	c, err := New(t.Context(), small(t.TempDir(), connections), Options{Manager: n, Version: "1.2.3"})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- c.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		require.NoError(t, <-ended)
		require.NoError(t, c.Close())
	})
	return c
}

var embedded = config.Connections{Embedded: &config.Embedded{Listen: "127.0.0.1:0"}}

// wayUp is a way in that is open.
func wayUp() map[string]monitor.Broker { return map[string]monitor.Broker{"other": {Up: true}} }

func soon(t *testing.T, what func() bool) {
	t.Helper()
	require.Eventually(t, what, 30*time.Second, 5*time.Millisecond)
}

func names(checks []health.Check) (out []string) {
	for _, c := range checks {
		out = append(out, c.Name)
	}
	return out
}

func TestAWriterThatHangsEndsTheSignsOfLife(t *testing.T) {
	m, n := managed(t, time.Second)
	c := served(t, embedded, n)
	soon(t, func() bool { return m.count("READY=1") == 1 && m.count("WATCHDOG=1") >= 3 && c.Live().OK() })

	// The answer to a message never comes back: the writer is stuck for real.
	stuck, release := make(chan struct{}), make(chan struct{})
	free := sync.OnceFunc(func() { close(release) })
	t.Cleanup(free)
	require.NoError(t, c.Intake().Submit(t.Context(), reading.Message{
		Topic: "lube/v1/none/none/run", Payload: []byte(`{"hours":1}`), Received: time.Now(), Source: "test",
		Done: func(error) { close(stuck); <-release },
	}))
	<-stuck
	soon(t, func() bool { return !c.Live().OK() })
	soon(t, func() bool { return levelOf(c, checkWriter) == health.Bad })
	// The loop that could have said it goes on, and what it sends stays in order.
	soon(t, func() bool {
		return slices.ContainsFunc(m.heard(), func(l string) bool { return strings.HasPrefix(l, "STATUS=") && strings.Contains(l, checkWriter) })
	})
	said := m.count("WATCHDOG=1")
	time.Sleep(c.patience()) // some more of its rounds
	require.Equal(t, said, m.count("WATCHDOG=1"), "no sign of life while nothing moves")

	p := c.Live()
	require.Equal(t, []string{checkWriter}, names(p.Failing))
	require.Contains(t, p.Failing[0].What, "nothing has gone through")
	require.NotEmpty(t, p.Failing[0].Try)
	require.Contains(t, names(c.Ready().Failing), checkWriter, "nor can it take messages")

	free()
	soon(t, func() bool { return c.Live().OK() && m.count("WATCHDOG=1") > said })
}

func TestAFullDiskDoesNotEndTheSignsOfLife(t *testing.T) {
	m, n := managed(t, 20*time.Second) // signs every 2.5 s, patience for 10 s
	c := served(t, embedded, n)
	soon(t, func() bool { return c.Ready().OK() })
	require.NoError(t, c.Journal().Limit(t.Context(), 1))
	t.Cleanup(func() { require.NoError(t, c.Journal().Limit(context.Background(), 0)) })
	for i := range 3000 {
		at := time.Now().Add(-time.Duration(i) * time.Second)
		require.NoError(t, c.Intake().Submit(t.Context(), reading.Message{
			Topic: fmt.Sprintf("lube/v1/%s/nobody-%d/run", c.site.Load().ID, i%100), Payload: []byte(strings.Repeat("no JSON ", 100)), Received: at, Source: "test",
		}))
	}
	soon(t, func() bool { return !c.Ready().OK() })
	require.Equal(t, []string{"journal"}, names(c.Ready().Failing))
	said := m.count("WATCHDOG=1")
	soon(t, func() bool { return m.count("WATCHDOG=1") >= said+2 })
	require.True(t, c.Live().OK(), "a restart would not make room")
	require.Contains(t, names(c.Live().Others), "journal", "but it is told")
	require.Positive(t, c.Figures().Intake.FailedCommits)
}

func TestReadyWantsOneWayIn(t *testing.T) {
	t.Run("a broker of our own", func(t *testing.T) {
		c := served(t, embedded, nil)
		soon(t, func() bool { return c.Ready().OK() })
	})
	t.Run("none named", func(t *testing.T) {
		c := served(t, config.Connections{}, nil)
		p := c.Ready()
		require.Equal(t, []string{"ways in"}, names(p.Failing))
		require.Contains(t, p.Failing[0].What, "names no broker")
		require.True(t, c.Live().OK())
	})
	t.Run("one of two", func(t *testing.T) {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		require.NoError(t, err)
		require.NoError(t, l.Close())
		gone := &config.Broker{Name: config.DefaultBrokerName, URL: "tcp://" + l.Addr().String()}
		c := served(t, config.Connections{Broker: gone}, nil)
		soon(t, func() bool { return slices.Contains(names(c.Ready().Failing), "broker connection") })
		require.True(t, c.Live().OK())
		c.opens(wayUp)
		require.True(t, c.Ready().OK())
		require.Contains(t, names(c.Ready().Others), "broker connection")
	})
}

func TestTheMonitorShowsTheStation(t *testing.T) {
	c := served(t, embedded, nil)
	soon(t, func() bool { return c.Ready().OK() })
	require.NoError(t, c.Intake().Submit(t.Context(), reading.Message{Topic: "lube/v1/none/none/run", Payload: []byte("x"), Received: time.Now(), Source: "test"}))
	require.NoError(t, c.Intake().Flush(t.Context()))
	h := monitor.New(c)
	get := func(path string) *httptest.ResponseRecorder {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "http://localhost"+path, nil))
		return w
	}
	text := get("/metrics").Body.String()
	for _, want := range []string{
		`dwindle_build_info{version="1.2.3"} 1`, "dwindle_intake_received_total 1", `dwindle_broker_up{broker="embedded"} 1`,
		"dwindle_journal_commit_duration_seconds_count 1", "dwindle_journal_size_bytes ", "dwindle_journal_last_commit_timestamp_seconds ",
		`dwindle_check_level{check="embedded broker"} 0`,
	} {
		require.Contains(t, text, "\n"+want)
	}
	if _, err := os.Stat("/proc/self/io"); err == nil {
		require.Contains(t, text, "\ndwindle_disk_written_bytes_total ")
	}
	var body struct{ Status string }
	require.NoError(t, json.Unmarshal(get("/readyz").Body.Bytes(), &body))
	require.Equal(t, "ok", body.Status)
}

func TestSnapshotsAreDated(t *testing.T) {
	c := served(t, embedded, nil)
	soon(t, func() bool { return c.Ready().OK() })
	require.Zero(t, c.Figures().LastSnapshot)
	before := time.Now().Add(-time.Second)
	require.NoError(t, c.Snapshot(t.Context()))
	require.WithinRange(t, c.Figures().LastSnapshot, before, time.Now().Add(time.Second))
}

// Opening may take long as long as something moves, and no longer.
func TestMoreTimeIsAskedForWhileTheDiskMoves(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var asked, bytes int64
		var mu sync.Mutex
		end := extending(func(by time.Duration) error {
			mu.Lock()
			defer mu.Unlock()
			require.Equal(t, extendBy, by)
			asked++
			return nil
		}, func() (int64, bool) {
			mu.Lock()
			defer mu.Unlock()
			return bytes, true
		})
		count := func() int64 {
			mu.Lock()
			defer mu.Unlock()
			return asked
		}
		move := func() {
			mu.Lock()
			defer mu.Unlock()
			bytes += 4096
		}
		time.Sleep(extendEvery + time.Second)
		require.Zero(t, count(), "nothing has moved")
		move()
		time.Sleep(extendEvery)
		require.EqualValues(t, 1, count())
		time.Sleep(10 * extendEvery)
		require.EqualValues(t, 1, count(), "a disk that hangs gets no more")
		end()
	})
}
