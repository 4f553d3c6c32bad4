package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// analyze runs systemd's own tool; it needs no running systemd.
func analyze(t *testing.T, args ...string) (string, error) {
	t.Helper()
	tool, err := exec.LookPath("systemd-analyze")
	if err != nil {
		if os.Getenv("CI") == "true" {
			require.NoError(t, err, "the test tools are installed by deploy/install-test-tools.sh")
		}
		t.Skip("no systemd-analyze here (Debian: systemd): the unit is not checked")
	}
	out, err := exec.Command(tool, args...).CombinedOutput()
	return string(out), err
}

func TestTheUnitIsUnderstoodBySystemd(t *testing.T) {
	text, err := os.ReadFile("../../deploy/dwindle.service")
	require.NoError(t, err)
	// The program is not installed here; any other does for the check.
	self, err := os.Executable()
	require.NoError(t, err)
	unit := filepath.Join(t.TempDir(), "dwindle.service")
	require.NoError(t, os.WriteFile(unit, []byte(strings.ReplaceAll(string(text), "/usr/bin/dwindle", self)), 0o600))
	out, err := analyze(t, "verify", "--man=no", unit)
	require.NoError(t, err, "%s", out)
	require.NotContains(t, out, "dwindle.service", "it complains of nothing")
}

// systemd's measure of what a service could still do to the machine goes from 0
// (nothing) to 10; below 2 it calls a service OK. What is left of ours: it
// reaches the network and reads the state of the clock.
func TestTheUnitKeepsAwayFromWhatItDoesNotNeed(t *testing.T) {
	out, err := analyze(t, "security", "--offline=true", "--no-pager", "--threshold=18", "../../deploy/dwindle.service")
	require.NoError(t, err, "%s", out)
	require.Contains(t, out, "Overall exposure level")
}
