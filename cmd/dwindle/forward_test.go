package main

import (
	"compress/gzip"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/cmd/internal/station"
	"dwindle/collector/influx/influxtest"
	"dwindle/collector/mqtt/brokertest"
	"dwindle/config"
)

// table reads what export wrote as CSV, a row by the names of its columns.
func table(t *testing.T, text string) (rows []map[string]string) {
	t.Helper()
	all, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	require.NoError(t, err)
	for _, cells := range all[1:] {
		row := map[string]string{}
		for i, name := range all[0] {
			row[name] = cells[i]
		}
		rows = append(rows, row)
	}
	return rows
}

// receiving is a site that forwards to a server of its own.
type receiving struct {
	t       *testing.T
	influx  *influxtest.Server
	bucket  string
	broker  string
	file    string
	monitor string
	site    *config.Site
}

// newReceiving writes the example site with its history, and gives the lines of
// the history.
func newReceiving(t *testing.T, days int) (x *receiving, history []string) {
	t.Helper()
	x = &receiving{t: t, influx: influxtest.Own(t), monitor: freeAddr(t)}
	x.bucket = x.influx.Bucket(t)
	x.broker = brokertest.Start(t, brokertest.Options{}).Addr
	dir := filepath.Join(t.TempDir(), "demo")
	must(t, "demo", "--write", dir, "--points", "8", "--days", strconv.Itoa(days), "--seed", "2")
	x.file = filepath.Join(dir, "site.yaml")
	text, err := os.ReadFile(x.file)
	require.NoError(t, err)
	head, _, ok := strings.Cut(string(text), "connections:\n")
	require.True(t, ok)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "influx.token"), []byte(x.influx.Token+"\n"), 0o600))
	head += fmt.Sprintf(`connections:
  broker: {url: "tcp://%s"}
  monitor: {listen: "%s"}
stores:
  influx: {url: "%s", organisation: "%s", bucket: "%s", token_file: influx.token, every: 200ms, batch_rows: 2000}
`, x.broker, x.monitor, x.influx.URL, x.influx.Org, x.bucket)
	require.NoError(t, os.WriteFile(x.file, []byte(head), 0o600))
	x.site, err = config.Load(x.file)
	require.NoError(t, err)
	log, err := os.ReadFile(filepath.Join(dir, "history.jsonl"))
	require.NoError(t, err)
	return x, slices.Collect(strings.Lines(string(log)))
}

// replay feeds lines of the history through the serving process.
func (x *receiving) replay(lines []string) {
	x.t.Helper()
	path := filepath.Join(x.t.TempDir(), "part.jsonl")
	require.NoError(x.t, os.WriteFile(path, []byte(strings.Join(lines, "")), 0o600))
	must(x.t, "replay", "-c", x.file, path)
}

// state is what forward --json says.
type state struct {
	station.Forwarding
	Aside []asideRow `json:"aside"`
}

func (x *receiving) state() (s state) {
	x.t.Helper()
	require.NoError(x.t, json.Unmarshal([]byte(must(x.t, "forward", "-c", x.file, "--json")), &s))
	return s
}

// drained waits until nothing waits and the daily results of today have gone.
func (x *receiving) drained() {
	x.t.Helper()
	var s state
	defer func() {
		if x.t.Failed() {
			resp, err := http.Get("http://" + x.monitor + "/healthz")
			if err == nil {
				text, _ := io.ReadAll(resp.Body)
				x.t.Logf("health: %s", text)
			}
		}
	}()
	for quiet, until := 0, time.Now().Add(40*time.Second); quiet < 3; time.Sleep(200 * time.Millisecond) {
		require.True(x.t, time.Now().Before(until), "%d forecasts, %d delivery, %d register, %d usage, %+v", x.count("forecast"), x.count("delivery"), x.count("register"), x.count("usage"), s)
		if s = x.state(); s.Rows == 0 && s.Live && x.count("forecast") >= len(x.site.Points) && x.count("delivery") >= len(x.site.Points) {
			quiet++
		} else {
			quiet = 0
		}
	}
}

// count is how many points there are of a daily measurement.
func (x *receiving) count(measurement string) int {
	x.t.Helper()
	return len(x.rows(measurement))
}

