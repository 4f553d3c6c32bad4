package connect_test

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/influx/connect"
)

func TestRetryAfter(t *testing.T) {
	now := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	const none = -1
	for header, want := range map[string]time.Duration{
		"": none, "soon": none, "-1": none, "-5": none, "99999999999": none, "99999999999999999999": none,
		"0": 0, "7": 7 * time.Second, " 7 ": 7 * time.Second, "86400": 24 * time.Hour, "864000": 24 * time.Hour,
		"Mon, 02 Mar 2026 06:00:20 GMT": 20 * time.Second, "Mon, 02 Mar 2026 06:00:30 GMT": 30 * time.Second,
		"Mon, 02 Mar 2026 05:00:00 GMT": 0, "Tue, 02 Mar 2027 06:00:00 GMT": 24 * time.Hour,
	} {
		got, ok := connect.RetryAfter(header, now)
		require.Equal(t, want != none, ok, header)
		require.Equal(t, max(want, 0), got, header)
	}
}

func TestAFileWithoutAuthoritiesIsRefused(t *testing.T) {
	file := filepath.Join(t.TempDir(), "ca.pem")
	_, err := connect.Trust(file)
	require.ErrorIs(t, err, os.ErrNotExist)
	require.ErrorContains(t, err, "stores.influx.ca_file")
	require.NoError(t, os.WriteFile(file, []byte("no PEM"), 0o600))
	_, err = connect.Trust(file)
	require.ErrorContains(t, err, file+" holds no certificate in PEM form")
}
