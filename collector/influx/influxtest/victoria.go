package influxtest

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"

	"dwindle/collector/internal/servertest"
)

// Receiver is a running VictoriaMetrics: it takes writes of the InfluxDB 2
// protocol (path /api/v2/write below URL), and knows neither Flux nor buckets
// nor tokens. A field is the series MEASUREMENT_FIELD. It keeps numbers only (a
// text becomes 0) and times to the millisecond; of several values of a series in
// one millisecond one is kept, so that a repeated batch changes nothing.
type Receiver struct {
	URL  string
	proc *process
}

// Victoria starts a VictoriaMetrics that ends with the test. Where it is missing
// the test is skipped, saying how to install it, and fails when CI=true.
func Victoria(t testing.TB) *Receiver {
	t.Helper()
	path, err := exec.LookPath("victoria-metrics")
	if err != nil {
		const missing = "victoria-metrics is not installed: bash deploy/install-test-tools.sh as root, or apt-get install victoria-metrics"
		if os.Getenv("CI") == "true" {
			t.Fatal(missing)
		}
		t.Skip(missing)
	}
	dir := t.TempDir()
	r := &Receiver{}
	for range 5 {
		var port int
		if port, err = servertest.FreePort(); err != nil {
			break
		}
		address := fmt.Sprintf("127.0.0.1:%d", port)
		r.URL = "http://" + address
		r.proc = &process{dir: dir, env: environment(dir, "HOME="), command: []string{
			path, "-storageDataPath", filepath.Join(dir, "data"), "-httpListenAddr", address,
			// Simulated years are kept, and do not take the memory of the tests.
			"-retentionPeriod", "100y", "-memory.allowedBytes", "256MB", "-dedup.minScrapeInterval", "1ms",
			"-loggerLevel", "WARN",
		}}
		if err = r.proc.start(r.ready); err == nil {
			break
		}
		err = fmt.Errorf("%w\n%s", err, r.proc.log())
	}
	if err != nil {
		t.Fatalf("start VictoriaMetrics: %v", err)
	}
	t.Cleanup(func() { r.proc.end(syscall.SIGKILL) })
	return r
}

func (r *Receiver) ready() bool {
	resp, err := client.Get(r.URL + "/health")
	if err != nil {
		return false
	}
	defer resp.Body.Close()
	return resp.StatusCode == http.StatusOK
}

// Series is what a receiver has of one series, in the order of time.
type Series struct {
	Labels map[string]string `json:"metric"` // the tags, and __name__
	Values []float64         `json:"values"`
	Times  []int64           `json:"timestamps"` // Unix milliseconds
}

// Export returns the series that a selector names, such as
// {__name__="run_hours",device="g1"}, with everything that has arrived.
func (r *Receiver) Export(t testing.TB, selector string) []Series {
	t.Helper()
	all, err := r.export(selector)
	if err != nil {
		t.Fatalf("export from VictoriaMetrics: %v", err)
	}
	return all
}

func (r *Receiver) export(selector string) ([]Series, error) {
	// What was taken is searchable a second later, or now if asked for.
	flushed, err := client.Get(r.URL + "/internal/force_flush")
	if err != nil {
		return nil, err
	}
	_ = flushed.Body.Close()
	resp, err := client.Get(r.URL + "/api/v1/export?" + url.Values{"match[]": {selector}}.Encode())
	if err != nil {
		return nil, err
	}
	defer resp.Body.Close()
	if flushed.StatusCode != http.StatusOK || resp.StatusCode != http.StatusOK {
		return nil, errors.Join(errors.New(flushed.Status), errors.New(resp.Status))
	}
	var all []Series
	lines := json.NewDecoder(bufio.NewReader(resp.Body))
	for lines.More() {
		var s Series
		if err := lines.Decode(&s); err != nil {
			return nil, err
		}
		all = append(all, s)
	}
	return all, nil
}

// Count is the number of values of all series that a selector names;
// {__name__!=""} names all.
func (r *Receiver) Count(t testing.TB, selector string) (n int) {
	t.Helper()
	for _, s := range r.Export(t, selector) {
		n += len(s.Times)
	}
	return n
}
