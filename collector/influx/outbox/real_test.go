package outbox

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"io"
	"log"
	"math/big"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/health"
	"dwindle/collector/influx/influxtest"
	"dwindle/collector/influx/schema"
	"dwindle/collector/reading"
)

// quick times, for servers that are real.
var quickTimes = times{
	dial: 5 * time.Second, header: 2 * time.Second, request: 20 * time.Second,
	first: 20 * time.Millisecond, longest: 100 * time.Millisecond, access: 100 * time.Millisecond, retryAfter: time.Minute,
}

// real is a sender at work on a real server, perhaps through a proxy.
type real struct {
	*Sender
	t      *testing.T
	box    *box
	health *health.Checks
	stop   func()
}

// send starts a sender that writes to a bucket at an address.
func send(t *testing.T, b *box, srv *influxtest.Server, url, bucket string, change func(*Options)) *real {
	t.Helper()
	x := &real{t: t, box: b, health: health.New(nil)}
	file := filepath.Join(t.TempDir(), "token")
	opt := Options{
		URL: url, Organisation: "terminal", Bucket: bucket, Site: "riverside", Outbox: b, Health: x.health,
		Every: 10 * time.Millisecond, times: quickTimes, TokenFile: file,
	}
	token := "none"
	if srv != nil {
		opt.Organisation, token = srv.Org, srv.Token
	}
	require.NoError(t, os.WriteFile(file, []byte(token), 0o600))
	if change != nil {
		change(&opt)
	}
	x.Sender, x.stop = running(t, opt)
	return x
}

func (x *real) drained(within time.Duration) {
	x.t.Helper()
	for end := time.Now().Add(within); !x.box.all(); time.Sleep(10 * time.Millisecond) {
		require.True(x.t, time.Now().Before(end), "still waiting after %v: %v", within, x.health.List())
	}
}

// stored are the values of one field in a bucket, by device and time in ns.
func stored(t testing.TB, srv *influxtest.Server, bucket, measurement, field string) map[string]string {
	t.Helper()
	out := map[string]string{}
	for _, row := range srv.Query(t, fmt.Sprintf(`from(bucket: %q) |> range(start: 1990-01-01T00:00:00Z, stop: 2200-01-01T00:00:00Z)
		|> filter(fn: (r) => r._measurement == %q and r._field == %q) |> keep(columns: ["_time", "_value", "device"])`, bucket, measurement, field)) {
		at, err := time.Parse(time.RFC3339Nano, row["_time"])
		require.NoError(t, err)
		key := fmt.Sprintf("%s %d", row["device"], at.UnixNano())
		_, twice := out[key]
		require.False(t, twice, "there twice: %s", key)
		out[key] = row["_value"]
	}
	return out
}

// requireStored wants the hours of these readings in a bucket, and nothing else.
func requireStored(t testing.TB, srv *influxtest.Server, bucket string, readings []reading.Reading) {
	t.Helper()
	got := stored(t, srv, bucket, "run", "hours")
	for _, r := range readings {
		value, err := strconv.ParseFloat(got[fmt.Sprintf("%s %d", r.Device, r.At.UnixNano())], 64)
		require.NoError(t, err, "%s at %s", r.Device, r.At)
		require.Equal(t, r.Value, value)
	}
	require.Equal(t, len(readings), len(got))
}

