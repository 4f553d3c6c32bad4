package query

import (
	"encoding/pem"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/collector/influx/influxtest"
	"dwindle/config"
)

// Over TLS the file of authorities says whom to trust, and may be replaced.
func TestOnlyTheNamedAuthoritiesAreTrusted(t *testing.T) {
	srv := influxtest.Start(t)
	bucket := srv.Bucket(t)
	want := counts("d-1", 3)
	write(t, srv, bucket, want)
	to, err := url.Parse(srv.URL)
	require.NoError(t, err)
	pass := &httputil.ReverseProxy{
		Rewrite:   func(r *httputil.ProxyRequest) { r.SetURL(to) },
		Transport: &http.Transport{DisableCompression: true, DisableKeepAlives: true},
	}
	front := httptest.NewUnstartedServer(pass)
	front.Config.ErrorLog = log.New(io.Discard, "", 0) // who does not trust it hangs up
	front.StartTLS()
	defer front.Close()
	dir := t.TempDir()
	token, ca := filepath.Join(dir, "token"), filepath.Join(dir, "ca.pem")
	require.NoError(t, os.WriteFile(token, []byte(srv.Token), 0o600))
	reader := func(file string) (*Reader, error) {
		r, err := New(Options{Server: &config.Influx{URL: front.URL, Organisation: srv.Org, Bucket: bucket, TokenFile: token, CAFile: file}, Site: "terminal"})
		if err == nil {
			t.Cleanup(r.Close)
		}
		return r, err
	}
	r, err := reader("")
	require.NoError(t, err)
	_, err = all(t.Context(), r, "d-1")
	require.ErrorContains(t, err, "certificate")

	_, err = reader(ca)
	require.ErrorContains(t, err, "ca_file")
	require.NoError(t, os.WriteFile(ca, []byte("no PEM"), 0o600))
	_, err = reader(ca)
	require.ErrorContains(t, err, "no certificate in PEM form")
	cert := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: front.Certificate().Raw})
	require.NoError(t, os.WriteFile(ca, cert, 0o600))
	r, err = reader(ca)
	require.NoError(t, err)
	got, err := all(t.Context(), r, "d-1")
	require.NoError(t, err)
	require.Equal(t, want, got)

	require.NoError(t, os.Remove(ca))
	r.way.base.CloseIdleConnections()
	_, err = all(t.Context(), r, "d-1")
	require.ErrorContains(t, err, "ca_file")
	require.NoError(t, os.WriteFile(ca, cert, 0o600))
	got, err = all(t.Context(), r, "d-1")
	require.NoError(t, err)
	require.Equal(t, want, got)
}
