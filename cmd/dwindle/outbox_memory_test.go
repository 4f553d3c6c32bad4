package main

import (
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/cmd/internal/station"
	"dwindle/config"
)

// absent is a receiver that is not there until it returns.
type absent struct {
	addr  string
	bytes atomic.Int64
}

func newAbsent(b *testing.B) *absent { return &absent{addr: freeAddr(b)} }

// stores is the part of a site file that names it.
func (a *absent) stores(b *testing.B) string {
	b.Helper()
	token := filepath.Join(b.TempDir(), "token")
	require.NoError(b, os.WriteFile(token, []byte("made-up"), 0o600))
	return fmt.Sprintf("stores: {influx: {url: \"http://%s\", organisation: terminal, bucket: lube, token_file: %s}}\n", a.addr, token)
}

func (a *absent) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	n, _ := io.Copy(io.Discard, r.Body)
	a.bytes.Add(n)
	w.WriteHeader(http.StatusNoContent)
}

// returns has it answer, waits until all is sent, and reports what is resident at
// most meanwhile, and how fast it goes.
func (a *absent) returns(b *testing.B, site *config.Site, pid int) {
	b.Helper()
	look := func() station.Forwarding {
		view, err := station.OpenView(b.Context(), site)
		require.NoError(b, err)
		defer view.Close()
		f, err := view.Forwarding(b.Context())
		require.NoError(b, err)
		require.True(b, f.Live)
		return f
	}
	waits := look()
	b.ReportMetric(float64(waits.Rows)/1e6, "Mrows-waiting")
	// From here on the highest is counted anew (proc_pid_clear_refs(5)).
	require.NoError(b, os.WriteFile(fmt.Sprintf("/proc/%d/clear_refs", pid), []byte("5"), 0))
	l, err := net.Listen("tcp", a.addr)
	require.NoError(b, err)
	srv := &http.Server{Handler: a}
	defer srv.Close()
	go func() { _ = srv.Serve(l) }()
	require.Eventually(b, func() bool { return a.bytes.Load() > 0 }, 3*time.Minute, 10*time.Millisecond)
	began, first := time.Now(), look().Written
	var resid, samples float64
	for {
		time.Sleep(100 * time.Millisecond)
		resid += resident(b, pid, "VmRSS")
		if samples++; int(samples)%20 == 0 {
			f := look()
			if f.Rows < 2*int64(len(site.Dispensers)) {
				b.ReportMetric(float64(f.Written-first)/time.Since(began).Seconds(), "rows/s-catching-up")
				break
			}
		}
	}
	b.ReportMetric(resid/samples, "MB-catching-up")
	b.ReportMetric(resident(b, pid, "VmHWM"), "MB-peak-catching-up")
}