// Every fault between here and a real server: all is there once afterwards.
func TestFaultsBeforeARealServer(t *testing.T) {
	srv := influxtest.Start(t)
	for name, faults := range map[string][]influxtest.Fault{
		"denied":               {influxtest.Answer(401, `{"code":"unauthorized","message":"unauthorized access"}`), influxtest.Answer(403, "{}")},
		"missing":              {influxtest.Answer(404, `{"code":"not found","message":"bucket not found"}`)},
		"busy":                 {influxtest.Answer(429, "").With("Retry-After", "0"), influxtest.Answer(503, "{}"), influxtest.Answer(503, "").With("Retry-After", "Thu, 01 Jan 1970 00:00:00 GMT")},
		"fails":                {influxtest.Answer(500, "{}"), influxtest.Answer(502, "<html>"), influxtest.Answer(504, "")},
		"no receiver":          {influxtest.Answer(200, "hello"), influxtest.Answer(302, "").With("Location", "http://127.0.0.1:1/")},
		"cut before":           {influxtest.CutBefore(), influxtest.CutBefore()},
		"cut in the body":      {influxtest.CutBody(100), influxtest.CutBody(3000)},
		"cut after the commit": {influxtest.CutAfter(), influxtest.CutAfter()},
		"too large":            {influxtest.Answer(413, `{"code":"request too large","message":"body"}`), influxtest.Answer(413, "")},
		"hangs":                {influxtest.Hang()},
		"cut in the answer":    {influxtest.Truncate(0)},
		"slow":                 {influxtest.Slow(100_000)},
		"late":                 {influxtest.Late(300 * time.Millisecond)},
		"one after the other":  {influxtest.CutAfter(), influxtest.Answer(503, ""), influxtest.CutBody(500), influxtest.Answer(401, ""), influxtest.Hang(), influxtest.Answer(500, "")},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			bucket := srv.Bucket(t)
			proxy := influxtest.NewProxy(t, srv.URL)
			var all []reading.Reading
			b := newBox()
			for i := range 3 {
				r := hours(fmt.Sprintf("belt-q%d", i), 800)
				all = append(all, r...)
				b.put(Parcel{Readings: r})
			}
			proxy.Next(influxtest.Pass()) // amid the work
			proxy.Next(faults...)
			x := send(t, b, srv, proxy.URL, bucket, nil)
			x.drained(20 * time.Second)
			x.stop()
			requireStored(t, srv, bucket, all)
			require.Empty(t, b.refused)
			require.GreaterOrEqual(t, len(proxy.Requests()), 3)
		})
	}
}

// Poison before a real server: exactly the bad points are kept aside, with its
// words, and everything else is there once.
func TestPoisonForARealServer(t *testing.T) {
	srv := influxtest.Start(t)
	bucket := srv.Bucket(t)
	// Somebody has written grams as integers.
	srv.Write(t, bucket, fmt.Sprintf("level,channel=grams,device=other,site=riverside grams=5i %d", start.UnixNano()))
	grams := hours("disp-1", 5000)
	for i := range grams {
		grams[i].Quantity = reading.LevelGrams
	}
	good := hours("belt-q1", 4000)
	day := start.UnixNano()
	lines := []Line{
		{Text: []byte(fmt.Sprintf("usage,point=belt-q1-tail,site=riverside run_hours=7 %d", day))},
		{Text: []byte("usage,point=belt-q2-tail,site=riverside run_hours=")},
		{Text: []byte(fmt.Sprintf("usage,point=belt-q3-tail,site=riverside run_hours=nan %d", day))},
		{Text: []byte("it's not one: '")},
		{Text: []byte(fmt.Sprintf("usage,point=belt-q4-tail,site=riverside run_hours=8 %d", day))},
		{Text: []byte(fmt.Sprintf("usage,point=belt-q5-tail,site=riverside run_hours=8i %d", day))},
	}
	b := newBox(
		Parcel{Readings: append(good[:2000:2000], grams[:2500]...), Lines: lines},
		Parcel{Readings: append(grams[2500:], good[2000:]...)},
	)
	proxy := influxtest.NewProxy(t, srv.URL)
	x := send(t, b, srv, proxy.URL, bucket, nil)
	x.drained(30 * time.Second)
	x.stop()

	requireStored(t, srv, bucket, good)
	require.Len(t, stored(t, srv, bucket, "level", "grams"), 1, "the integer that was there")
	require.Empty(t, stored(t, srv, bucket, "level", "flags"), "no half of a bad point: the count says that they are none of the others'")
	usage := srv.Query(t, fmt.Sprintf(`from(bucket: %q) |> range(start: 0, stop: 2200-01-01T00:00:00Z) |> filter(fn: (r) => r._measurement == "usage")`, bucket))
	require.Len(t, usage, 2)
	byReason := map[string]int{}
	for _, r := range b.refused {
		byReason[r.Reason]++
		switch r.Reason {
		case TypeConflict:
			require.Contains(t, r.Words, "already exists as type")
		case Syntax:
			require.Contains(t, r.Words, "unable to parse: ")
		}
	}
	require.Equal(t, map[string]int{TypeConflict: 5001, Syntax: 3}, byReason)
	require.LessOrEqual(t, len(proxy.Requests()), 20, "the batch, what is left of it, and what it named")
}

