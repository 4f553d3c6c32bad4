package influxtest

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/internal/servertest"
)

// nothing leaves a test with bash and what a shell script uses, an empty cache
// and no server of the environment. It returns a folder at the head of PATH.
func nothing(t *testing.T) string {
	bin := t.TempDir()
	for _, name := range []string{"bash", "sh", "env", "sed", "cat", "cut", "uname", "sha256sum", "mkdir", "mktemp", "mv", "rm", "chmod", "dirname", "timeout", "tail", "flock", "grep", "sleep"} {
		path, err := exec.LookPath(name)
		require.NoError(t, err)
		require.NoError(t, os.Symlink(path, filepath.Join(bin, name)))
	}
	t.Setenv("PATH", bin)
	t.Setenv("XDG_CACHE_HOME", t.TempDir())
	t.Setenv("GO", "")
	for _, name := range []string{urlVariable, orgVariable, tokenVariable} {
		t.Setenv(name, "")
	}
	return bin
}

func command(t *testing.T, dir, name, text string) {
	require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte("#!/usr/bin/env bash\n"+text), 0o755))
}

// script is influxd.sh with arguments.
func script(t *testing.T, args ...string) *exec.Cmd {
	root, err := servertest.Repository()
	require.NoError(t, err)
	return exec.Command("bash", append([]string{filepath.Join(root, "deploy", "testbed", "influxd.sh")}, args...)...)
}

// Only the test server is built from these, with cgo and Rust.
func TestTheProductHasNothingOfTheServer(t *testing.T) {
	root, err := servertest.Repository()
	require.NoError(t, err)
	for _, file := range []string{"go.mod", "go.sum"} {
		text, err := os.ReadFile(filepath.Join(root, file))
		require.NoError(t, err)
		require.NotContains(t, string(text), "github.com/influxdata/influxdb/v2 ")
		require.NotContains(t, string(text), "github.com/influxdata/flux ")
	}
	text, err := os.ReadFile(filepath.Join(root, "deploy", "testbed", "influxd", "go.mod"))
	require.NoError(t, err)
	require.Contains(t, string(text), "github.com/influxdata/influxdb/v2 ")
}

func TestVersionsAreTold(t *testing.T) {
	for said, want := range map[string]bool{
		"InfluxDB v2.7.11 (git: fbf5d4ab5e) build_date: 2024-12-02T17:48:15Z": true,
		"InfluxDB 2.8.0 (git: none) build_date:":                              true,
		"InfluxDB v1.6.7~rc0 (git: unknown unknown)":                          false,
		"InfluxDB v1.2.0": false,
		"":                false,
	} {
		require.Equal(t, want, isVersion2(said), said)
	}
}

func TestWithoutAServerItSaysWhatIsMissing(t *testing.T) {
	bin := nothing(t)
	_, err := find(context.Background(), time.Minute)
	require.ErrorIs(t, err, errMissing)
	require.ErrorContains(t, err, "bash deploy/testbed/influxd.sh")
	_, err = find(context.Background(), time.Hour)
	require.ErrorIs(t, err, errMissing)
	require.ErrorContains(t, err, "cargo (Rust")

	out, err := script(t, "--needed").CombinedOutput()
	require.Error(t, err, "make test must see it")
	for _, part := range []string{"go (Go", "cargo", "C compiler"} {
		require.Contains(t, string(out), part)
	}
	command(t, bin, "cargo", "echo 'cargo 1.65.0'\n") // Debian 12
	out, err = script(t, "--needed").CombinedOutput()
	require.Error(t, err)
	require.Contains(t, string(out), "here is 1.65")
	t.Setenv(urlVariable, "http://127.0.0.1:8086")
	out, err = script(t, "--needed").CombinedOutput()
	require.NoError(t, err, "where a server is named none is built")
	require.Empty(t, string(out))
	t.Setenv(urlVariable, "")

	command(t, bin, "influxd", "echo 'InfluxDB v1.6.7'\n")
	require.Error(t, script(t, "--needed").Run(), "version 1 is no use")
	_, err = find(context.Background(), time.Minute)
	require.ErrorIs(t, err, errMissing)
	command(t, bin, "influxd", "echo 'InfluxDB v2.7.11'\n")
	out, err = script(t, "--needed").Output()
	require.NoError(t, err)
	require.Equal(t, filepath.Join(bin, "influxd")+"\n", string(out))
	how, err := find(context.Background(), time.Minute)
	require.NoError(t, err)
	require.Equal(t, found{program: filepath.Join(bin, "influxd")}, how)
}

