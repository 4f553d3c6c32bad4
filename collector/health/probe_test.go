package health_test

import (
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/health"
)

func TestProbe(t *testing.T) {
	since := time.Date(2027, 1, 4, 6, 0, 0, 0, time.UTC)
	stuck := health.Check{Name: "writer", Level: health.Bad, What: "no progress", Try: "see the disk", Since: since}
	late := health.Check{Name: "forecast", Level: health.Warn, What: "late", Since: since}
	for _, c := range []struct {
		name  string
		probe health.Probe
		code  int
		body  string
	}{
		{"all is well", health.Probe{}, http.StatusOK, `{"status":"ok","failing":[],"others":[]}`},
		{"what does not matter here is told", health.Probe{Others: []health.Check{late}}, http.StatusOK,
			`{"status":"ok","failing":[],"others":[{"name":"forecast","level":"warn","what":"late","since":"2027-01-04T06:00:00Z"}]}`},
		{"a failing check", health.Probe{Failing: []health.Check{stuck}}, http.StatusServiceUnavailable,
			`{"status":"failing","failing":[{"name":"writer","level":"bad","what":"no progress","try":"see the disk","since":"2027-01-04T06:00:00Z"}],"others":[]}`},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := httptest.NewRecorder()
			c.probe.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/healthz", nil))
			require.Equal(t, c.code, w.Code)
			require.Equal(t, "application/json", w.Header().Get("Content-Type"))
			require.JSONEq(t, c.body, w.Body.String())
		})
	}
}
