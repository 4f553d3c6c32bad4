// Package influxtest runs a real InfluxDB 2 for tests, puts a proxy with faults
// in front of it, and has a second server that takes the same writes.
//
// [Start] gives the server: the one that DWINDLE_TEST_INFLUX_URL names, an
// influxd 2 on PATH, the one that deploy/testbed/influxd.sh has built into the
// user's cache, one in Docker, or one that is built now if the deadline of the
// tests allows. Without any of these the test is skipped, saying what is
// missing, and fails when CI=true. The server listens on a free loopback port
// and reports to nobody; its files are in a folder of its own. A package with
//
//	func TestMain(m *testing.M) { os.Exit(influxtest.Main(m)) }
//
// has one server for all its tests, each of which takes a bucket by
// [Server.Bucket]. A test that stops or kills the server takes one of its own:
// [Own]. [NewProxy] makes the proxy, [Victoria] starts the second server. This is
// support for tests and imported by nothing else.
package influxtest

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// Server is a running InfluxDB 2.
type Server struct {
	URL   string // without a slash at the end; the same after a restart
	Org   string // name of the organisation
	Token string // may do everything in the organisation

	orgID string
	proc  *process // nil: somebody else's
	own   testing.TB
}

var shared struct {
	sync.Mutex
	main bool    // Main is running
	srv  *Server // what all tests have, once one asked
	err  error   // why there is none
	dir  string
}

// Main runs the tests of a package with one server for all, which is started
// when the first test asks for it, and ended with the last.
func Main(m interface{ Run() int }) int {
	shared.main = true
	code := m.Run()
	shared.Lock()
	defer shared.Unlock()
	if s := shared.srv; s != nil && s.proc != nil {
		s.proc.end(syscall.SIGKILL)
		if err := os.RemoveAll(shared.dir); err != nil {
			fmt.Fprintln(os.Stderr, "influxtest: remove the files of the server:", err)
			code = max(code, 1)
		}
	}
	return code
}

// Start returns the server of the package, or without [Main] one that ends with
// the test.
func Start(t testing.TB) *Server {
	t.Helper()
	if !shared.main && os.Getenv(urlVariable) == "" {
		return Own(t)
	}
	shared.Lock()
	defer shared.Unlock()
	if shared.srv == nil && shared.err == nil {
		shared.srv, shared.err = share(t)
	}
	if shared.err != nil {
		giveUp(t, shared.err)
	}
	if p := shared.srv.proc; p != nil && !p.running() {
		t.Fatalf("the InfluxDB of the tests has ended:\n%s", p.log())
	}
	return shared.srv
}

// share makes the server that all tests have.
func share(t testing.TB) (*Server, error) {
	if address := os.Getenv(urlVariable); address != "" {
		s := &Server{URL: strings.TrimRight(address, "/"), Org: os.Getenv(orgVariable), Token: os.Getenv(tokenVariable)}
		if err := s.findOrg(); err != nil {
			return nil, fmt.Errorf("use the server of %s (%s and %s go with it): %w", urlVariable, orgVariable, tokenVariable, err)
		}
		return s, nil
	}
	dir, err := os.MkdirTemp("", "influxtest-")
	if err != nil {
		return nil, err
	}
	s, err := launch(t, dir)
	if err != nil {
		_ = os.RemoveAll(dir) // nothing of worth
		return nil, err
	}
	shared.dir = dir
	return s, nil
}

// Own starts a server for one test, which may stop and kill it. It is always
// one that is started, never the one that the environment names.
func Own(t testing.TB) *Server {
	t.Helper()
	s, err := launch(t, t.TempDir())
	if err != nil {
		giveUp(t, err)
	}
	s.own = t
	t.Cleanup(func() { s.proc.end(syscall.SIGKILL) })
	return s
}

// Stop ends a server of one's own as a service manager would.
func (s *Server) Stop() { s.mine("stop").end(syscall.SIGTERM) }

// Kill ends a server of one's own at once, as kill -9 does.
func (s *Server) Kill() { s.mine("kill").end(syscall.SIGKILL) }

// Again starts a stopped or killed server of one's own, with the same files,
// address and tokens.
func (s *Server) Again() {
	s.own.Helper()
	p := s.mine("start again")
	if p.running() {
		s.own.Fatal("start InfluxDB again: it is running")
	}
	if err := p.start(s.ready); err != nil {
		s.own.Fatalf("start InfluxDB again: %v\n%s", err, p.log())
	}
}

// Log is the end of what the server has said; empty for one that was not
// started here.
func (s *Server) Log() string {
	if s.proc == nil {
		return ""
	}
	return s.proc.log()
}

func (s *Server) mine(what string) *process {
	if s.own == nil {
		panic("influxtest: to " + what + " a server that other tests use; take influxtest.Own(t)")
	}
	return s.proc
}

