package influxtest_test

import (
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/collector/influx/influxtest"
)

func TestTheSecondReceiverTakesTheSameWrites(t *testing.T) {
	r := influxtest.Victoria(t)
	const all = `{__name__!=""}`
	require.Zero(t, r.Count(t, all))
	// A number, a whole number, a text and a truth; twice, and years ago.
	lines := "run,device=g\\ 1 hours=1.5,lag_ms=12i,key=\"a\" 1262304000000000001\n" +
		"run,device=g\\ 1 hours=2.5 1262304001000000000\n"
	for range 2 {
		resp, err := http.Post(r.URL+"/api/v2/write?org=terminal&bucket=b&precision=ns", "text/plain", strings.NewReader(lines))
		require.NoError(t, err)
		require.NoError(t, resp.Body.Close())
		require.Equal(t, http.StatusNoContent, resp.StatusCode)
	}
	got := r.Export(t, `{__name__="run_hours"}`)
	require.Len(t, got, 1)
	require.Equal(t, map[string]string{"__name__": "run_hours", "device": "g 1"}, got[0].Labels)
	require.Equal(t, []float64{1.5, 2.5}, got[0].Values)
	require.Equal(t, []int64{1262304000000, 1262304001000}, got[0].Times)
	require.Equal(t, 1, r.Count(t, `{__name__="run_lag_ms"}`))
	text := r.Export(t, `{__name__="run_key"}`)
	require.Len(t, text, 1)
	require.Equal(t, []float64{0}, text[0].Values, "of a text there is only that it was sent")
	require.Equal(t, 4, r.Count(t, all))
}
