package influxtest

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"dwindle/collector/internal/servertest"
)

// Variables of the environment that name a running server, to be used in place
// of one that is started. The token must be allowed to make and delete buckets
// of the organisation.
const (
	urlVariable   = "DWINDLE_TEST_INFLUX_URL"
	orgVariable   = "DWINDLE_TEST_INFLUX_ORG"
	tokenVariable = "DWINDLE_TEST_INFLUX_TOKEN"
)

// image is what is run where only Docker is to be had: the newest 2.x.
const image = "influxdb:2"

// buildTime is how long a build may take on a slow machine. A test whose
// deadline is nearer does not begin one.
const buildTime = 15 * time.Minute

// found is a way to run a server: a program, or Docker.
type found struct{ program, docker string }

// errMissing says that there is no server, and what to do.
var errMissing = errors.New("no InfluxDB 2 to test with")

// find looks for a server: influxd on PATH, the one built before, Docker, a
// build. left is the time until the deadline of the test.
func find(ctx context.Context, left time.Duration) (found, error) {
	if path, err := exec.LookPath("influxd"); err == nil {
		if out, err := exec.CommandContext(ctx, path, "version").Output(); err == nil && isVersion2(string(out)) {
			return found{program: path}, nil
		}
	}
	root, err := servertest.Repository()
	if err != nil {
		return found{}, err
	}
	script := filepath.Join(root, "deploy", "testbed", "influxd.sh")
	if out, err := exec.CommandContext(ctx, "bash", script, "--cached").Output(); err == nil {
		return found{program: strings.TrimSpace(string(out))}, nil
	}
	if path := docker(ctx); path != "" {
		return found{docker: path}, nil
	}
	if left < buildTime {
		return found{}, fmt.Errorf("%w: build it once, in 4 to 10 minutes: bash deploy/testbed/influxd.sh", errMissing)
	}
	cmd := exec.CommandContext(ctx, "bash", script)
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) } // it tidies up
	var said strings.Builder
	cmd.Stderr = &said
	out, err := cmd.Output()
	if err != nil {
		return found{}, fmt.Errorf("%w: bash deploy/testbed/influxd.sh says:\n%s", errMissing, said.String())
	}
	return found{program: strings.TrimSpace(string(out))}, nil
}

var version2 = regexp.MustCompile(`^InfluxDB v?2\.`)

// isVersion2 judges what "influxd version" prints. Version 1 has another way to
// write and no Flux.
func isVersion2(said string) bool { return version2.MatchString(said) }

// docker returns the path of docker if its daemon answers and has the image or
// can get it.
func docker(ctx context.Context) string {
	path, err := exec.LookPath("docker")
	if err != nil {
		return ""
	}
	run := func(limit time.Duration, args ...string) bool {
		ctx, cancel := context.WithTimeout(ctx, limit)
		defer cancel()
		return exec.CommandContext(ctx, path, args...).Run() == nil
	}
	if !run(10*time.Second, "info") {
		return ""
	}
	if run(10*time.Second, "image", "inspect", image) || run(5*time.Minute, "pull", "-q", image) {
		return path
	}
	return ""
}
