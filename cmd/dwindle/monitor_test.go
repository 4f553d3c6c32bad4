package main

import (
	"encoding/json"
	"io"
	"net"
	"net/http"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A service manager hears of the start, of each reload and of the stop, and
// supervisors get their answers on the monitor and on the pages.
func TestSupervisorsAreAnswered(t *testing.T) {
	var mu sync.Mutex
	var lines []string
	path := filepath.Join(t.TempDir(), "notify")
	manager, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	require.NoError(t, err)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		buf := make([]byte, 4096)
		for {
			n, err := manager.Read(buf)
			if err != nil {
				return
			}
			mu.Lock()
			lines = append(lines, strings.Split(string(buf[:n]), "\n")...)
			mu.Unlock()
		}
	}()
	t.Cleanup(func() { _ = manager.Close(); <-ended })
	heard := func(what string) int {
		mu.Lock()
		defer mu.Unlock()
		return len(slices.DeleteFunc(slices.Clone(lines), func(l string) bool { return !strings.HasPrefix(l, what) }))
	}
	soon := func(what string, n int) {
		t.Helper()
		require.Eventually(t, func() bool { return heard(what) >= n }, 30*time.Second, 20*time.Millisecond, "%s", what)
	}
	t.Setenv("NOTIFY_SOCKET", path)
	t.Setenv("WATCHDOG_USEC", "180000000")

	monitor, board := freeAddr(t), freeAddr(t)
	s := serve(t, quay(t, 1, "  embedded_broker: {listen: \"127.0.0.1:0\"}\n  board: {listen: \""+board+"\"}\n  monitor: {listen: \""+monitor+"\"}\n"))
	soon("READY=1", 1)
	soon("WATCHDOG=1", 1)
	soon("STATUS=1 of 1 ways in are up; nothing is wrong", 1)
	require.NoError(t, s.cmd.Process.Signal(syscall.SIGHUP))
	soon("RELOADING=1", 1)
	soon("MONOTONIC_USEC=", 1)
	soon("READY=1", 2)

	get := func(addr, path, accept string) (*http.Response, string) {
		r, err := http.NewRequest(http.MethodGet, "http://"+addr+path, nil)
		require.NoError(t, err)
		r.Header.Set("Accept", accept)
		resp, err := http.DefaultClient.Do(r)
		require.NoError(t, err)
		defer resp.Body.Close()
		body, err := io.ReadAll(resp.Body)
		require.NoError(t, err)
		return resp, string(body)
	}
	for _, addr := range []string{monitor, board} {
		for _, path := range []string{"/healthz", "/readyz"} {
			resp, body := get(addr, path, "")
			require.Equal(t, http.StatusOK, resp.StatusCode, body)
			var answer struct{ Status string }
			require.NoError(t, json.Unmarshal([]byte(body), &answer))
			require.Equal(t, "ok", answer.Status)
		}
	}
	_, text := get(monitor, "/metrics", "application/openmetrics-text; version=1.0.0")
	require.Contains(t, text, "\ndwindle_intake_received_total 0.0\n")
	require.True(t, strings.HasSuffix(text, "# EOF\n"))
	resp, _ := get(board, "/metrics", "")
	require.Equal(t, http.StatusNotFound, resp.StatusCode, "figures and profiles are for this machine only")
	resp, _ = get(board, "/debug/pprof/", "")
	require.Equal(t, http.StatusNotFound, resp.StatusCode)
	resp, _ = get(monitor, "/debug/pprof/", "")
	require.Equal(t, http.StatusOK, resp.StatusCode)

	s.stop()
	soon("STOPPING=1", 1)
}
