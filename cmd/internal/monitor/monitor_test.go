package monitor_test

import (
	"bytes"
	"flag"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil/promlint"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"
	"github.com/stretchr/testify/require"

	"dwindle/cmd/internal/monitor"
	"dwindle/collector"
	"dwindle/collector/health"
	"dwindle/collector/sparkplug"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// source is a made-up station.
type source struct {
	figures     monitor.Figures
	live, ready health.Probe
}

func (s *source) Live() health.Probe       { return s.live }
func (s *source) Ready() health.Probe      { return s.ready }
func (s *source) Figures() monitor.Figures { return s.figures }

func full() *source {
	at := time.UnixMilli(1_800_000_000_250)
	return &source{figures: monitor.Figures{
		Version: "1.2.3",
		Checks:  []health.Check{{Name: "broker connection"}, {Name: "device clocks", Level: health.Warn}, {Name: "journal", Level: health.Bad}},
		Intake: collector.Stats{
			Received: 1000, Stored: 900, Duplicates: 60, Kept: map[string]int64{"not_json": 30, "unknown_device": 10}, Overwritten: map[string]int64{"not_json": 5},
			Unknown: 10, Coerced: 7, Missing: 8, BadTimes: 9, Commits: 40, Rows: 1800, Queue: 12, QueueLimit: 5096, FailedCommits: 2, LastCommit: at, Written: 123456, Ignored: 11, Skipped: 13,
			Latency: collector.Latency{Bounds: []time.Duration{time.Millisecond, time.Second}, UpTo: []int64{30, 38}, Count: 40, Sum: 12500 * time.Millisecond},
		},
		Still: 3 * time.Second,
		Brokers: map[string]monitor.Broker{
			"plant":    {Up: true, Received: 840, Repeated: 40, Connections: 3, SessionsLost: 2, Oversize: 1, Dropped: 17},
			"embedded": {Received: 160, Connections: 5, Dropped: -1},
		},
		Sparkplug: &sparkplug.Stats{Births: 4, Data: 90, Deaths: 1, Resolved: 200, Recovered: 6, Unresolved: 2, Gaps: 1, Requests: 2, Ignored: 3},
		Forward: &monitor.Forward{
			Up: true, Written: 8000, Requests: 12, Taken: 10, Retried: 2, Refused: map[string]int64{"type_conflict": 3}, LineBytes: 700000, SentBytes: 90000,
			Late: 4, Deleted: 2, Undeleted: 1, LastWritten: at, BacklogKnown: true, Backlog: 250, Behind: 90 * time.Second,
			GivenUp: map[string]int64{"too_old": 6}, KeptAside: map[string]int64{"type_conflict": 3},
		},
		JournalBytes: 4096, LastForecast: at.Add(-time.Minute), LastSnapshot: at.Add(-time.Hour),
	}}
}

func get(t testing.TB, src monitor.Source, path, accept string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1:9310"+path, nil)
	if accept != "" {
		r.Header.Set("Accept", accept)
	}
	w := httptest.NewRecorder()
	monitor.New(src).ServeHTTP(w, r)
	return w
}

const openMetrics = "application/openmetrics-text; version=1.0.0; charset=utf-8"

// ours leaves out what Go and the process collector give, which differs from
// machine to machine.
func ours(text string) string {
	var out strings.Builder
	for line := range strings.Lines(text) {
		if strings.Contains(line, "dwindle_") {
			out.WriteString(line)
		}
	}
	return out.String()
}

func TestMetricsAreOpenMetricsWhereAskedFor(t *testing.T) {
	w := get(t, full(), "/metrics", openMetrics)
	require.Equal(t, http.StatusOK, w.Code)
	require.True(t, strings.HasPrefix(w.Header().Get("Content-Type"), "application/openmetrics-text"), w.Header().Get("Content-Type"))
	text := w.Body.String()
	require.True(t, strings.HasSuffix(text, "\n# EOF\n"))
	require.Contains(t, text, "# TYPE dwindle_intake_received counter\n", "the family's name has no _total")
	require.Contains(t, text, "\ndwindle_intake_received_total 1000.0\n")
	golden(t, "openmetrics.golden", ours(text))
}

func TestMetricsAreReadByTheUsualParserAndWellNamed(t *testing.T) {
	w := get(t, full(), "/metrics", "")
	require.True(t, strings.HasPrefix(w.Header().Get("Content-Type"), "text/plain"), "what older scrapers read")
	problems, err := promlint.New(bytes.NewReader(w.Body.Bytes())).Lint()
	require.NoError(t, err)
	for _, p := range problems {
		require.False(t, strings.HasPrefix(p.Metric, "dwindle_"), "%s: %s", p.Metric, p.Text)
	}
	parser := expfmt.NewTextParser(model.LegacyValidation)
	families, err := parser.TextToMetricFamilies(w.Body)
	require.NoError(t, err)
	var names []string
	for name, f := range families {
		if strings.HasPrefix(name, "dwindle_") {
			names = append(names, fmt.Sprintf("%s %s\n", strings.ToLower(f.GetType().String()), name))
			require.NotEmpty(t, f.GetHelp(), name)
		}
	}
	slices.Sort(names)
	golden(t, "names.golden", strings.Join(names, ""))
	require.Contains(t, families, "process_resident_memory_bytes")
	require.Contains(t, families, "go_goroutines")
}

func TestWhatIsNotKnownHasNoSample(t *testing.T) {
	text := get(t, &source{figures: monitor.Figures{JournalBytes: -1, Intake: collector.Stats{Written: -1}}}, "/metrics", openMetrics).Body.String()
	for _, name := range []string{"disk_written", "journal_size", "last_commit", "last_snapshot", "forecast_timestamp", "broker_"} {
		require.NotContains(t, text, "dwindle_"+name)
	}
	require.Contains(t, text, "dwindle_journal_commit_duration_seconds_count 0\n")
}

func TestLabelsAreBounded(t *testing.T) {
	s := full()
	s.figures.Intake.Kept = map[string]int64{}
	for i := range 1000 {
		s.figures.Intake.Kept[fmt.Sprintf("reason_%04d", i)] = 2
		s.figures.Checks = append(s.figures.Checks, health.Check{Name: fmt.Sprintf("check %04d", i), Level: health.Bad})
	}
	text := get(t, s, "/metrics", openMetrics).Body.String()
	require.LessOrEqual(t, strings.Count(text, "\ndwindle_"), 400)
	require.Contains(t, text, `dwindle_intake_kept_aside_total{reason="others"} 1800.0`, "nothing is left out of the sum")
	require.Contains(t, text, `dwindle_checks{level="bad"} 1001.0`)
}

func TestProbes(t *testing.T) {
	s := full()
	require.Equal(t, http.StatusOK, get(t, s, "/healthz", "").Code)
	require.Equal(t, http.StatusOK, get(t, s, "/readyz", "").Code)
	s.live.Failing = []health.Check{{Name: "writer", Level: health.Bad, What: "it has not moved", Try: "see the disk"}}
	s.ready.Failing = []health.Check{{Name: "broker connection", Level: health.Bad, What: "refused"}}
	w := get(t, s, "/healthz", "")
	require.Equal(t, http.StatusServiceUnavailable, w.Code)
	require.Contains(t, w.Body.String(), `"what":"it has not moved"`)
	w = get(t, s, "/readyz", "")
	require.Equal(t, http.StatusServiceUnavailable, w.Code)
	require.Contains(t, w.Body.String(), `"name":"broker connection"`)
}

func TestOnlyThisMachineIsAnswered(t *testing.T) {
	for host, want := range map[string]int{
		"127.0.0.1:9310": http.StatusOK, "localhost:9310": http.StatusOK, "[::1]:9310": http.StatusOK, "localhost": http.StatusOK,
		"rebound.example:9310": http.StatusMisdirectedRequest, "10.0.0.7:9310": http.StatusMisdirectedRequest, "": http.StatusMisdirectedRequest,
	} {
		for _, path := range []string{"/metrics", "/healthz", "/debug/pprof/cmdline"} {
			r := httptest.NewRequest(http.MethodGet, path, nil)
			r.Host = host
			w := httptest.NewRecorder()
			monitor.New(full()).ServeHTTP(w, r)
			require.Equal(t, want, w.Code, "%s at %q", path, host)
		}
	}
	w := httptest.NewRecorder()
	monitor.New(full()).ServeHTTP(w, httptest.NewRequest(http.MethodPost, "http://localhost/metrics", nil))
	require.Equal(t, http.StatusMethodNotAllowed, w.Code)
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o750))
		require.NoError(t, os.WriteFile(path, []byte(got), 0o600))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, string(want), got, "go test ./cmd/internal/monitor -update, and read the difference: names are what others build on")
}
