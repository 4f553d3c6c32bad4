package main

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/health"
	"dwindle/collector/influx/influxtest"
	"dwindle/collector/influx/outbox"
	"dwindle/collector/influx/schema"
	"dwindle/collector/journal"
	"dwindle/config"
	"dwindle/config/civil"
)

// forwardAll sends what waits in a gateway's journal, until nothing does.
func forwardAll(t *testing.T, site *config.Site) {
	t.Helper()
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	j, err := journal.Open(ctx, filepath.Join(site.DataDir(), "journal.db"), journal.Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, j.Close()) }()
	i := site.Influx()
	box, err := j.Outbox(ctx, i.URL+" "+i.Organisation+"/"+i.Bucket)
	require.NoError(t, err)
	c, ok, err := j.Calibration(ctx, civil.Of(time.Now().AddDate(1, 0, 0), time.UTC))
	require.NoError(t, err)
	if ok {
		line, err := schema.NewEncoder(site.ID).Calibration(nil, schema.Calibration(c))
		require.NoError(t, err)
		require.NoError(t, j.QueueLines(ctx, [][]byte{[]byte(strings.TrimRight(string(line), "\n"))}))
	}
	s, err := outbox.New(outbox.Options{
		URL: i.URL, Organisation: i.Organisation, Bucket: i.Bucket, TokenFile: i.TokenFile, Site: site.ID,
		Every: time.Millisecond, Outbox: box, Health: health.New(nil),
	})
	require.NoError(t, err)
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	require.Eventually(t, func() bool {
		b, err := box.Backlog(ctx)
		require.NoError(t, err)
		require.Empty(t, b.Refused)
		return b.Readings+b.Late+b.Facts+b.Lines == 0
	}, 2*time.Minute, 100*time.Millisecond)
	stop()
	<-ended
}

// What a server says that works from InfluxDB is, byte for byte, what the gateway
// says that the readings came to: also of what came late, was taken back or came
// out otherwise once a rule was corrected.
func TestAServerOnInfluxDBSaysTheSameAsItsGateway(t *testing.T) {
	srv := influxtest.Start(t)
	bucket := srv.Bucket(t)
	dir := t.TempDir()
	token := filepath.Join(dir, "influx.token")
	require.NoError(t, os.WriteFile(token, []byte(srv.Token+"\n"), 0o600))
	must(t, "demo", "--write", filepath.Join(dir, "gateway"), "--points", "6", "--days", "60", "--seed", "7")
	gateway := filepath.Join(dir, "gateway", "site.yaml")
	text, err := os.ReadFile(gateway)
	require.NoError(t, err)
	stores := fmt.Sprintf("stores:\n  influx:\n    url: %s\n    organisation: %s\n    bucket: %s\n    token_file: %s\n", srv.URL, srv.Org, bucket, token)
	require.NoError(t, os.WriteFile(gateway, append(text, stores...), 0o600))
	analyst := filepath.Join(dir, "analyst", "site.yaml")
	require.NoError(t, os.Mkdir(filepath.Dir(analyst), 0o700))
	without := regexp.MustCompile(`(?s)\nconnections:\n.*$`).ReplaceAll(text, nil)
	require.NoError(t, os.WriteFile(analyst, append(append(without, '\n'), stores+"  journal: influx\n"...), 0o600))
	site, err := config.Load(gateway)
	require.NoError(t, err)

	// One machine's gateway keeps ten days back, and some of everything else comes
	// late.
	var now, later strings.Builder
	n, held := 0, regexp.MustCompile(`"topic":"lube/v1/[^/]+/`+site.Machines[0].ID+`/`)
	log, err := os.Open(filepath.Join(dir, "gateway", "history.jsonl"))
	require.NoError(t, err)
	defer log.Close()
	for lines := bufio.NewScanner(log); lines.Scan(); n++ {
		to := &now
		if n%97 == 0 || n > 5_000 && n < 8_000 && held.MatchString(lines.Text()) {
			to = &later
		}
		to.WriteString(lines.Text() + "\n")
	}
	feed := func(name, text string) {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		must(t, "replay", "-c", gateway, path)
	}
	end := time.Now()
	ats := []time.Time{end.AddDate(0, 0, -11).Truncate(time.Second), end.Add(-7 * time.Hour).Truncate(time.Second), end.Truncate(time.Second)}
	same := func(what string) {
		t.Helper()
		for _, at := range ats {
			at := at.Format(time.RFC3339)
			for _, args := range [][]string{
				{"forecast", "--json"}, {"delivery", "--json"}, {"export", "usage"}, {"export", "machines"}, {"export", "changes"}, {"export", "readings"}, {"score", "--json"},
			} {
				of := func(file string) string {
					out, errOut, code := dwindle(t, append(args, "-c", file, "--at", at)...)
					require.Zero(t, code, "%s: %s\n%s", what, args, errOut)
					require.Empty(t, errOut, "%s: %s", what, args)
					return out
				}
				want, got := of(gateway), of(analyst)
				require.Greater(t, len(want), 500, args)
				require.True(t, want == got, "%s: %s --at %s: %s", what, args, at, difference(want, got))
			}
		}
	}
	feed("now.jsonl", now.String())
	forwardAll(t, site)
	same("the first copy")

	feed("later.jsonl", later.String())
	must(t, "score", "-c", gateway, "--learn")
	must(t, "change", "-c", gateway, site.Points[0].ID, "--by", "kim")
	forwardAll(t, site)
	end = time.Now()
	ats = []time.Time{ats[0], end.Add(time.Second).Truncate(time.Second)}
	same("what came late")

	// It can be deleted at any time.
	require.NoError(t, os.RemoveAll(filepath.Join(dir, "analyst", "data")))
	same("a copy made anew")

	_, errOut, code := dwindle(t, "change", "-c", analyst, site.Points[0].ID)
	require.NotZero(t, code)
	require.Contains(t, errOut, "gateway")
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
