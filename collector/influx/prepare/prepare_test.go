package prepare_test

import (
	"context"
	"encoding/pem"
	"fmt"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/influx/influxtest"
	"dwindle/collector/influx/prepare"
	"dwindle/collector/influx/schema"
	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
)

func TestMain(m *testing.M) { os.Exit(influxtest.Main(m)) }

// names gives a test buckets of its own names and removes what was made.
func names(t *testing.T, s *influxtest.Server) (bucket, daily, site string) {
	id := strings.ToLower(strings.NewReplacer("/", "-", "_", "-").Replace(t.Name()))
	bucket, daily, site = id, id+"-daily", "site-"+id
	t.Cleanup(func() {
		for _, b := range list(t, s, "/api/v2/buckets?limit=100", "buckets") {
			if b["name"] == bucket || b["name"] == daily {
				require.NoError(t, s.Do("DELETE", "/api/v2/buckets/"+b["id"].(string), nil, nil))
			}
		}
		for _, k := range list(t, s, "/api/v2/tasks?limit=100", "tasks") {
			if k["name"] == prepare.TaskName(site) {
				require.NoError(t, s.Do("DELETE", "/api/v2/tasks/"+k["id"].(string), nil, nil))
			}
		}
	})
	return bucket, daily, site
}

func list(t *testing.T, s *influxtest.Server, path, key string) []map[string]any {
	var out map[string]any
	require.NoError(t, s.Do("GET", path, nil, &out))
	var all []map[string]any
	for _, x := range out[key].([]any) {
		all = append(all, x.(map[string]any))
	}
	return all
}

func options(s *influxtest.Server, bucket, daily, site string) prepare.Options {
	return prepare.Options{Influx: &config.Influx{URL: s.URL, Organisation: s.Org, Bucket: bucket, DailyBucket: daily}, Site: site, Zone: "Europe/Berlin", Token: s.Token}
}

func dids(p prepare.Prepared) (out []string) {
	for _, step := range p.Steps {
		out = append(out, string(step.Did))
	}
	return out
}

func retention(t *testing.T, s *influxtest.Server, id string) (seconds, shard float64) {
	var b struct {
		RetentionRules []struct{ EverySeconds, ShardGroupDurationSeconds float64 }
	}
	require.NoError(t, s.Do("GET", "/api/v2/buckets/"+id, nil, &b))
	require.Len(t, b.RetentionRules, 1)
	return b.RetentionRules[0].EverySeconds, b.RetentionRules[0].ShardGroupDurationSeconds
}

func TestTwiceWithoutHarm(t *testing.T) {
	s := influxtest.Start(t)
	bucket, daily, site := names(t, s)
	ctx := context.Background()
	o := options(s, bucket, daily, site)
	o.Influx.Retention = 400 * 24 * time.Hour

	first, err := prepare.Stores(ctx, o)
	require.NoError(t, err)
	require.Equal(t, []string{"kept", "made", "made", "made"}, dids(first), "%v", first.Steps)
	seconds, shard := retention(t, s, first.BucketID)
	require.EqualValues(t, 400*86400, seconds)
	require.EqualValues(t, 28*86400, shard)
	seconds, _ = retention(t, s, first.DailyBucketID)
	require.Zero(t, seconds)
	s.Write(t, bucket, fmt.Sprintf("run,channel=hours,device=elev1,site=%s hours=1 %d\n", site, time.Now().Add(-300*24*time.Hour).UnixNano()))

	again, err := prepare.Stores(ctx, o)
	require.NoError(t, err)
	require.Equal(t, []string{"kept", "kept", "kept", "kept"}, dids(again), "%v", again.Steps)
	require.Equal(t, []string{first.OrgID, first.BucketID, first.DailyBucketID}, []string{again.OrgID, again.BucketID, again.DailyBucketID})

	// Longer loses nothing; shorter would.
	o.Influx.Retention = 0
	longer, err := prepare.Stores(ctx, o)
	require.NoError(t, err)
	require.Equal(t, []string{"kept", "changed", "kept", "kept"}, dids(longer), "%v", longer.Steps)
	seconds, _ = retention(t, s, first.BucketID)
	require.Zero(t, seconds)
	o.Influx.Retention = 30 * 24 * time.Hour
	shorter, err := prepare.Stores(ctx, o)
	require.NoError(t, err)
	require.Equal(t, []string{"kept", "left", "kept", "kept"}, dids(shorter), "%v", shorter.Steps)
	require.Contains(t, shorter.Steps[1].Note, "influx bucket update --id "+first.BucketID+" --retention 720h")
	seconds, _ = retention(t, s, first.BucketID)
	require.Zero(t, seconds)
	require.Equal(t, 1, s.Count(t, bucket), "what was written is there")

	// A script that somebody changed comes back; a task that is off stays off.
	task := theTask(t, s, site)
	require.NoError(t, s.Do("PATCH", "/api/v2/tasks/"+task["id"].(string), map[string]any{"flux": strings.Replace(task["flux"].(string), "7", "6", 1), "status": "inactive"}, nil))
	o.Influx.Retention = 0
	mended, err := prepare.Stores(ctx, o)
	require.NoError(t, err)
	require.Equal(t, []string{"kept", "kept", "kept", "changed"}, dids(mended), "%v", mended.Steps)
	require.Contains(t, mended.Steps[3].Note, "switched off and stays so")
	require.Equal(t, task["flux"], theTask(t, s, site)["flux"])
	require.Equal(t, "inactive", theTask(t, s, site)["status"])
}