// What is older than the bucket keeps is counted; the rest is there.
func TestRetentionOfARealServer(t *testing.T) {
	srv := influxtest.Start(t)
	bucket := "retention-" + strconv.FormatInt(time.Now().UnixNano(), 36)
	var made struct{ ID string }
	require.NoError(t, srv.Do("POST", "/api/v2/buckets", map[string]any{"orgID": srv.OrgID(), "name": bucket,
		"retentionRules": []any{map[string]any{"type": "expire", "everySeconds": 7 * 86400}}}, &made))
	t.Cleanup(func() { require.NoError(t, srv.Do("DELETE", "/api/v2/buckets/"+made.ID, nil, nil)) })
	now := time.Now().UTC().Truncate(time.Minute)
	old := now.Add(-7 * 24 * time.Hour)
	var all []reading.Reading
	for d := range 10 { // each belt over 14 days
		r := hours(fmt.Sprintf("belt-q%d", d), 700)
		for i := range r {
			r[i].At = now.Add(time.Duration(i-700)*29*time.Minute + time.Duration(d)*time.Second)
			r[i].Received = r[i].At
		}
		all = append(all, r...)
	}
	b := newBox(Parcel{Readings: all})
	proxy := influxtest.NewProxy(t, srv.URL)
	x := send(t, b, srv, proxy.URL, bucket, nil)
	x.drained(30 * time.Second)
	x.stop()
	// A point that is too old is taken all the same while a shard is there that
	// it belongs to, so what was refused is what the server says.
	aside := map[string]bool{}
	for _, r := range b.refused {
		require.Equal(t, BeyondRetention, r.Reason)
		require.True(t, r.At.Before(old.Add(time.Minute)), r.At)
		aside[fmt.Sprint(r.Channel.Device, r.At)] = true
	}
	require.Len(t, b.refused, len(aside))
	require.Greater(t, len(aside), 3000)
	requireStored(t, srv, bucket, slices.DeleteFunc(all, func(r reading.Reading) bool { return aside[fmt.Sprint(r.Device, r.At)] }))
	require.EqualValues(t, len(aside), x.Stats().Refused[BeyondRetention])
	require.LessOrEqual(t, len(proxy.Requests()), 40)
}

// Late ranges at a real server: what is gone goes, what is changed changes, and
// nothing beside is touched.
func TestLateRangesOfARealServer(t *testing.T) {
	srv := influxtest.Start(t)
	bucket := srv.Bucket(t)
	r := hours("belt-q1", 10)
	beside := hours("belt-q2", 10)
	machine := reading.Fact{ID: "f1", Kind: reading.FactChange, Device: "disp-1", At: start, Received: start}
	nobody := reading.Fact{ID: "f2", Kind: reading.FactChange, Point: "belt-q1-tail", At: start, Received: start}
	moved := reading.Fact{ID: "f3", Kind: reading.FactChange, Point: "belt-q2-tail", At: start, Received: start}
	b := newBox(Parcel{Readings: append(r[:10:10], beside...), Facts: []reading.StoredFact{{Fact: machine, Until: start}, {Fact: nobody, Until: start, Person: true}, {Fact: moved, Until: start}}})
	x := send(t, b, srv, srv.URL, bucket, nil)
	x.drained(10 * time.Second)
	requireStored(t, srv, bucket, append(r[:10:10], beside...))
	require.Len(t, stored(t, srv, bucket, "fact", "id"), 3)

	left := append([]reading.Reading{}, r[3], r[5])
	left[1].Value = 777
	b.put(Parcel{Readings: left, Late: 2, Ranges: []Range{
		{Channel: r[0].Channel, From: r[3].At, To: r[5].At, Gone: true},
		{Channel: reading.Channel{Device: "disp-1"}, Fact: reading.FactChange, From: start, To: start, Gone: true},
		{Fact: reading.FactChange, From: start, To: start, Gone: true}, // of no device: cannot be said
		{Fact: reading.FactChange, ID: "f3", From: start, To: start, Gone: true},
	}})
	x.drained(10 * time.Second)
	x.stop()
	want := append(append(append([]reading.Reading{}, r[:3]...), left...), r[6:]...)
	requireStored(t, srv, bucket, append(want, beside...))
	require.Equal(t, map[string]string{fmt.Sprintf(" %d", start.Add(schema.Slot("f2")).UnixNano()): "f2"}, stored(t, srv, bucket, "fact", "id"))
	feed := srv.Query(t, fmt.Sprintf(`from(bucket: %q) |> range(start: 0, stop: 2200-01-01T00:00:00Z) |> filter(fn: (r) => r._measurement == "late" and r._field == "from_ms")`, bucket))
	var channels []string
	for _, row := range feed {
		channels = append(channels, row["channel"])
	}
	require.ElementsMatch(t, []string{"fact", "fact", "fact", "fact", "run.hours"}, channels)
	require.EqualValues(t, 3, x.Stats().Deleted)
	require.EqualValues(t, 1, x.Stats().Undeleted)
}