func giveUp(t testing.TB, err error) {
	t.Helper()
	if errors.Is(err, errMissing) && os.Getenv("CI") != "true" {
		t.Skip(err)
	}
	t.Fatal(err)
}

// launch starts and sets up a server with its files in dir.
func launch(t testing.TB, dir string) (*Server, error) {
	left := 24 * time.Hour
	if d, ok := t.(interface{ Deadline() (time.Time, bool) }); ok {
		if at, ok := d.Deadline(); ok {
			left = time.Until(at)
		}
	}
	how, err := find(context.Background(), left)
	if err != nil {
		return nil, err
	}
	s := &Server{Org: "terminal", Token: rand.Text()}
	// A port found free may be taken by somebody else before the server asks for
	// it.
	for range 5 {
		var port int
		if port, err = freePort(); err != nil {
			return nil, err
		}
		s.URL = fmt.Sprintf("http://127.0.0.1:%d", port)
		s.proc = how.process(dir, port)
		if err = s.proc.start(s.ready); err == nil {
			break
		}
		err = fmt.Errorf("start InfluxDB: %w\n%s", err, s.proc.log())
	}
	if err == nil {
		err = s.setUp()
	}
	if err != nil {
		s.proc.end(syscall.SIGKILL)
		return nil, err
	}
	return s, nil
}

// process is the command that runs the server on the port with its files in dir.
func (f found) process(dir string, port int) *process {
	flags := func(dir, address string) []string {
		return []string{
			"--bolt-path", filepath.Join(dir, "influxd.bolt"), "--engine-path", filepath.Join(dir, "engine"),
			"--sqlite-path", filepath.Join(dir, "influxd.sqlite"), "--http-bind-address", address,
			"--reporting-disabled", "--log-level", "warn",
		}
	}
	// Its settings come from these variables too, and from a file config.*
	// where it runs, which is dir.
	p := &process{dir: dir, env: environment(dir, "INFLUXD_", "HOME=")}
	if f.docker == "" {
		p.command = append([]string{f.program}, flags(dir, fmt.Sprintf("127.0.0.1:%d", port))...)
		return p
	}
	name := "dwindle-test-" + strings.ToLower(rand.Text())
	p.env = os.Environ() // docker finds its daemon by it
	p.command = append([]string{
		f.docker, "run", "--rm", "--name", name, "--user", fmt.Sprintf("%d:%d", os.Getuid(), os.Getgid()),
		"--publish", fmt.Sprintf("127.0.0.1:%d:8086", port), "--volume", dir + ":/data",
		"--entrypoint", "influxd", image,
	}, flags("/data", ":8086")...)
	p.killed = func() { _ = exec.Command(f.docker, "kill", name).Run() } // without it the container would outlive docker run
	return p
}

// client asks the server itself: no proxy of the environment, no connection
// that is kept over a restart.
var client = &http.Client{Timeout: 30 * time.Second, Transport: &http.Transport{DisableKeepAlives: true}}

// ready says whether the server answers and is well.
func (s *Server) ready() bool {
	resp, err := client.Get(s.URL + "/health")
	if err != nil {
		return false
	}
	defer resp.Body.Close()
	return resp.StatusCode == http.StatusOK
}

// setUp makes the first user, organisation, bucket and token.
func (s *Server) setUp() error {
	var out struct {
		Org struct {
			ID string `json:"id"`
		} `json:"org"`
	}
	err := s.Do("POST", "/api/v2/setup", map[string]any{
		"username": "tester", "password": rand.Text(), "org": s.Org, "bucket": "first", "token": s.Token,
	}, &out)
	s.orgID = out.Org.ID
	return err
}

// findOrg asks for the number of the organisation.
func (s *Server) findOrg() error {
	var out struct {
		Orgs []struct {
			ID string `json:"id"`
		} `json:"orgs"`
	}
	err := s.Do("GET", "/api/v2/orgs?org="+url.QueryEscape(s.Org), nil, &out)
	if err == nil && len(out.Orgs) != 1 {
		err = fmt.Errorf("no organisation %q", s.Org)
	}
	if err == nil {
		s.orgID = out.Orgs[0].ID
	}
	return err
}

// OrgID is the number by which the API knows the organisation.
func (s *Server) OrgID() string { return s.orgID }