// A go that takes a while and builds a script; each build leaves a line.
const builder = `case "$1" in
env) echo sh ;;
build)
  while [ "$1" != -o ]; do shift; done
  sleep 0.2
  echo "$2" >>"$BUILDS"
  printf '#!/usr/bin/env bash\n' >"$2"
  chmod +x "$2"
  ;;
esac
`

func TestOneBuildForAnyNumberOfCalls(t *testing.T) {
	bin := nothing(t)
	builds := filepath.Join(t.TempDir(), "builds")
	t.Setenv("BUILDS", builds)
	command(t, bin, "go", builder)
	command(t, bin, "cargo", "")
	require.Error(t, script(t, "--cached").Run())

	const calls = 6
	var wg sync.WaitGroup
	var out [calls]bytes.Buffer
	var errs [calls]error
	for i := range calls {
		cmd := script(t)
		cmd.Stdout = &out[i]
		wg.Go(func() { errs[i] = cmd.Run() })
	}
	wg.Wait()
	for i := range calls {
		require.NoError(t, errs[i])
		require.Equal(t, out[0].String(), out[i].String())
	}
	program := strings.TrimSpace(out[0].String())
	require.Regexp(t, `/dwindle/influxd-2\.8\.0-[0-9a-f]{12}$`, program)
	text, err := os.ReadFile(builds)
	require.NoError(t, err)
	require.Equal(t, 2, strings.Count(string(text), "\n"), "the stand-in for pkg-config and the server, once:\n%s", text)

	cached, err := script(t, "--cached").Output()
	require.NoError(t, err)
	require.Equal(t, out[0].String(), string(cached))
	how, err := find(context.Background(), time.Minute)
	require.NoError(t, err)
	require.Equal(t, found{program: program}, how)
	require.NoError(t, script(t, "--forget").Run())
	require.NoFileExists(t, program)
}

func TestABuildThatFailsLeavesNothing(t *testing.T) {
	bin := nothing(t)
	command(t, bin, "cargo", "")
	kept := func() []string {
		entries, err := filepath.Glob(filepath.Join(os.Getenv("XDG_CACHE_HOME"), "dwindle", "influxd-[0-9w]*"))
		require.NoError(t, err)
		return entries
	}
	command(t, bin, "go", "[ \"$1\" = env ] && { echo sh; exit; }\necho 'no route to the crates' >&2\nexit 1\n")
	out, err := script(t).CombinedOutput()
	require.Error(t, err)
	require.Contains(t, string(out), "no route to the crates")
	require.Contains(t, string(out), "could not be built")
	require.Empty(t, kept())

	// Interrupted in the middle: what it had started ends too.
	pids := filepath.Join(t.TempDir(), "pids")
	t.Setenv("PIDS", pids)
	command(t, bin, "go", "[ \"$1\" = env ] && { echo sh; exit; }\necho $$ >\"$PIDS.new\"; mv \"$PIDS.new\" \"$PIDS\"\nsleep 1000\n")
	cmd := script(t)
	require.NoError(t, cmd.Start())
	require.Eventually(t, func() bool { _, err := os.Stat(pids); return err == nil }, time.Minute, 5*time.Millisecond)
	require.Len(t, kept(), 1)
	require.NoError(t, cmd.Process.Signal(syscall.SIGTERM))
	require.Error(t, cmd.Wait())
	require.Empty(t, kept())
	text, err := os.ReadFile(pids)
	require.NoError(t, err)
	var pid int
	_, err = fmt.Sscan(string(text), &pid)
	require.NoError(t, err)
	require.Eventually(t, func() bool { return syscall.Kill(pid, 0) != nil }, time.Minute, 5*time.Millisecond)
}

