package outbox

import (
	"fmt"
	"net/http"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/health"
	"dwindle/collector/influx/connect"
)

// first answers the first requests so, and takes what comes after.
func first(times int, s said) func(int, []string) said {
	return func(n int, _ []string) said {
		if n < times {
			return s
		}
		return said{status: 204}
	}
}

// The table of answers that let everything wait: what is seen meanwhile, and
// that all is there once afterwards.
func TestWhatWaits(t *testing.T) {
	after := func(v string) http.Header { return http.Header{"Retry-After": {v}} }
	date := func(d time.Duration) http.Header {
		// The clock of a bubble begins at midnight UTC, 2000-01-01.
		return after(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC).Add(d).Format(http.TimeFormat))
	}
	tests := []struct {
		name     string
		said     said
		least    time.Duration // before the second request, of two that follow the failures
		most     time.Duration
		level    health.Level
		what     string
		try      string
		requests int // with one failure
	}{
		{"401", said{status: 401, body: `{"code":"unauthorized","message":"unauthorized access"}`}, time.Minute, 67 * time.Second, health.Bad,
			"refuses the token (401 unauthorized: unauthorized access)", "token", 2},
		{"403", said{status: 403, body: `{"code":"forbidden","message":"insufficient permissions for write"}`}, time.Minute, 67 * time.Second, health.Bad,
			"insufficient permissions", "may write to bucket lube", 2},
		{"404 bucket", said{status: 404, body: `{"code":"not found","message":"bucket \"lube\" not found"}`}, time.Minute, 67 * time.Second, health.Bad,
			`bucket "lube" not found`, "--prepare-stores", 2},
		{"404 organisation", said{status: 404, body: `{"code":"not found","message":"organization name \"terminal\" not found"}`}, time.Minute, 67 * time.Second, health.Bad,
			"organization name", "organisation:", 2},
		{"429 with seconds", said{status: 429, header: after("90"), body: `{"code":"too many requests","message":"rate limit"}`}, 90 * time.Second, 100 * time.Second, health.Warn,
			"too busy (429 too many requests: rate limit)", "as it asks", 2},
		{"503 with a date", said{status: 503, header: date(2 * time.Minute)}, 110 * time.Second, 135 * time.Second, health.Warn, "too busy (503 service unavailable)", "attempts go on", 2},
		{"503 with a day", said{status: 503, header: after("86400")}, 15 * time.Minute, 17 * time.Minute, health.Bad, "too busy", "", 2},
		{"503 with nonsense", said{status: 503, header: after("soon")}, time.Second, 2200 * time.Millisecond, health.Warn, "too busy", "", 2},
		{"429 with nothing", said{status: 429}, time.Second, 2 * time.Second, health.Warn, "too busy (429 too many requests)", "", 2},
		{"429 with zero", said{status: 429, header: after("0")}, time.Second, 2200 * time.Millisecond, health.Warn, "too busy", "", 2},
		{"500", said{status: 500, body: `{"code":"internal error","message":"out of disk"}`}, time.Second, 2 * time.Second, health.Warn, "fails (500 internal error: out of disk)", "server's log", 2},
		{"500, written all the same", said{status: 500, takes: true, body: `{"code":"internal error","message":"timeout"}`}, time.Second, 2 * time.Second, health.Warn, "fails (500", "", 2},
		{"502 of a proxy", said{status: 502, body: "<html>bad\r\n gateway</html>"}, time.Second, 2 * time.Second, health.Warn, "<html>bad gateway</html>", "", 2},
		{"200 of something else", said{status: 200, body: "<html>log in</html>"}, time.Second, 2 * time.Second, health.Bad, "answers as no receiver of points does (200 <html>log in</html>)", "url:", 2},
		{"302 elsewhere", said{status: 302, header: http.Header{"Location": {"http://elsewhere.test/"}}}, time.Second, 2 * time.Second, health.Bad,
			"sends us on to http://elsewhere.test/", "url:", 2},
		{"307 elsewhere", said{status: 307, header: http.Header{"Location": {"http://elsewhere.test/"}}}, time.Second, 2 * time.Second, health.Bad, "elsewhere", "url:", 2},
		{"405", said{status: 405}, time.Second, 2 * time.Second, health.Bad, "405 method not allowed", "url:", 2},
		{"JSON that means other things", said{status: 500, body: `{"StatusCode":204,"Err":{},"RetryAfter":9999,"message":"x"}`}, time.Second, 2 * time.Second, health.Warn, "fails (500 x)", "", 2},
		{"the token in the answer", said{status: 500, body: "you sent Token " + secret}, time.Second, 2 * time.Second, health.Warn, "you sent Token ***", "", 2},
		{"cut before the commit", said{cut: true}, time.Second, 2 * time.Second, health.Warn, "no answer from InfluxDB at influx.test:8086: EOF", "server runs", 2},
		{"cut after the commit", said{cut: true, takes: true}, time.Second, 2 * time.Second, health.Warn, "no answer", "", 2},
		{"accepts and answers nothing", said{silent: time.Hour}, 61 * time.Second, 63 * time.Second, health.Warn, "no answer in time", "", 2},
		{"written, and answers nothing", said{silent: time.Hour, takes: true}, 61 * time.Second, 63 * time.Second, health.Warn, "no answer in time", "", 2},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := newServer(t)
				s.says(first(1, test.said))
				b := newBox(Parcel{Readings: hours("belt-q1", 300)})
				x := work(t, b, s, nil)
				lapse(test.least - 10*time.Millisecond)
				require.Equal(t, 1, s.asked(), "too soon")
				// The silent answer comes to an end by the deadline only.
				if test.said.silent == 0 || test.least > usualTimes.header {
					c := x.check()
					require.Contains(t, c.What, test.what)
					require.Contains(t, c.Try, test.try)
					require.Equal(t, test.level, c.Level, c.What)
					require.Contains(t, c.What, "300 wait")
					require.Equal(t, test.least > 20*time.Second && test.said.silent == 0, strings.Contains(c.Try, "; the next try is at 00:"), c.Try)
				}
				x.drained(test.most)
				require.LessOrEqual(t, s.at()[1], test.most)
				require.Equal(t, test.requests, s.asked())
				require.Equal(t, 300, len(s.lines))
				require.Zero(t, s.rewrites)
				require.Empty(t, b.refused)
				require.Equal(t, health.Ok, x.check().Level)
				require.EqualValues(t, 1, x.Stats().Retried)
				require.EqualValues(t, 300, x.Stats().Written)
				for _, host := range s.hosts {
					require.Equal(t, "influx.test:8086", host)
				}
				x.stop()
				x.quiet()
			})
		})
	}
}

