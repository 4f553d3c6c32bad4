package systemd

import (
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// manager is a socket that keeps what it is told.
func manager(t *testing.T, name string) *net.UnixConn {
	t.Helper()
	l, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: name, Net: "unixgram"})
	require.NoError(t, err)
	t.Cleanup(func() { _ = l.Close() })
	return l
}

func heard(t *testing.T, l *net.UnixConn) string {
	t.Helper()
	require.NoError(t, l.SetReadDeadline(time.Now().Add(10*time.Second)))
	buf := make([]byte, 4096)
	n, err := l.Read(buf)
	require.NoError(t, err)
	return string(buf[:n])
}

func env(of map[string]string) func(string) string {
	return func(name string) string { return of[name] }
}

func TestWhatIsSaid(t *testing.T) {
	for kind, name := range map[string]string{
		"a file":             filepath.Join(t.TempDir(), "notify"),
		"an abstract socket": fmt.Sprintf("@dwindle-test-%d", os.Getpid()),
	} {
		t.Run(kind, func(t *testing.T) {
			l := manager(t, name)
			n := find(env(map[string]string{"NOTIFY_SOCKET": name}), 1)
			require.NoError(t, n.Ready())
			require.Equal(t, "READY=1", heard(t, l))
			require.NoError(t, n.Status("serving\nREADY=1"))
			require.Equal(t, "STATUS=serving READY=1", heard(t, l), "a line cannot become two")
			require.NoError(t, n.Alive())
			require.Equal(t, "WATCHDOG=1", heard(t, l))
			require.NoError(t, n.Extend(90*time.Second))
			require.Equal(t, "EXTEND_TIMEOUT_USEC=90000000", heard(t, l))
			require.NoError(t, n.Reloading())
			first, second, _ := strings.Cut(heard(t, l), "\n")
			require.Equal(t, "RELOADING=1", first)
			us, err := strconv.ParseInt(strings.TrimPrefix(second, "MONOTONIC_USEC="), 10, 64)
			require.NoError(t, err)
			require.Positive(t, us)
			require.NoError(t, n.Stopping())
			require.Equal(t, "STOPPING=1", heard(t, l))
		})
	}
}

func TestWithoutAManagerNothingIsSaid(t *testing.T) {
	for _, socket := range []string{"", "relative", "vsock:2:1234"} {
		n := find(env(map[string]string{"NOTIFY_SOCKET": socket, "WATCHDOG_USEC": "1000000"}), 1)
		require.Nil(t, n)
		require.NoError(t, n.Ready())
		require.Zero(t, n.Watchdog())
	}
	gone := find(env(map[string]string{"NOTIFY_SOCKET": filepath.Join(t.TempDir(), "none")}), 1)
	require.ErrorContains(t, gone.Alive(), "tell the service manager WATCHDOG=1")
}

func TestTheWatchdogIsForOneProcess(t *testing.T) {
	for _, c := range []struct {
		usec, pid string
		want      time.Duration
	}{
		{"180000000", "", 3 * time.Minute},
		{"180000000", "42", 3 * time.Minute},
		{"180000000", "41", 0},
		{"", "42", 0}, {"0", "42", 0}, {"-5", "42", 0}, {"soon", "42", 0},
	} {
		n := find(env(map[string]string{"NOTIFY_SOCKET": "/run/none", "WATCHDOG_USEC": c.usec, "WATCHDOG_PID": c.pid}), 42)
		require.Equal(t, c.want, n.Watchdog(), "%q for %q", c.usec, c.pid)
	}
}

func TestChildrenDoNotInheritTheSocket(t *testing.T) {
	t.Setenv("NOTIFY_SOCKET", "/run/systemd/notify")
	t.Setenv("WATCHDOG_USEC", "1000000")
	t.Setenv("WATCHDOG_PID", strconv.Itoa(os.Getpid()))
	require.Equal(t, time.Second, FromEnv().Watchdog())
	for _, name := range []string{"NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID"} {
		_, set := os.LookupEnv(name)
		require.False(t, set, name)
	}
}