// rows are the points of a daily measurement, with their tags, fields and time.
func (x *receiving) rows(measurement string) []map[string]string {
	x.t.Helper()
	return x.influx.Query(x.t, fmt.Sprintf(`from(bucket: %q) |> range(start: 0, stop: 2100-01-01T00:00:00Z) |> filter(fn: (r) => r._measurement == %q)
		|> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value") |> group()`, x.bucket, measurement))
}

// total is the number and the sum of values.
type total struct {
	n   int
	sum float64
}

// readings are the totals of what the server has, by quantity.
func (x *receiving) readings() map[string]total {
	x.t.Helper()
	out := map[string]total{}
	for _, fn := range []string{"count", "sum"} {
		for _, r := range x.influx.Query(x.t, fmt.Sprintf(`from(bucket: %q) |> range(start: 0, stop: 2100-01-01T00:00:00Z)
			|> filter(fn: (r) => exists r.channel and r._field == r.channel and r._measurement != "usage") |> group(columns: ["_measurement", "channel"]) |> %s()`, x.bucket, fn)) {
			k := r["_measurement"] + "." + r["channel"]
			v, err := strconv.ParseFloat(r["_value"], 64)
			require.NoError(x.t, err)
			sum := out[k]
			if fn == "count" {
				sum.n = int(v)
			} else {
				sum.sum = v
			}
			out[k] = sum
		}
	}
	return out
}

// figure reads a figure of the monitor.
func (x *receiving) figure(name string) float64 {
	x.t.Helper()
	resp, err := http.Get("http://" + x.monitor + "/metrics")
	require.NoError(x.t, err)
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	require.NoError(x.t, err)
	for line := range strings.Lines(string(text)) {
		if rest, ok := strings.CutPrefix(line, name+" "); ok {
			v, err := strconv.ParseFloat(strings.TrimSpace(rest), 64)
			require.NoError(x.t, err)
			return v
		}
	}
	require.FailNow(x.t, "no such figure", name)
	return 0
}