// While nothing is taken, whatever the answer, the server is asked less than
// once a second, and never again and again in a moment.
func TestNoHotLoop(t *testing.T) {
	for _, said := range []said{
		{status: 401}, {status: 404}, {status: 429}, {status: 503, header: http.Header{"Retry-After": {"0"}}},
		{status: 500}, {status: 200}, {status: 302, header: http.Header{"Location": {"/"}}}, {cut: true}, {cut: true, takes: true}, {silent: time.Hour},
	} {
		t.Run(fmt.Sprintf("%d %v %v", said.status, said.cut, said.silent), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := newServer(t)
				s.says(first(1<<30, said))
				b := newBox(Parcel{Readings: hours("belt-q1", 30)}, Parcel{Readings: hours("belt-q2", 30)})
				x := work(t, b, s, nil)
				lapse(time.Hour)
				at := s.at()
				require.Greater(t, len(at), 20, "it tries on")
				require.Less(t, len(at), 300)
				for i := 1; i < len(at); i++ {
					require.GreaterOrEqual(t, at[i]-at[i-1], time.Second)
				}
				require.Equal(t, health.Bad, x.check().Level, "after so long")
				require.Len(t, b.waiting, 2)
				require.Empty(t, b.refused)
				x.stop()
			})
		})
	}
}

