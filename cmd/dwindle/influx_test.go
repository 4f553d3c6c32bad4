package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/influx/influxtest"
	"dwindle/config"
)

// What a server says that works from InfluxDB is, byte for byte, what the gateway
// says that the readings came to: also of what came late or was entered since, by
// itself or beside a process that serves, and with a copy that was deleted.
func TestAServerOnInfluxDBSaysTheSameAsItsGateway(t *testing.T) {
	srv := influxtest.Start(t)
	bucket := srv.Bucket(t)
	dir := t.TempDir()
	token := filepath.Join(dir, "influx.token")
	require.NoError(t, os.WriteFile(token, []byte(srv.Token+"\n"), 0o600))
	must(t, "demo", "--write", filepath.Join(dir, "gateway"), "--points", "6", "--days", "60", "--seed", "7")
	gateway, analyst := filepath.Join(dir, "gateway", "site.yaml"), filepath.Join(dir, "analyst", "site.yaml")
	text, err := os.ReadFile(gateway)
	require.NoError(t, err)
	head, _, ok := strings.Cut(string(text), "connections:\n")
	require.True(t, ok)
	stores := fmt.Sprintf("stores:\n  influx: {url: %q, organisation: %q, bucket: %q, token_file: %q, every: 200ms}\n", srv.URL, srv.Org, bucket, token)
	require.NoError(t, os.WriteFile(gateway, []byte(head+"connections:\n  embedded_broker: {listen: \""+freeAddr(t)+"\"}\n"+stores), 0o600))
	require.NoError(t, os.Mkdir(filepath.Dir(analyst), 0o700))
	require.NoError(t, os.WriteFile(analyst, []byte(head+stores+"  journal: influx\n"), 0o600))
	site, err := config.Load(gateway)
	require.NoError(t, err)

	// One machine's gateway keeps some days back, and some of all else comes late.
	log, err := os.ReadFile(filepath.Join(dir, "gateway", "history.jsonl"))
	require.NoError(t, err)
	var now, later strings.Builder
	n, held := 0, `"topic":"lube/v1/`+site.ID+`/`+site.Machines[0].ID+`/`
	for line := range strings.Lines(string(log)) {
		to := &now
		if n%97 == 0 || n > 5_000 && n < 8_000 && strings.Contains(line, held) {
			to = &later
		}
		to.WriteString(line)
		n++
	}
	sender := serve(t, gateway)
	forwarded := func(name, text string) {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		must(t, "replay", "-c", gateway, path)
	}
	drained := func() {
		t.Helper()
		require.Eventually(t, func() bool {
			var s state
			require.NoError(t, json.Unmarshal([]byte(must(t, "forward", "-c", gateway, "--json")), &s))
			require.Empty(t, s.KeptAside)
			return s.Live && s.Rows == 0
		}, time.Minute, 200*time.Millisecond)
	}
	says := func(file string, at time.Time, args ...string) string {
		t.Helper()
		out, errOut, code := dwindle(t, append(args, "-c", file, "--at", at.Format(time.RFC3339))...)
		require.Zero(t, code, "%s\n%s", args, errOut)
		require.Empty(t, errOut, args)
		require.Greater(t, len(out), 300, args)
		return out
	}
	few := [][]string{{"forecast", "--json"}, {"delivery", "--json"}, {"export", "usage"}, {"score", "--json"}}
	all := append(few[:4:4], []string{"export", "machines"}, []string{"export", "changes"}, []string{"export", "readings"})
	same := func(what string, at time.Time, verbs [][]string) {
		t.Helper()
		for _, args := range verbs {
			want, got := says(gateway, at, args...), says(analyst, at, args...)
			require.True(t, want == got, "%s: %s --at %s: %s", what, args, at, difference(want, got))
		}
	}
	end := time.Now().Truncate(time.Second)
	forwarded("now.jsonl", now.String())
	drained()
	same("the first copy", end, few)
	same("a past day", end.AddDate(0, 0, -11), few)

	reader := serve(t, analyst)
	forwarded("later.jsonl", later.String())
	must(t, "score", "-c", gateway, "--learn")
	must(t, "change", "-c", gateway, site.Points[0].ID, "--by", "kim")
	time.Sleep(time.Until(end.Add(2 * time.Second)))
	end = time.Now().Truncate(time.Second)
	drained()
	// The copy follows by itself: with what came late, was learned and entered.
	for _, args := range [][]string{{"export", "readings"}, few[0]} {
		want, got := says(gateway, end, args...), ""
		for until := time.Now().Add(time.Minute); want != got && time.Now().Before(until); time.Sleep(time.Second) {
			got = says(analyst, end, args...)
		}
		require.True(t, want == got, "%s: %s\n%s", args, difference(want, got), reader.log)
	}
	same("what came late", end, all)
	reader.stop()

	// It can be deleted at any time.
	require.NoError(t, os.RemoveAll(filepath.Join(dir, "analyst", "data")))
	for n := range 4 { // and the making of another ended at any moment
		killed := serve(t, analyst)
		time.Sleep(time.Duration(1+n*n) * 120 * time.Millisecond)
		killed.kill()
	}
	same("a copy made anew", end, few)

	for _, args := range [][]string{{"change", site.Points[0].ID}, {"read", site.Points[0].ID, "--cm3", "20"}, {"replay", filepath.Join(dir, "later.jsonl")}, {"score", "--learn"}} {
		_, errOut, code := dwindle(t, append(args, "-c", analyst)...)
		require.NotZero(t, code, args)
		require.Contains(t, errOut, "on the gateway", args)
	}
	sender.stop()
}

// difference gives the first line in which two texts differ.
func difference(want, got string) string {
	a, b := strings.Split(want, "\n"), strings.Split(got, "\n")
	for i := range a {
		if i >= len(b) || a[i] != b[i] {
			return fmt.Sprintf("line %d:\n  gateway  %.300s\n  analyst  %.300s", i+1, a[i], append(b, "")[min(i, len(b))])
		}
	}
	return fmt.Sprintf("%d lines and %d", len(a), len(b))
}