// What Docker is told is tried with a docker that runs the server itself.
func TestAServerInDocker(t *testing.T) {
	how, err := find(context.Background(), 0)
	if err != nil || how.program == "" {
		giveUp(t, fmt.Errorf("%w: %w", errMissing, err))
	}
	bin := nothing(t)
	killed := filepath.Join(t.TempDir(), "killed")
	t.Setenv("KILLED", killed)
	t.Setenv("SERVER", how.program)
	command(t, bin, "docker", `case "$1" in
info | image) ;;
kill) echo "$2" >"$KILLED" ;;
run)
  while [ "$1" != influxdb:2 ]; do
    case "$1" in
    --publish) address="${2%:8086}" ;;
    --volume) dir="${2%:/data}" ;;
    --entrypoint) [ "$2" = influxd ] || exit 1 ;;
    esac
    shift
  done
  shift
  args=()
  for a in "$@"; do a="${a/#\/data/$dir}"; args+=("${a/#:8086/$address}"); done
  exec "$SERVER" "${args[@]}"
  ;;
*) exit 1 ;;
esac
`)
	srv := Own(t)
	bucket := srv.Bucket(t)
	srv.Write(t, bucket, "run hours=1 1")
	srv.Kill()
	text, err := os.ReadFile(killed)
	require.NoError(t, err)
	require.Contains(t, string(text), "dwindle-test-")
	srv.Again()
	require.Equal(t, 1, srv.Count(t, bucket))
}

// child runs one test of this binary in a process of its own.
func child(t *testing.T, test string) (string, error) {
	cmd := exec.Command(os.Args[0], "-test.run", "^"+test+"$", "-test.v", "-test.timeout", "2m")
	cmd.Env = append(os.Environ(), "CHILD=true", "TMPDIR="+t.TempDir())
	out, err := cmd.CombinedOutput()
	return string(out), err
}

func TestWithoutAServerATestIsSkippedAndFailsInCI(t *testing.T) {
	nothing(t)
	t.Setenv("CI", "")
	out, err := child(t, "TestWhatIsWrittenIsThere")
	require.NoError(t, err, out)
	require.Contains(t, out, "--- SKIP: TestWhatIsWrittenIsThere")
	require.Contains(t, out, "bash deploy/testbed/influxd.sh")
	t.Setenv("CI", "true")
	out, err = child(t, "TestWhatIsWrittenIsThere")
	require.Error(t, err)
	require.Contains(t, out, "--- FAIL: TestWhatIsWrittenIsThere")

	t.Setenv("CI", "")
	out, err = child(t, "TestTheSecondReceiverTakesTheSameWrites")
	require.NoError(t, err, out)
	require.Contains(t, out, "--- SKIP: TestTheSecondReceiverTakesTheSameWrites")
	require.Contains(t, out, "install-test-tools.sh")
}

func TestAServerOfTheEnvironmentIsUsed(t *testing.T) {
	srv := Start(t)
	nothing(t)
	t.Setenv(urlVariable, srv.URL+"/")
	t.Setenv(orgVariable, srv.Org)
	t.Setenv(tokenVariable, srv.Token)
	out, err := child(t, "TestWhatIsWrittenIsThere")
	require.NoError(t, err, out)
	require.Contains(t, out, "--- PASS: TestWhatIsWrittenIsThere")
	require.True(t, srv.ready(), "it is not ended")
	t.Setenv(tokenVariable, "wrong")
	t.Setenv("CI", "")
	out, err = child(t, "TestWhatIsWrittenIsThere")
	require.Error(t, err, "a server that was named and cannot be used is no reason to skip")
	require.Contains(t, out, tokenVariable)
}

func TestNoServerOutlivesTheTests(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("only Linux ends a process with its parent")
	}
	if os.Getenv("CHILD") != "" {
		fmt.Println("address:", Start(t).URL)
		os.Exit(9) // as after a panic: nothing tidies up
	}
	Start(t) // skips where there is none
	out, err := child(t, "TestNoServerOutlivesTheTests")
	require.Error(t, err)
	require.Contains(t, out, "address: ", out)
	_, rest, _ := strings.Cut(out, "address: ")
	address, _, _ := strings.Cut(rest, "\n")
	require.Eventually(t, func() bool {
		resp, err := http.Get(address + "/health")
		if err == nil {
			_ = resp.Body.Close()
		}
		return err != nil
	}, time.Minute, 10*time.Millisecond)
}
