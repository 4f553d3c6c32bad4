package main

import (
	"context"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestAFaultySiteFileOnReloadLeavesTheOldOneInForce(t *testing.T) {
	addr := freeAddr(t)
	file := quay(t, 1, "  embedded_broker: {listen: \""+addr+"\"}\n")
	good, err := os.ReadFile(file)
	require.NoError(t, err)
	s := serve(t, file)
	hup := func() { require.NoError(t, s.cmd.Process.Signal(syscall.SIGHUP)) }

	require.NoError(t, os.WriteFile(file, append(good, "nosuchkey: 1\n"...), 0o600))
	hup()
	s.logged("site file is faulty")
	s.running()

	// The same file with one more machine and point is taken up.
	more := strings.Replace(string(good), "points:\n", "  - {id: be-77, name: Bucket elevator 77, area: intake, criticality: C}\npoints:\n", 1)
	require.NoError(t, os.WriteFile(file, []byte(more), 0o600))
	hup()
	s.logged("site file read again")

	var a acked
	ctx, cancel := context.WithTimeout(t.Context(), time.Second)
	defer cancel()
	a.publish(ctx, t, addr, 0, 0)
	s.waitStored(func() int { return len(a.got) / 2 }) // be-01 is registered, d-02 is not
	require.Positive(t, s.stored())

	// What cannot change while serving is refused, and said.
	require.NoError(t, os.WriteFile(file, []byte(strings.Replace(more, "zone: CET", "zone: UTC", 1)), 0o600))
	hup()
	s.logged("key=zone")
	s.running()
	s.stop()
}

func TestATerminatedServeLosesNothing(t *testing.T) {
	addr := freeAddr(t)
	file := quay(t, killDevices, "  embedded_broker: {listen: \""+addr+"\"}\n")
	s := serve(t, file)
	var a acked
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var workers sync.WaitGroup
	for w := range killConnections {
		workers.Go(func() { a.publish(ctx, t, addr, w, 0) })
	}
	time.Sleep(1500 * time.Millisecond)
	s.stop()
	cancel()
	workers.Wait()
	a.requireAllOnce(t, s.site, 0)
}

func TestAWritingVerbGoesThroughTheServingProcess(t *testing.T) {
	file := quay(t, 1, "  embedded_broker: {listen: \"127.0.0.1:0\"}\n")
	s := serve(t, file)
	out := must(t, "change", "-c", file, "be-01-head", "--by", "kim")
	require.Contains(t, out, "reservoir changed")
	require.Contains(t, must(t, "export", "-c", file, "changes"), ",change,be-01-head,")
	log := filepath.Join(t.TempDir(), "log.jsonl")
	require.NoError(t, os.WriteFile(log, []byte(`{"received":"2026-03-02T08:10:00Z","topic":"lube/v1/quay/be-01/run","payload":{"at":"2026-03-02T08:10:00Z","hours":100}}`+"\nnot a message\n"), 0o600))
	out, errOut, code := dwindle(t, "replay", "-c", file, log)
	require.Equal(t, exitFailed, code)
	require.Contains(t, out, "1 messages: 1 stored")
	require.Contains(t, errOut, "1 lines")
	// An entry that the serving process refuses comes back with its reason.
	_, errOut, code = dwindle(t, "alarms", "-c", file, "--acknowledge", "nosuch")
	require.Equal(t, exitFailed, code)
	require.Contains(t, errOut, "nosuch")
	s.stop()
}

func TestALongDataPathHasAControlSocketAllTheSame(t *testing.T) {
	file := quay(t, 1, "  embedded_broker: {listen: \"127.0.0.1:0\"}\n")
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	long := filepath.Join(t.TempDir(), strings.Repeat("a-long-name/", 12), "data")
	require.NoError(t, os.WriteFile(file, []byte(strings.Replace(string(text), "data: data", "data: "+long, 1)), 0o600))
	s := serve(t, file)
	require.Contains(t, must(t, "change", "-c", file, "be-01-head", "--by", "kim"), "reservoir changed")
	s.stop()
	serve(t, file).stop() // the leftover socket is in nobody's way
}

func TestThePagesAreServed(t *testing.T) {
	board := freeAddr(t)
	s := serve(t, quay(t, 2, "  embedded_broker: {listen: \"127.0.0.1:0\"}\n  board: {listen: \""+board+"\"}\n"))
	for path, want := range map[string]string{"/": "be-01-head", "/alarms": "Alarms", "/health": "messages received", "/healthz": "", "/api/forecast": "be-02-head"} {
		require.Eventually(t, func() bool {
			resp, err := http.Get("http://" + board + path)
			if err != nil {
				return false
			}
			defer resp.Body.Close()
			body := new(strings.Builder)
			_, _ = io.Copy(body, resp.Body)
			return resp.StatusCode == http.StatusOK && strings.Contains(body.String(), want)
		}, 20*time.Second, 100*time.Millisecond, "%s without %q", path, want)
	}
	s.stop()
}