// What comes in is in InfluxDB once, with the daily results, although the server
// is stopped and the program killed in between.
func TestReadingsAndResultsAreInInfluxDBOnce(t *testing.T) {
	x, history := newReceiving(t, 35)
	s := serve(t, x.file)
	third := len(history) / 3
	x.replay(history[:third])
	x.drained()

	x.influx.Stop()
	x.replay(history[third : 2*third])
	waits := x.state()
	require.Greater(t, waits.Rows, int64(third/2))
	s.kill()
	beside := x.state()
	require.False(t, beside.Live)
	require.Greater(t, beside.Rows, int64(third/2), "beside no serving process it is what the journal has")
	t.Logf("while the server is away and nobody serves:\n%s", must(t, "forward", "-c", x.file))

	s = serve(t, x.file)
	x.replay(history[2*third:])
	x.influx.Again()
	now := time.Now().UTC().Truncate(time.Second)
	s.waitSubscribed(x.broker)
	machine := x.site.Machines[0].ID
	pub(t, x.broker, "lube/v1/"+x.site.ID+"/"+machine+"/status", fmt.Sprintf(`{"at":%q,"temperature_c":21.5}`, now.Format(time.RFC3339)))
	x.drained()
	time.Sleep(time.Second) // older days go in steps
	x.drained()

	// Readings.
	want := map[string]total{}
	for _, r := range table(t, must(t, "export", "-c", x.file, "readings")) {
		v, err := strconv.ParseFloat(r["value"], 64)
		require.NoError(t, err)
		sum := want[r["quantity"]]
		sum.n, sum.sum = sum.n+1, sum.sum+v
		want[r["quantity"]] = sum
	}
	got := x.readings()
	require.Contains(t, want, "status.temperature_c")
	require.Len(t, got, len(want))
	for q, w := range want {
		require.Equal(t, w.n, got[q].n, q)
		require.InEpsilon(t, 1+w.sum, 1+got[q].sum, 1e-9, q)
	}
	require.Equal(t, len(table(t, must(t, "export", "-c", x.file, "changes"))), factsOf(x.rows("fact")))

	// Results. What came late for a day is looked for once an hour, and with each
	// start.
	s.stop()
	s = serve(t, x.file)
	today := x.site.Today(time.Now()).String()
	days := map[string]map[string]string{}
	for kind, what := range map[string]string{"dispenser": "usage", "machine": "machines"} {
		for _, r := range table(t, must(t, "export", "-c", x.file, what)) {
			if r["date"] != today {
				days[kind+" "+r[kind]+" "+r["date"]] = r
			}
		}
	}
	require.Greater(t, len(days), 8*30)
	difference := "nothing is there"
	require.Eventually(t, func() bool {
		difference = unlike(days, x.rows("usage"))
		return difference == ""
	}, 30*time.Second, 500*time.Millisecond, "%s", &lastly{&difference})
	x.drained()
	for _, name := range []string{"forecast", "delivery", "register"} {
		require.Equal(t, len(x.site.Points), x.count(name), name)
	}
	for _, r := range x.rows("forecast") {
		require.Equal(t, today, r["date"])
	}
	require.Eventually(t, func() bool {
		alarms, list := map[string]string{}, []map[string]any{}
		for _, r := range x.rows("alarm") {
			alarms[r["id"]] = r["state"]
		}
		require.NoError(t, json.Unmarshal([]byte(must(t, "alarms", "-c", x.file, "--history", "--json")), &list))
		for _, a := range list {
			if alarms[a["id"].(string)] != a["state"] {
				return false
			}
		}
		return len(list) > 0 && len(list) == len(alarms)
	}, 30*time.Second, 500*time.Millisecond)
	x.drained()

	// Figures.
	now1 := x.state()
	require.Empty(t, now1.Aside)
	require.Empty(t, now1.GivenUp)
	require.Equal(t, float64(now1.Written), x.figure("dwindle_forward_points_total"))
	require.Equal(t, 1.0, x.figure("dwindle_forward_up"))
	require.Equal(t, 0.0, x.figure("dwindle_check_level{check=\"influx\"}"))
	require.Eventually(t, func() bool { return x.figure("dwindle_forward_backlog_rows") == 0 }, 20*time.Second, time.Second)
	out := must(t, "forward", "-c", x.file)
	require.NotContains(t, out, x.influx.Token)
	t.Logf("when all is there:\n%s", out)
	s.stop()
	require.NotContains(t, s.log.String(), x.influx.Token)
}

// lastly is a text that is read when it is written.
type lastly struct{ s *string }

func (t *lastly) String() string { return *t.s }

// unlike compares days of usage as exported with those in InfluxDB.
func unlike(want map[string]map[string]string, got []map[string]string) string {
	if len(got) != len(want) {
		return fmt.Sprintf("%d days, not %d", len(got), len(want))
	}
	for _, r := range got {
		w := want[r["channel"]+" "+r["device"]+" "+r["date"]]
		if w == nil {
			return fmt.Sprintf("unknown: %v", r)
		}
		for _, name := range []string{"run_hours", "pulses", "commanded_cm3"} {
			a, err1 := strconv.ParseFloat(w[name], 64)
			b, err2 := strconv.ParseFloat(r[name], 64)
			missing := slices.Contains(strings.Fields(r["missing"]), name)
			if w[name] == "" && missing || err1 == nil && err2 == nil && math.Abs(a-b) < 1e-6 {
				continue
			}
			return fmt.Sprintf("%s: %q in %v, %q in %v", name, w[name], w, r[name], r)
		}
	}
	return ""
}

// factsOf counts facts that differ.
func factsOf(rows []map[string]string) int {
	ids := map[string]bool{}
	for _, r := range rows {
		ids[r["id"]] = true
	}
	return len(ids)
}

