package influxtest_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/influx/influxtest"
)

// echo is a server that counts its requests and answers with the body.
func echo(t *testing.T) (address string, got *atomic.Int64) {
	got = new(atomic.Int64)
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			return // broken off: not taken
		}
		got.Add(1)
		_, _ = w.Write(body)
	}))
	t.Cleanup(srv.Close)
	return srv.URL, got
}

// send posts a body and returns the status, the answer and its head; an error
// comes from the connection.
func send(ctx context.Context, address, body string) (int, string, http.Header, error) {
	// A transport of its own, without a retry on a connection that was kept.
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	req, err := http.NewRequestWithContext(ctx, "POST", address+"/api/v2/write?bucket=b", strings.NewReader(body))
	if err != nil {
		return 0, "", nil, err
	}
	req.Header.Set("Authorization", "Token secret")
	resp, err := client.Do(req)
	if err != nil {
		return 0, "", nil, err
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	return resp.StatusCode, string(text), resp.Header, err
}

func TestEachFaultDoesWhatItSays(t *testing.T) {
	const body = "run,device=g1 hours=1 1"
	for name, c := range map[string]struct {
		fault  influxtest.Fault
		status int    // of the answer; 0: none
		text   string // of the answer
		broken bool   // the answer, or that there is none
		taken  bool   // by the server
	}{
		"pass":             {influxtest.Pass(), 200, body, false, true},
		"answer":           {influxtest.Answer(429, `{"code":"too many"}`).With("Retry-After", "7"), 429, `{"code":"too many"}`, false, false},
		"cut before":       {influxtest.CutBefore(), 0, "", true, false},
		"cut in body":      {influxtest.CutBody(5), 0, "", true, false},
		"cut at the end":   {influxtest.CutBody(1000), 0, "", true, false},
		"cut after":        {influxtest.CutAfter(), 0, "", true, true},
		"late":             {influxtest.Late(time.Millisecond), 200, body, false, true},
		"slow":             {influxtest.Slow(1000), 200, body, false, true},
		"truncated answer": {influxtest.Truncate(3), 200, body[:3], true, true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			address, got := echo(t)
			proxy := influxtest.NewProxy(t, address)
			proxy.Next(c.fault)
			status, text, head, err := send(t.Context(), proxy.URL, body)
			require.Equal(t, c.status, status)
			require.Equal(t, c.text, text)
			if c.broken {
				require.Error(t, err)
			} else {
				require.NoError(t, err)
			}
			if name == "answer" {
				require.Equal(t, "7", head.Get("Retry-After"))
				require.Contains(t, head.Get("Content-Type"), "json")
			}
			proxy.Await(1, time.Minute)
			require.Equal(t, c.taken, got.Load() == 1)
			seen := proxy.Requests()
			require.Len(t, seen, 1)
			require.Equal(t, "Token secret", seen[0].Authorization)
			require.Equal(t, "/api/v2/write", seen[0].Path)
			require.Equal(t, "b", seen[0].Query.Get("bucket"))
			require.Equal(t, c.status, seen[0].Status)
			require.Empty(t, seen[0].Body, "bodies are not kept unless wanted")

			status, text, _, err = send(t.Context(), proxy.URL, body)
			require.NoError(t, err)
			require.Equal(t, 200, status, "one fault for one request")
			require.Equal(t, body, text)
		})
	}
}