func theTask(t *testing.T, s *influxtest.Server, site string) map[string]any {
	var found []map[string]any
	for _, k := range list(t, s, "/api/v2/tasks?limit=100", "tasks") {
		if k["name"] == prepare.TaskName(site) {
			found = append(found, k)
		}
	}
	require.Len(t, found, 1)
	return found[0]
}

func TestWithoutADailyBucketThereIsNoTask(t *testing.T) {
	s := influxtest.Start(t)
	bucket, _, site := names(t, s)
	p, err := prepare.Stores(context.Background(), options(s, bucket, "", site))
	require.NoError(t, err)
	require.Equal(t, []string{"kept", "made"}, dids(p))
	require.Empty(t, p.DailyBucketID)
}

// A day of 23 hours, 25, and 24: figures as they are worked out here.
func TestTheTaskMakesDailyFigures(t *testing.T) {
	s := influxtest.Start(t)
	bucket, daily, site := names(t, s)
	o := options(s, bucket, daily, site)
	o.Token = token(t, s, scope...)
	_, err := prepare.Stores(context.Background(), o)
	require.NoError(t, err)
	berlin, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)

	// The last whole days are in; today and the day eight days back are not.
	today := civil.Of(time.Now(), berlin)
	var lines []byte
	write := func(q reading.Quantity, at time.Time, v float64, key string) {
		r := reading.Reading{Channel: reading.Channel{Device: "disp-007", Quantity: q}, At: at, Received: at, FromDevice: true, Value: v, Count: int64(v), Key: key}
		lines, err = schema.Append(lines, site, r)
		require.NoError(t, err)
	}
	for n := range 9 {
		start := (today - civil.Date(n)).Start(berlin)
		d := float64(n)
		write(reading.LevelPercent, start, 10+d, "")
		write(reading.LevelPercent, start.Add(time.Hour), 20+d, "")
		write(reading.LevelPercent, start.Add(2*time.Hour), 15+d, "")
		write(reading.PulseCount, start, 100*d, "")
		write(reading.PulseCount, start.Add(time.Hour), 100*d+7, "")
		write(reading.PulseIncrement, start, 2, "a"+fmt.Sprint(n))
		write(reading.PulseIncrement, start.Add(time.Minute), 3, "b"+fmt.Sprint(n))
		write(reading.RunRunning, start, 1, "")
	}
	other, err := schema.Append(nil, "another-site", reading.Reading{Channel: reading.Channel{Device: "disp-007", Quantity: reading.LevelPercent}, At: today.Start(berlin).Add(-time.Hour), Received: today.Start(berlin), Value: 99})
	require.NoError(t, err)
	s.Write(t, bucket, string(lines)+string(other))

	task := theTask(t, s, site)
	var run map[string]any
	require.NoError(t, s.Do("POST", "/api/v2/tasks/"+task["id"].(string)+"/runs", map[string]any{"scheduledFor": time.Now().UTC().Format(time.RFC3339)}, &run))
	require.Eventually(t, func() bool {
		var now map[string]any
		if s.Do("GET", "/api/v2/tasks/"+task["id"].(string)+"/runs/"+run["id"].(string), nil, &now) != nil {
			return false
		}
		require.NotEqual(t, "failed", now["status"], "%v", now)
		return now["status"] == "success"
	}, 30*time.Second, 50*time.Millisecond)

	got := map[string]string{}
	for _, r := range s.Query(t, fmt.Sprintf(`from(bucket: %q) |> range(start: -30d) |> drop(columns: ["_start", "_stop"])`, daily)) {
		require.Equal(t, []string{site, "disp-007"}, []string{r["site"], r["device"]})
		got[r["_time"]+" "+r["_measurement"]+" "+r["channel"]+" "+r["_field"]] = r["_value"]
	}
	want := map[string]string{}
	for n := 1; n <= 7; n++ {
		at := (today - civil.Date(n)).Start(berlin).Format(time.RFC3339)
		for k, v := range map[string]int{"level percent percent_last": 15 + n, "level percent percent_mean": 15 + n, "level percent percent_min": 10 + n, "level percent percent_max": 20 + n,
			"pulse count count_last": 100*n + 7, "pulse pulses pulses_sum": 5} {
			want[at+" "+k] = fmt.Sprint(v)
		}
	}
	require.Equal(t, want, got)
}