// A token that was replaced is used for the next try.
func TestTheTokenIsReadForEachTry(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newServer(t)
		s.says(func(n int, _ []string) said {
			s.mu.Lock()
			defer s.mu.Unlock()
			if s.tokens[n] == "Token new" {
				return said{status: 204}
			}
			return said{status: 401, body: `{"code":"unauthorized","message":"unauthorized access"}`}
		})
		b := newBox(Parcel{Readings: hours("belt-q1", 3)})
		var file string
		x := work(t, b, s, func(o *Options) { file = o.TokenFile })
		lapse(10 * time.Second)
		require.Equal(t, []string{"Token " + secret}, s.tokens)
		require.NoError(t, os.Remove(file)) // in mid-replacement
		lapse(80 * time.Second)
		require.Contains(t, x.check().What, "no token")
		require.Equal(t, health.Bad, x.check().Level)
		require.Equal(t, 1, s.asked(), "nothing is sent without a token")
		require.NoError(t, os.WriteFile(file, []byte("two words"), 0o600))
		lapse(time.Minute)
		require.Contains(t, x.check().What, "does not hold one word")
		require.NoError(t, os.WriteFile(file, []byte("new\n"), 0o600))
		x.drained(2 * time.Minute)
		require.Equal(t, 3, len(s.lines))
		x.stop()
		x.quiet()
	})
}

func TestSettingsThatCannotBe(t *testing.T) {
	good := Options{URL: "http://127.0.0.1:8086", Organisation: "o", Bucket: "b", Site: "s", Outbox: newBox()}
	_, err := New(good)
	require.NoError(t, err)
	for name, change := range map[string]func(*Options){
		"holds an account":     func(o *Options) { o.URL = "http://u:" + secret + "@host:8086" },
		"cannot be read":       func(o *Options) { o.URL = "http://u:" + secret + "@%zz" },
		"not supported":        func(o *Options) { o.URL = "ftp://host" },
		"more than an address": func(o *Options) { o.URL = "http://host:8086?token=" + secret },
		"bucket":               func(o *Options) { o.Bucket = "" },
		"no site":              func(o *Options) { o.Site = "" },
		"no outbox":            func(o *Options) { o.Outbox = nil },
		"ca_file":              func(o *Options) { o.CAFile = "/nowhere" },
		"below zero":           func(o *Options) { o.BatchRows = -1 },
	} {
		t.Run(name, func(t *testing.T) {
			opt := good
			change(&opt)
			_, err := New(opt)
			require.ErrorContains(t, err, name)
			require.NotContains(t, err.Error(), secret)
		})
	}
}

func TestWordsAreBounded(t *testing.T) {
	require.Equal(t, "a b ***?", clean("a\n\tb "+secret+"\xff", secret))
	long := clean(strings.Repeat("ü", 10_000), "")
	require.LessOrEqual(t, len(long), maxWords+4)
	require.True(t, strings.HasSuffix(long, "ü ..."))
	// A token that the cut would halve is not shown in part.
	require.NotContains(t, clean(strings.Repeat("x", 4*maxWords-5)+secret, secret), secret[:5])
}

// Whatever a server says: no token in it, bounded, and of the status that it came
// with.
func FuzzAnswer(f *testing.F) {
	for _, body := range []string{
		"", "{}", `{"code":"invalid","message":"unable to parse 'a b': missing fields"}`, `{"message":5}`, "<html>",
		`{"code":"unprocessable entity","message":"partial write: field type conflict: input field \"f\" on measurement \"m\" is type integer, already exists as type float dropped=2"}`,
		`{"StatusCode":204}`, "unable to parse '", "dropped=99999999999999999999", "Token " + secret,
	} {
		for _, status := range []int{200, 302, 400, 413, 422, 500} {
			f.Add(status, "7", body)
		}
	}
	f.Fuzz(func(t *testing.T, status int, again, body string) {
		a := answer{status: status}
		a.read(http.Header{"Retry-After": {again}, "Location": {body}}, []byte(body), secret)
		require.Equal(t, status, a.status)
		require.Equal(t, status == 204, a.reaction() == written)
		require.LessOrEqual(t, len(a.words()), 2*maxWords+20)
		require.NotContains(t, a.words(), secret)
		require.NotContains(t, a.words(), "\n")
		require.GreaterOrEqual(t, a.dropped, 0)
		for _, why := range a.named {
			require.NotContains(t, why, secret)
		}
		if d, ok := connect.RetryAfter(again, time.Unix(0, 0)); ok {
			require.GreaterOrEqual(t, d, time.Duration(0))
			require.LessOrEqual(t, d, 24*time.Hour)
		}
		require.GreaterOrEqual(t, usualTimes.after(a, 3, time.Unix(0, 0)), time.Second)
	})
}