func TestAHangingServerTakesAllAndAnswersNothing(t *testing.T) {
	address, got := echo(t)
	proxy := influxtest.NewProxy(t, address)
	proxy.Keep()
	proxy.Next(influxtest.Hang())
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() {
		_, _, _, err := send(ctx, proxy.URL, "abc")
		ended <- err
	}()
	for len(proxy.Requests()) == 0 {
		time.Sleep(time.Millisecond)
	}
	require.False(t, proxy.Requests()[0].Done)
	select {
	case err := <-ended:
		require.Fail(t, "an answer", err)
	case <-time.After(20 * time.Millisecond):
	}
	cancel()
	require.ErrorIs(t, <-ended, context.Canceled)
	proxy.Await(1, time.Minute)
	require.Zero(t, got.Load())
	require.Equal(t, "abc", string(proxy.Requests()[0].Body))

	// A proxy that goes down lets nobody hang.
	proxy.All(influxtest.Hang())
	go func() {
		_, _, _, err := send(t.Context(), proxy.URL, "abc")
		ended <- err
	}()
	for len(proxy.Requests()) < 2 {
		time.Sleep(time.Millisecond)
	}
	proxy.Down()
	require.Error(t, <-ended)
	_, _, _, err := send(t.Context(), proxy.URL, "abc")
	require.ErrorContains(t, err, "refused")
	proxy.Clear()
	proxy.Up()
	_, text, _, err := send(t.Context(), proxy.URL, "abc")
	require.NoError(t, err)
	require.Equal(t, "abc", text)
}

func TestAScriptIsFollowedInOrder(t *testing.T) {
	address, _ := echo(t)
	proxy := influxtest.NewProxy(t, address)
	proxy.Each(func(r influxtest.Request) influxtest.Fault {
		if r.Method == http.MethodPost && r.Query.Get("bucket") == "b" {
			return influxtest.Answer(503, "busy")
		}
		return influxtest.Pass()
	})
	proxy.Next(influxtest.Answer(401, ""), influxtest.Pass())
	var got []int
	for range 4 {
		status, _, _, err := send(t.Context(), proxy.URL, "x")
		require.NoError(t, err)
		got = append(got, status)
	}
	require.Equal(t, []int{401, 200, 503, 503}, got)
	seen := proxy.Requests()
	require.Len(t, seen, 4)
	require.False(t, seen[1].At.Before(seen[0].At))
	proxy.Forget()
	require.Empty(t, proxy.Requests())
	proxy.Clear()
	other, taken := echo(t)
	proxy.Target(other)
	status, _, _, err := send(t.Context(), proxy.URL, "x")
	require.NoError(t, err)
	require.Equal(t, 200, status)
	require.EqualValues(t, 1, taken.Load())
}

func TestBodiesAreUnpacked(t *testing.T) {
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	_, err := z.Write([]byte("run hours=1"))
	require.NoError(t, err)
	require.NoError(t, z.Close())
	text, err := influxtest.Request{Encoding: "gzip", Body: packed.Bytes()}.Text()
	require.NoError(t, err)
	require.Equal(t, "run hours=1", text)
	text, err = influxtest.Request{Body: []byte("run hours=1")}.Text()
	require.NoError(t, err)
	require.Equal(t, "run hours=1", text)
	_, err = influxtest.Request{Encoding: "gzip", Body: packed.Bytes()[:12]}.Text()
	require.Error(t, err)
}

// What the proxy says it does must be so for the real server: nothing of a body
// that was cut is stored, and all of one whose answer was lost.
func TestARealServerBehindTheProxy(t *testing.T) {
	srv := influxtest.Start(t)
	bucket := srv.Bucket(t)
	proxy := influxtest.NewProxy(t, srv.URL)
	through := *srv
	through.URL = proxy.URL
	lines := "run,device=g1 hours=1 1\nrun,device=g1 hours=2 2\nrun,device=g1 hours=3 3"
	path := "/api/v2/write?org=" + srv.Org + "&bucket=" + bucket

	proxy.Next(influxtest.CutBody(40), influxtest.CutBody(1000))
	for range 2 {
		require.Error(t, through.Do("POST", path, lines, nil))
		require.Zero(t, srv.Count(t, bucket))
	}
	proxy.Next(influxtest.CutAfter())
	require.Error(t, through.Do("POST", path, lines, nil))
	require.Equal(t, 3, srv.Count(t, bucket))
	require.NoError(t, through.Do("POST", path, lines, nil))
	require.Equal(t, 3, srv.Count(t, bucket), "the same once more changes nothing")
	require.Equal(t, 3, through.Count(t, bucket), "queries pass too")

	through.Token = "wrong"
	var refused *influxtest.StatusError
	require.ErrorAs(t, through.Do("POST", path, lines, nil), &refused)
	require.Equal(t, 401, refused.Status)
}
