package config_test

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/config"
)

const withInflux = `
  embedded_broker: {listen: "127.0.0.1:1883"}
stores:
  influx: {url: "https://one", organisation: terminal, bucket: lube, token_file: influx.token, prepare_token_file: $CREDENTIALS_DIRECTORY/operator}
`

func TestInfluxHasDefaultsAndFilesThatAreFoundFromAnywhere(t *testing.T) {
	t.Setenv("CREDENTIALS_DIRECTORY", "/run/credentials/dwindle.service")
	site := connected(t, withInflux)
	i := site.Influx()
	require.Equal(t, &config.Influx{
		URL: "https://one", Organisation: "terminal", Bucket: "lube",
		TokenFile: filepath.Join(filepath.Dir(site.Path()), "influx.token"), PrepareTokenFile: "/run/credentials/dwindle.service/operator",
		BatchRows: 5000, BatchBytes: 1_000_000, Every: 10 * time.Second, BacklogDays: 30,
	}, i)
	require.Equal(t, "influx.token", site.Stores.Influx.TokenFile, "the site file as it was written stays")
	require.False(t, site.JournalInInflux())
	require.Nil(t, connected(t, "  board: {listen: \"127.0.0.1:8080\"}\n").Influx())
}

// A token that was changed on the server is taken up without a restart.
func TestTheTokenIsReadAnew(t *testing.T) {
	site := connected(t, withInflux)
	i := site.Influx()
	_, err := i.Token()
	require.ErrorIs(t, err, os.ErrNotExist)
	require.ErrorContains(t, err, "stores.influx.token_file")

	require.NoError(t, os.WriteFile(i.TokenFile, []byte("first==\n"), 0o600))
	got, err := i.Token()
	require.NoError(t, err)
	require.Equal(t, "first==", got)
	require.NoError(t, os.WriteFile(i.TokenFile, []byte("second==\r\n"), 0o600))
	got, err = i.Token()
	require.NoError(t, err)
	require.Equal(t, "second==", got)

	for _, bad := range []string{"", "\n", "two lines\n", "one\ntwo\n", "s3cret\x00"} {
		require.NoError(t, os.WriteFile(i.TokenFile, []byte(bad), 0o600))
		_, err = i.Token()
		require.ErrorContains(t, err, "holds no token", "%q", bad)
		require.NotContains(t, err.Error(), "s3cret")
	}
	_, err = i.PrepareToken()
	require.ErrorContains(t, err, "stores.influx.prepare_token_file")
}