// The second receiver takes the same.
func TestTheSecondReceiver(t *testing.T) {
	other := influxtest.Victoria(t)
	srv := influxtest.Start(t)
	bucket := srv.Bucket(t)
	var all []reading.Reading
	for d := range 5 {
		all = append(all, hours(fmt.Sprintf("belt-q%d", d), 2000)...)
	}
	gone := []Range{{Channel: all[0].Channel, From: all[0].At, To: all[0].At, Gone: true}}
	make := func() *box { return newBox(Parcel{Readings: all}, Parcel{Readings: all[:1], Late: 1, Ranges: gone}) }
	one, two := make(), make()
	x := send(t, one, srv, srv.URL, bucket, nil)
	y := send(t, two, nil, other.URL, bucket, nil)
	x.drained(20 * time.Second)
	y.drained(20 * time.Second)
	x.stop()
	y.stop()
	require.Empty(t, append(one.refused, two.refused...))
	requireStored(t, srv, bucket, all)
	got := other.Export(t, `{__name__="run_hours"}`)
	require.Len(t, got, 5)
	n := 0
	for _, series := range got {
		require.Equal(t, "riverside", series.Labels["site"])
		for i, at := range series.Times {
			require.Equal(t, all[i].At.UnixMilli(), at)
			require.InDelta(t, all[i].Value, series.Values[i], 1e-9, "it keeps some 13 digits")
			n++
		}
	}
	require.Equal(t, len(all), n)
	require.EqualValues(t, 1, y.Stats().Undeleted)
	require.EqualValues(t, 1, x.Stats().Deleted)
}

// With TLS the file of authorities is read for each connection, and nothing is
// sent to a server that it does not vouch for.
func TestTLS(t *testing.T) {
	var taken atomic.Int64
	srv := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		taken.Add(1)
		w.WriteHeader(http.StatusNoContent)
	}))
	srv.Config.ErrorLog = log.New(io.Discard, "", 0)
	srv.StartTLS()
	t.Cleanup(srv.Close)
	t.Setenv("HTTPS_PROXY", "http://127.0.0.1:1") // for others
	pemOf := func(der []byte) []byte { return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}) }
	// An authority that is not the server's.
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	stranger := &x509.Certificate{SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, stranger, stranger, key.Public(), key)
	require.NoError(t, err)
	ca := filepath.Join(t.TempDir(), "ca.pem")
	require.NoError(t, os.WriteFile(ca, pemOf(der), 0o600))
	b := newBox(Parcel{Readings: hours("belt-q1", 10)})
	x := send(t, b, nil, srv.URL, "lube", func(o *Options) { o.CAFile = ca })
	require.Eventually(t, func() bool {
		list := x.health.List()
		return len(list) == 1 && strings.Contains(list[0].What, "certificate signed by unknown authority")
	}, 10*time.Second, 10*time.Millisecond)
	require.Zero(t, taken.Load())
	require.NoError(t, os.WriteFile(ca, pemOf(srv.Certificate().Raw), 0o600))
	x.drained(10 * time.Second)
	x.stop()
	require.EqualValues(t, 1, taken.Load())
}

// A token that may not write, a bucket that is not there: health says so, and
// the points wait until both are put right.
func TestAccessToARealServer(t *testing.T) {
	srv := influxtest.Start(t)
	bucket := "later-" + strconv.FormatInt(time.Now().UnixNano(), 36)
	r := hours("belt-q1", 100)
	b := newBox(Parcel{Readings: r})
	var file string
	x := send(t, b, srv, srv.URL, bucket, func(o *Options) {
		file = o.TokenFile
		require.NoError(t, os.WriteFile(file, []byte("not-the-token"), 0o600))
	})
	says := func(words string) {
		t.Helper()
		require.Eventually(t, func() bool {
			list, err := json.Marshal(x.health.List())
			return err == nil && strings.Contains(string(list), words)
		}, 10*time.Second, 10*time.Millisecond, words)
	}
	says("401 unauthorized: unauthorized access")
	require.NoError(t, os.WriteFile(file, []byte(srv.Token), 0o600))
	says(`404 not found: bucket`)
	var made struct{ ID string }
	require.NoError(t, srv.Do("POST", "/api/v2/buckets", map[string]any{"orgID": srv.OrgID(), "name": bucket, "retentionRules": []any{}}, &made))
	t.Cleanup(func() { require.NoError(t, srv.Do("DELETE", "/api/v2/buckets/"+made.ID, nil, nil)) })
	x.drained(10 * time.Second)
	x.stop()
	requireStored(t, srv, bucket, r)
	require.Equal(t, health.Ok, x.health.Worst())
}