// token makes a token that allows only some things.
func token(t *testing.T, s *influxtest.Server, permissions ...string) string {
	var list []map[string]any
	for _, p := range permissions {
		action, rest, _ := strings.Cut(p, ":")
		kind, id, _ := strings.Cut(rest, "/")
		resource := map[string]any{"type": kind, "orgID": s.OrgID()}
		if kind == "orgs" {
			resource = map[string]any{"type": kind, "id": s.OrgID()}
		} else if id != "" {
			resource["id"] = id
		}
		list = append(list, map[string]any{"action": action, "resource": resource})
	}
	var made struct{ ID, Token string }
	require.NoError(t, s.Do("POST", "/api/v2/authorizations", map[string]any{"orgID": s.OrgID(), "permissions": list, "description": t.Name()}, &made))
	t.Cleanup(func() { require.NoError(t, s.Do("DELETE", "/api/v2/authorizations/"+made.ID, nil, nil)) })
	require.NotEmpty(t, made.Token)
	return made.Token
}

// scope is prepare.Scope as the server names it.
var scope = []string{"read:orgs", "read:buckets", "write:buckets", "read:tasks", "write:tasks"}

// The scope that is stated is enough, and without any part of it an error says
// what the token has to allow.
func TestTheStatedScopeIsEnoughAndNeeded(t *testing.T) {
	s := influxtest.Start(t)
	for i := range scope {
		t.Run("without "+strings.ReplaceAll(scope[i], ":", " "), func(t *testing.T) {
			bucket, daily, site := names(t, s)
			o := options(s, bucket, daily, site)
			o.Token = token(t, s, append(append([]string{}, scope[:i]...), scope[i+1:]...)...)
			_, err := prepare.Stores(context.Background(), o)
			if err == nil { // what may not be seen is made, and is in the way the next time
				_, err = prepare.Stores(context.Background(), o)
			}
			require.ErrorContains(t, err, prepare.Scope)
			require.NotContains(t, err.Error(), o.Token)
		})
	}
	bucket, daily, site := names(t, s)
	o := options(s, bucket, daily, site)
	o.Token = token(t, s, scope...)
	p, err := prepare.Stores(context.Background(), o)
	require.NoError(t, err, "%v", p.Steps)
	again, err := prepare.Stores(context.Background(), o)
	require.NoError(t, err)
	require.Equal(t, []string{"kept", "kept", "kept", "kept"}, dids(again))
}

