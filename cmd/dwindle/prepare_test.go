package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/collector/influx/influxtest"
)

// storesSite is the example site with an InfluxDB.
func storesSite(t *testing.T, stores string) string {
	t.Helper()
	text, err := os.ReadFile("../../deploy/example-site.yaml")
	require.NoError(t, err)
	file := filepath.Join(t.TempDir(), "site.yaml")
	require.NoError(t, os.WriteFile(file, []byte(string(text)+stores), 0o600))
	return file
}

func TestServePreparesStoresAndEnds(t *testing.T) {
	s := influxtest.Start(t)
	bucket := "prepared-by-serve"
	file := storesSite(t, "stores:\n  influx: {url: \""+s.URL+"\", organisation: "+s.Org+", bucket: "+bucket+", daily_bucket: "+bucket+"-daily, token_file: none}\n")
	operator := filepath.Join(t.TempDir(), "operator")
	require.NoError(t, os.WriteFile(operator, []byte(s.Token+"\n"), 0o600))

	dwindle := func(args ...string) (code int, out, talk string) {
		var o, e bytes.Buffer
		code = run(context.Background(), args, strings.NewReader(""), &o, &e)
		require.NotContains(t, o.String()+e.String(), s.Token, "no token is ever printed")
		return code, o.String(), e.String()
	}
	code, out, talk := dwindle("serve", "-c", file, "--prepare-stores", "--operator-token", operator)
	require.Zero(t, code, talk)
	require.Contains(t, out, "made     bucket "+bucket+": keeps for ever\n")
	require.Contains(t, out, "made     task dwindle daily figures of riverside")
	require.Contains(t, out, "\n  influx auth create --org "+s.Org+" --write-bucket ")
	code, out, talk = dwindle("serve", "-c", file, "--prepare-stores", "--operator-token", operator)
	require.Zero(t, code, talk)
	require.NotContains(t, out, "made ")
	require.NotContains(t, out, "changed ")
	require.NoDirExists(t, filepath.Join(filepath.Dir(file), "data"), "it ends before it serves")

	for _, tc := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{"serve", "-c", file, "--prepare-stores"}, 1, "try:   --operator-token FILE"},
		{[]string{"serve", "-c", file, "--operator-token", operator}, 2, "--prepare-stores alone"},
		{[]string{"serve", "-c", file, "--prepare-stores", "--operator-token", operator + "x"}, 1, "prepare_token_file"},
		{[]string{"serve", "-c", storesSite(t, ""), "--prepare-stores"}, 1, "names no InfluxDB"},
	} {
		code, out, talk := dwindle(tc.args...)
		require.Equal(t, tc.code, code, talk)
		require.Contains(t, talk, tc.says)
		require.Empty(t, out)
	}
}