// A point that the server refuses is kept aside with its words; everything else
// goes on, and once the cause is gone it is sent again.
func TestARefusedPointIsShownAndSentAgain(t *testing.T) {
	x, history := newReceiving(t, 30)
	now := time.Now().UTC().Truncate(time.Second)
	x.influx.Write(t, x.bucket, fmt.Sprintf("status,site=other pressure_bar=\"a text\" %d\n", now.UnixNano()))
	s := serve(t, x.file)
	x.replay(history[:200])
	s.waitSubscribed(x.broker)
	d := x.site.Dispensers[0].ID
	pub(t, x.broker, "lube/v1/"+x.site.ID+"/"+d+"/status", fmt.Sprintf(`{"at":%q,"temperature_c":21.5,"pressure_bar":3.5}`, now.Format(time.RFC3339)))
	require.Eventually(t, func() bool { return len(x.state().Aside) == 1 }, 30*time.Second, 200*time.Millisecond)
	x.drained()
	warm := x.readings()["status.temperature_c"].n
	require.Positive(t, warm)
	aside := x.state().Aside[0]
	require.Equal(t, "type_conflict", aside.Reason)
	require.Contains(t, aside.Line, "pressure_bar=3.5")
	out := must(t, "forward", "-c", x.file)
	t.Logf("with a point kept aside:\n%s", out)
	require.Contains(t, out, "type conflict")
	require.Contains(t, out, "--resend")
	require.Contains(t, must(t, "forward", "-c", x.file, "--refused"), "pressure_bar=3.5")

	// Sent again too early, it is refused again.
	require.Contains(t, must(t, "forward", "-c", x.file, "--resend"), "1 point to be sent again")
	require.Eventually(t, func() bool { a := x.state().Aside; return len(a) == 1 && a[0].ID != aside.ID }, 30*time.Second, 200*time.Millisecond)

	// The server holds to a type for as long as it has anything of the field: the
	// bucket is made anew.
	var buckets struct {
		Buckets []struct{ ID, OrgID string }
	}
	require.NoError(t, x.influx.Do(http.MethodGet, "/api/v2/buckets?name="+x.bucket, nil, &buckets))
	require.Len(t, buckets.Buckets, 1)
	require.NoError(t, x.influx.Do(http.MethodDelete, "/api/v2/buckets/"+buckets.Buckets[0].ID, nil, nil))
	require.NoError(t, x.influx.Do(http.MethodPost, "/api/v2/buckets", map[string]any{"name": x.bucket, "orgID": buckets.Buckets[0].OrgID, "retentionRules": []any{}}, nil))
	must(t, "forward", "-c", x.file, "--resend")
	require.Eventually(t, func() bool { return len(x.state().Aside) == 0 }, 90*time.Second, 200*time.Millisecond)
	require.Equal(t, 1, x.readings()["status.pressure_bar"].n)
	s.stop()
}

// sink is a receiver that only notes what it is sent.
type sink struct {
	mu    sync.Mutex
	lines map[string]int // by bucket
	token string
	hang  chan struct{} // until it is closed, nothing is answered
}

func (k *sink) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body := io.Reader(r.Body)
	if r.Header.Get("Content-Encoding") == "gzip" {
		z, err := gzip.NewReader(body)
		if err != nil {
			http.Error(w, err.Error(), http.StatusBadRequest)
			return
		}
		body = z
	}
	text, err := io.ReadAll(body)
	if err != nil {
		return
	}
	k.mu.Lock()
	hang := k.hang
	k.token = r.Header.Get("Authorization")
	k.lines[r.URL.Query().Get("bucket")] += strings.Count(strings.TrimSpace(string(text))+"\n", "\n")
	k.mu.Unlock()
	if hang != nil {
		select {
		case <-hang:
		case <-r.Context().Done():
		}
		return
	}
	w.WriteHeader(http.StatusNoContent)
}

func (k *sink) of(bucket string) int {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.lines[bucket]
}

