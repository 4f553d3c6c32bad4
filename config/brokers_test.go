package config_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/config"
)

// connected is the example site with other connections.
func connected(t *testing.T, connections string) *config.Site {
	t.Helper()
	text, err := os.ReadFile("../deploy/example-site.yaml")
	require.NoError(t, err)
	file := filepath.Join(t.TempDir(), "site.yaml")
	before, _, found := strings.Cut(string(text), "\nconnections:\n")
	require.True(t, found)
	require.NoError(t, os.WriteFile(file, []byte(before+"\nconnections:\n"+connections), 0o600))
	site, err := config.Load(file)
	require.NoError(t, err)
	return site
}

func TestBrokersHaveNamesAndFilesThatAreFoundFromAnywhere(t *testing.T) {
	t.Setenv("CREDENTIALS_DIRECTORY", "/run/credentials/dwindle.service")
	site := connected(t, `
  broker: {url: "ssl://one", username: dwindle, password_file: $CREDENTIALS_DIRECTORY/broker, ca_file: ca.pem}
  brokers:
    - {name: yard, url: "ssl://two", ca_file: /etc/ssl/ca.pem, cert_file: c.pem, key_file: k.pem}
  embedded_broker: {listen: "127.0.0.1:1883", accounts_file: accounts, tls: {cert_file: s.pem, key_file: $CREDENTIALS_DIRECTORY/key}}
`)
	dir := filepath.Dir(site.Path())
	brokers := site.Brokers()
	require.Len(t, brokers, 2)
	require.Equal(t, config.DefaultBrokerName, brokers[0].Name)
	require.Equal(t, "/run/credentials/dwindle.service/broker", brokers[0].PasswordFile)
	require.Equal(t, filepath.Join(dir, "ca.pem"), brokers[0].CAFile)
	require.Empty(t, brokers[0].CertFile)
	require.Equal(t, "yard", brokers[1].Name)
	require.Equal(t, "/etc/ssl/ca.pem", brokers[1].CAFile)
	require.Equal(t, filepath.Join(dir, "c.pem"), brokers[1].CertFile)
	e := site.Embedded()
	require.Equal(t, filepath.Join(dir, "accounts"), e.AccountsFile)
	require.Equal(t, filepath.Join(dir, "s.pem"), e.TLS.CertFile)
	require.Equal(t, "/run/credentials/dwindle.service/key", e.TLS.KeyFile)
	require.Equal(t, "accounts", site.Connections.Embedded.AccountsFile, "the site file as it was written stays")

	t.Setenv("CREDENTIALS_DIRECTORY", "")
	require.Equal(t, "$CREDENTIALS_DIRECTORY/broker", site.Brokers()[0].PasswordFile, "which the error then names")
	require.Nil(t, connected(t, "  broker: {url: \"tcp://one\"}\n").Embedded())
}

func TestOneBoxMayHaveAnExternalBrokerOnAnotherPortBesideTheEmbeddedOne(t *testing.T) {
	site := connected(t, `
  broker: {url: "tcp://127.0.0.1:1884"}
  embedded_broker: {listen: "127.0.0.1:1883"}
`)
	require.Len(t, site.Brokers(), 1)
	require.NotNil(t, site.Embedded())
}
