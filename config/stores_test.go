package config_test

import (
	"os"
	"path/filepath"
	"strings"
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

func TestWhatOnlyShowsTogetherIsWarnedOf(t *testing.T) {
	for text, want := range map[string]string{
		"retention: 720h": "the server keeps readings for 720h, and this machine for 400 days",
		"every: 20m":      "what others see is up to 20m old",
		"retention: 0s":   "", "every: 5m": "", "retention: 9600h": "",
	} {
		site := connected(t, strings.Replace(withInflux, "bucket: lube", "bucket: lube, "+text, 1))
		var said []string
		for _, w := range site.Warnings() {
			if strings.HasPrefix(w.Path, "stores.") {
				said = append(said, w.What)
			}
		}
		if want == "" {
			require.Empty(t, said, text)
			continue
		}
		require.Len(t, said, 1, text)
		require.Contains(t, said[0], want)
	}
}

func TestATokenThatEverybodyMayReadIsToldOf(t *testing.T) {
	site := connected(t, withInflux)
	require.Len(t, site.TokenDoubts(), 1)
	require.Contains(t, site.TokenDoubts()[0], "there is no "+site.Influx().TokenFile)
	require.NoError(t, os.WriteFile(site.Influx().TokenFile, []byte("s3cret\n"), 0o640))
	require.Empty(t, site.TokenDoubts())
	require.NoError(t, os.Chmod(site.Influx().TokenFile, 0o644))
	require.Len(t, site.TokenDoubts(), 1)
	require.Contains(t, site.TokenDoubts()[0], "chmod o= "+site.Influx().TokenFile)
	require.Empty(t, connected(t, "  board: {listen: \"127.0.0.1:8080\"}\n").TokenDoubts())
}