func TestFaults(t *testing.T) {
	s := influxtest.Start(t)
	bucket, _, site := names(t, s)
	o := options(s, bucket, "", site)
	o.Influx.Organisation = "nobody"
	_, err := prepare.Stores(context.Background(), o)
	require.ErrorContains(t, err, "find organisation nobody at "+s.URL)

	o = options(s, bucket, "", site)
	o.Token = "wrong-s3cret"
	_, err = prepare.Stores(context.Background(), o)
	require.ErrorContains(t, err, prepare.Scope)
	require.NotContains(t, err.Error(), "s3cret")

	o = options(s, bucket, "", site)
	o.Influx.URL = "http://127.0.0.1:1"
	_, err = prepare.Stores(context.Background(), o)
	require.ErrorContains(t, err, "find organisation")

	o.Influx.CAFile = filepath.Join(t.TempDir(), "ca.pem")
	_, err = prepare.Stores(context.Background(), o)
	require.ErrorIs(t, err, os.ErrNotExist)
	require.NoError(t, os.WriteFile(o.Influx.CAFile, []byte("no certificate"), 0o600))
	_, err = prepare.Stores(context.Background(), o)
	require.ErrorContains(t, err, "should be PEM")

	// Done until the fault.
	proxy := influxtest.NewProxy(t, s.URL)
	o = options(s, bucket, bucket+"-daily", site)
	o.Influx.URL = proxy.URL
	proxy.Each(func(r influxtest.Request) influxtest.Fault {
		if r.Path == "/api/v2/tasks" {
			return influxtest.Answer(500, `{"code":"internal error","message":"out of order"}`)
		}
		return influxtest.Pass()
	})
	p, err := prepare.Stores(context.Background(), o)
	require.ErrorContains(t, err, "out of order")
	require.Equal(t, []string{"kept", "made", "made"}, dids(p))
}

