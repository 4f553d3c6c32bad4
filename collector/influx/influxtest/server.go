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
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"dwindle/collector/internal/servertest"
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
		if port, err = servertest.FreePort(); err != nil {
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

// ready says whether the server answers and is well.
func (s *Server) ready() bool {
	resp, err := client.Get(s.URL + "/health")
	if err != nil {
		return false
	}
	defer resp.Body.Close()
	return resp.StatusCode == http.StatusOK
}