// Bucket makes an empty bucket that keeps everything, and returns its name. It
// goes with the test. A year of data is one shard in it, not a week as in a
// bucket made without a word on that: each new shard takes the server some 20 ms
// and about a megabyte, and a write that needs so many that 10 s do not do is
// answered 500 (measured with 2.8.0).
func (s *Server) Bucket(t testing.TB) string {
	t.Helper()
	name := strings.NewReplacer("/", "-", "#", "-").Replace(t.Name()) + "-" + rand.Text()[:8]
	var out struct {
		ID string `json:"id"`
	}
	keep := map[string]any{"type": "expire", "everySeconds": 0, "shardGroupDurationSeconds": 52 * 7 * 24 * 60 * 60}
	if err := s.Do("POST", "/api/v2/buckets", map[string]any{"orgID": s.orgID, "name": name, "retentionRules": []any{keep}}, &out); err != nil {
		t.Fatalf("make a bucket: %v", err)
	}
	t.Cleanup(func() {
		if s.own == nil || s.proc.running() {
			_ = s.Do("DELETE", "/api/v2/buckets/"+out.ID, nil, nil) // the test may have deleted it
		}
	})
	return name
}

// StatusError is an answer that says no.
type StatusError struct {
	Status int
	Body   string
}

func (e *StatusError) Error() string {
	return fmt.Sprintf("the server answers %d: %s", e.Status, e.Body)
}

// Do asks the API with the token of the server: in goes as JSON unless it is a
// string, nil sends nothing; out may be nil, or a *string for an answer that is
// no JSON. An answer of 300 or more is a *[StatusError].
func (s *Server) Do(method, path string, in, out any) error {
	var body []byte
	kind := "application/json"
	switch in := in.(type) {
	case nil:
	case string:
		body, kind = []byte(in), "text/plain; charset=utf-8"
	default:
		var err error
		if body, err = json.Marshal(in); err != nil {
			return err
		}
	}
	req, err := http.NewRequest(method, s.URL+path, bytes.NewReader(body))
	if err != nil {
		return err
	}
	req.Header.Set("Authorization", "Token "+s.Token)
	req.Header.Set("Content-Type", kind)
	resp, err := client.Do(req)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	switch {
	case err != nil:
		return err
	case resp.StatusCode >= 300:
		return &StatusError{resp.StatusCode, strings.TrimSpace(string(text))}
	}
	switch out := out.(type) {
	case nil:
		return nil
	case *string:
		*out = string(text)
		return nil
	default:
		return json.Unmarshal(text, out)
	}
}

// Write writes line protocol with times in nanoseconds, past all of dwindle.
func (s *Server) Write(t testing.TB, bucket, lines string) {
	t.Helper()
	path := "/api/v2/write?" + url.Values{"org": {s.Org}, "bucket": {bucket}, "precision": {"ns"}}.Encode()
	if err := s.Do("POST", path, lines, nil); err != nil {
		t.Fatalf("write to %s: %v", bucket, err)
	}
}

// Query runs a Flux query and returns the rows of all its tables, each by the
// names of the columns. Values are as the server's CSV writes them.
func (s *Server) Query(t testing.TB, flux string) []map[string]string {
	t.Helper()
	var text string
	if err := s.Do("POST", "/api/v2/query?org="+url.QueryEscape(s.Org), map[string]any{
		"query": flux, "dialect": map[string]any{"header": true, "annotations": []string{"datatype"}, "delimiter": ","},
	}, &text); err != nil {
		t.Fatalf("query: %v", err)
	}
	rows, err := tables(text)
	if err != nil {
		t.Fatalf("read the answer to a query: %v\n%s", err, text)
	}
	return rows
}

// tables reads the rows of a Flux answer, in which each head follows a line of
// types.
func tables(text string) (rows []map[string]string, err error) {
	lines := csv.NewReader(strings.NewReader(text))
	lines.FieldsPerRecord = -1 // each table has its own
	var head []string
	for {
		cells, err := lines.Read()
		switch {
		case errors.Is(err, io.EOF):
			return rows, nil
		case err != nil:
			return nil, err
		case cells[0] == "#datatype":
			head = nil
			continue
		case head == nil:
			head = cells
			continue
		case len(cells) != len(head):
			return nil, fmt.Errorf("%d values under %d names", len(cells), len(head))
		}
		row := make(map[string]string, len(cells))
		for i, cell := range cells {
			if name := head[i]; name != "" && name != "result" && name != "table" {
				row[name] = cell
			}
		}
		if e, bad := row["error"]; bad && head[1] == "error" { // comes after 200, when rows were sent already
			return nil, errors.New(e)
		}
		rows = append(rows, row)
	}
}

// Count is the number of values in a bucket, of all series, fields and times.
func (s *Server) Count(t testing.TB, bucket string) int {
	t.Helper()
	rows := s.Query(t, fmt.Sprintf(`from(bucket: %q) |> range(start: 1678-01-01T00:00:00Z, stop: 2262-01-01T00:00:00Z) |> count() |> group() |> sum()`, bucket))
	if len(rows) == 0 {
		return 0
	}
	var n int
	if _, err := fmt.Sscan(rows[0]["_value"], &n); err != nil {
		t.Fatalf("count the values in %s: %v", bucket, err)
	}
	return n
}