func TestNamesCannotLeaveTheirPlaceInTheScript(t *testing.T) {
	script, err := prepare.Script("s", "UTC", `a" |> drop() //${1+1}\`, "b\n")
	require.NoError(t, err)
	require.Contains(t, script, `from(bucket: "a\" |> drop() //\x24{1+1}\\")`)
	require.Contains(t, script, `to(bucket: "b\x0a")`)
	_, err = prepare.Script("s", "Nowhere/Town", "a", "b")
	require.ErrorContains(t, err, "Nowhere/Town")
}

// ask sends a request with a token and gives the status.
func ask(t *testing.T, s *influxtest.Server, token, path, kind, body string) int {
	req, err := http.NewRequest(http.MethodPost, s.URL+path, strings.NewReader(body))
	require.NoError(t, err)
	req.Header.Set("Authorization", "Token "+token)
	req.Header.Set("Content-Type", kind)
	answer, err := http.DefaultClient.Do(req)
	require.NoError(t, err)
	require.NoError(t, answer.Body.Close())
	return answer.StatusCode
}

// What each token is said to allow is enough for what it is for, and allows
// nothing else.
func TestTheTokensOfEveryDay(t *testing.T) {
	s := influxtest.Start(t)
	bucket, daily, site := names(t, s)
	p, err := prepare.Stores(context.Background(), options(s, bucket, daily, site))
	require.NoError(t, err)
	writes := func(token, to string) int {
		return ask(t, s, token, "/api/v2/write?precision=ns&org="+s.Org+"&bucket="+to, "text/plain", fmt.Sprintf("run,channel=hours,device=elev1,site=%s hours=1 %d\n", site, time.Now().UnixNano()))
	}
	deletes := func(token string) int {
		return ask(t, s, token, "/api/v2/delete?org="+s.Org+"&bucket="+bucket, "application/json", `{"start":"2026-01-01T00:00:00Z","stop":"2026-01-02T00:00:00Z","predicate":"_measurement=\"run\""}`)
	}
	reads := func(token, from string) int {
		return ask(t, s, token, "/api/v2/query?org="+s.Org, "application/vnd.flux", fmt.Sprintf("from(bucket: %q) |> range(start: -1h)", from))
	}
	forwards := token(t, s, "write:buckets/"+p.BucketID)
	require.Equal(t, 204, writes(forwards, bucket))
	require.Equal(t, 204, deletes(forwards), "what is taken away here is taken away there")
	require.GreaterOrEqual(t, writes(forwards, daily), 400)
	require.GreaterOrEqual(t, reads(forwards, bucket), 400, "a gateway that is stolen reads nothing")

	analyst := token(t, s, "read:buckets/"+p.BucketID, "read:buckets/"+p.DailyBucketID)
	require.Equal(t, 200, reads(analyst, bucket))
	require.Equal(t, 200, reads(analyst, daily))
	require.GreaterOrEqual(t, writes(analyst, bucket), 400)
	require.GreaterOrEqual(t, deletes(analyst), 400)

	advice := prepare.Tokens(options(s, bucket, daily, site), p)
	require.Len(t, advice, 2)
	require.Equal(t, "influx auth create --org terminal --write-bucket "+p.BucketID+` --description "dwindle serve at `+site+`"`, advice[0].Command)
	require.Equal(t, "influx auth create --org terminal --read-bucket "+p.BucketID+" --read-bucket "+p.DailyBucketID+` --description "reading `+site+`"`, advice[1].Command)
}

// The server works the figures out where it reads, day by day, and never takes
// the readings themselves into the query, which a small machine has no memory
// for.
func TestTheTaskReadsNoReadingsIntoMemory(t *testing.T) {
	s := influxtest.Start(t)
	bucket, daily, site := names(t, s)
	_, err := prepare.Stores(context.Background(), options(s, bucket, daily, site))
	require.NoError(t, err)
	script, err := prepare.Script(site, "Europe/Berlin", bucket, daily)
	require.NoError(t, err)
	line, err := schema.Append(nil, site, reading.Reading{Channel: reading.Channel{Device: "disp-007", Quantity: reading.LevelPercent}, At: time.Now().Add(-24 * time.Hour), Received: time.Now(), Value: 50})
	require.NoError(t, err)
	s.Write(t, bucket, string(line))
	operators := map[string]int{}
	for _, r := range s.Query(t, strings.Replace(script, "import \"timezone\"\n", "import \"timezone\"\nimport \"profiler\"\noption profiler.enabledProfilers = [\"operator\"]\n", 1)) {
		if r["_measurement"] == "profiler/operator" {
			operators[r["Type"]]++
		}
	}
	require.Contains(t, operators, "*influxdb.readWindowAggregateSource", "%v", operators)
	require.NotContains(t, operators, "*influxdb.readFilterSource", "%v", operators)
}

// With https the server has to show a certificate of the given authority.
func TestTheServersCertificateIsChecked(t *testing.T) {
	s := influxtest.Start(t)
	bucket, _, site := names(t, s)
	target, err := url.Parse(s.URL)
	require.NoError(t, err)
	front := httptest.NewUnstartedServer(httputil.NewSingleHostReverseProxy(target))
	front.Config.ErrorLog = log.New(io.Discard, "", 0) // of the handshake that is to fail
	front.StartTLS()
	t.Cleanup(front.Close)
	o := options(s, bucket, "", site)
	o.Influx.URL = front.URL
	_, err = prepare.Stores(context.Background(), o)
	require.ErrorContains(t, err, "certificate signed by unknown authority")
	o.Influx.CAFile = filepath.Join(t.TempDir(), "ca.pem")
	require.NoError(t, os.WriteFile(o.Influx.CAFile, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: front.Certificate().Raw}), 0o600))
	p, err := prepare.Stores(context.Background(), o)
	require.NoError(t, err)
	require.Equal(t, []string{"kept", "made"}, dids(p))
}

// The token goes nowhere else.
func TestATokenIsNotSentOn(t *testing.T) {
	s := influxtest.Start(t)
	bucket, _, site := names(t, s)
	var came atomic.Int64
	elsewhere := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { came.Add(1) }))
	t.Cleanup(elsewhere.Close)
	front := httptest.NewServer(http.RedirectHandler(elsewhere.URL, http.StatusTemporaryRedirect))
	t.Cleanup(front.Close)
	t.Setenv("HTTP_PROXY", elsewhere.URL)
	o := options(s, bucket, "", site)
	o.Influx.URL = front.URL
	_, err := prepare.Stores(context.Background(), o)
	require.ErrorContains(t, err, "find organisation")
	require.Zero(t, came.Load())
}