// A receiver may be changed, and left out, while serving.
func TestAReloadChangesWhereReadingsGo(t *testing.T) {
	k := &sink{lines: map[string]int{}}
	there := httptest.NewServer(k)
	defer there.Close()
	monitor := freeAddr(t)
	file := quay(t, killDevices, "  embedded_broker: {listen: \"127.0.0.1:0\"}\n  monitor: {listen: \""+monitor+"\"}\n"+
		"stores: {influx: {url: \""+there.URL+"\", organisation: terminal, bucket: one, token_file: influx.token, every: 100ms}}\n")
	tokenFile := filepath.Join(filepath.Dir(file), "influx.token")
	require.NoError(t, os.WriteFile(tokenFile, []byte("first"), 0o600))
	s := serve(t, file)
	replay := func(from, to int) {
		var log strings.Builder
		for i := from; i < to; i++ {
			log.WriteString(logLine(i))
		}
		path := filepath.Join(t.TempDir(), "log.jsonl")
		require.NoError(t, os.WriteFile(path, []byte(log.String()), 0o600))
		must(t, "replay", "-c", file, path)
	}
	reload := func(old, now string) {
		edit(t, file, old, now)
		before := strings.Count(s.log.String(), "site file read again")
		require.NoError(t, s.cmd.Process.Signal(syscall.SIGHUP))
		require.Eventually(t, func() bool { return strings.Count(s.log.String(), "site file read again") > before }, 30*time.Second, 20*time.Millisecond, "%s", s.log)
	}
	replay(0, 300)
	require.Eventually(t, func() bool { return k.of("one") >= 300 }, 30*time.Second, 20*time.Millisecond)
	require.Equal(t, "Token first", k.token)

	// Another token needs no reload, other bounds no new beginning.
	require.NoError(t, os.WriteFile(tokenFile, []byte("second"), 0o600))
	reload("every: 100ms", "every: 200ms, batch_rows: 50")
	replay(300, 400)
	require.Eventually(t, func() bool { return k.of("one") >= 400 }, 30*time.Second, 20*time.Millisecond)
	require.Less(t, k.of("one"), 650, "what was there was not sent again, but for the register")
	require.Equal(t, "Token second", k.token)

	// Another bucket gets everything.
	reload("bucket: one", "bucket: two")
	require.Eventually(t, func() bool { return k.of("two") >= 400 }, 30*time.Second, 20*time.Millisecond)
	require.Contains(t, must(t, "forward", "-c", file), "bucket two")

	// A stop does not wait for a receiver that takes its time.
	k.mu.Lock()
	k.hang = make(chan struct{})
	k.mu.Unlock()
	replay(400, 500)
	require.Eventually(t, func() bool { return k.of("two") >= 450 }, 30*time.Second, 20*time.Millisecond)
	s.stop()
	require.Contains(t, must(t, "forward", "-c", file), "nobody serves this site now")
	out, errOut, code := dwindle(t, "forward", "-c", file, "--resend")
	require.Equal(t, exitDone, code, errOut)
	require.Contains(t, out, "0 points to be sent again, with the next start")
	k.mu.Lock()
	close(k.hang)
	k.hang = nil
	k.mu.Unlock()
	s = serve(t, file)
	require.Eventually(t, func() bool { return k.of("two") >= 500 }, 30*time.Second, 20*time.Millisecond)

	// None: nothing is sent, nothing is kept for it, and no check is left.
	reload("stores: {", "# stores: {")
	got := k.of("two")
	replay(500, 600)
	_, errOut, code = dwindle(t, "forward", "-c", file)
	require.Equal(t, exitFailed, code)
	require.Contains(t, errOut, "the site file names no InfluxDB")
	require.Equal(t, got, k.of("two"))
	resp, err := http.Get("http://" + monitor + "/metrics")
	require.NoError(t, err)
	defer resp.Body.Close()
	figures, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	require.Contains(t, string(figures), "dwindle_intake_received_total")
	require.NotContains(t, string(figures), "dwindle_forward_")
	require.NotContains(t, string(figures), `check="influx"`)
	s.stop()
	for _, secret := range []string{"Token first", "second"} {
		require.NotContains(t, s.log.String(), secret)
	}
}

// Where nothing is forwarded that is said at once, and no store is made to say it.
func TestForwardSaysThatAWorkingCopyForwardsNothing(t *testing.T) {
	file := quay(t, 1, "  board: {listen: \"127.0.0.1:0\"}\nstores: {journal: influx, influx: {url: \"http://127.0.0.1:1\", organisation: terminal, bucket: lube, token_file: none}}\n")
	for _, args := range [][]string{{}, {"--refused"}, {"--resend"}} {
		_, errOut, code := dwindle(t, append([]string{"forward", "-c", file}, args...)...)
		require.Equal(t, exitFailed, code)
		require.Contains(t, errOut, "forwards nothing itself")
		require.Contains(t, errOut, "dwindle forward on the machine that takes the messages in")
	}
	require.NoDirExists(t, filepath.Join(filepath.Dir(file), "data"))
}
