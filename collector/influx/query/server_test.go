package query

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/collector/influx/influxtest"
	"dwindle/collector/influx/schema"
	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
)

var t0 = time.Date(2026, time.March, 2, 6, 0, 0, 0, time.UTC)

// open gives a reader of a bucket that does not wait between tries.
func open(t testing.TB, srv *influxtest.Server, url, bucket string, rows int) *Reader {
	t.Helper()
	file := filepath.Join(t.TempDir(), "token")
	require.NoError(t, os.WriteFile(file, []byte(srv.Token+"\n"), 0o600))
	r, err := New(Options{
		Server: &config.Influx{URL: url, Organisation: srv.Org, Bucket: bucket, TokenFile: file}, Site: "terminal", Rows: rows,
		Wait: func(ctx context.Context, _ time.Duration) error { return ctx.Err() },
	})
	require.NoError(t, err)
	t.Cleanup(r.Close)
	return r
}

// write puts readings where a gateway would.
func write(t testing.TB, srv *influxtest.Server, bucket string, list []reading.Reading) {
	t.Helper()
	list = slices.Clone(list)
	slices.SortFunc(list, reading.Compare)
	enc := schema.NewEncoder("terminal")
	var lines []byte
	var err error
	for i := range list {
		lines, err = enc.Reading(lines, &list[i])
		require.NoError(t, err)
		if len(lines) > 4<<20 || i == len(list)-1 {
			srv.Write(t, bucket, string(lines))
			lines = lines[:0]
		}
	}
}

func counted(device string, at time.Time, n int64) reading.Reading {
	return reading.Reading{
		Channel: reading.Channel{Device: device, Quantity: reading.PulseCount}, At: at, Received: at.Add(2 * time.Second), FromDevice: true, Value: float64(n), Count: n,
	}
}

func counts(device string, n int) (out []reading.Reading) {
	for i := range n {
		out = append(out, counted(device, t0.Add(time.Duration(i)*time.Minute), int64(1000+i)))
	}
	return out
}

func all(ctx context.Context, r *Reader, device string) (out []reading.Reading, err error) {
	err = r.Readings(ctx, device, nil, time.Time{}, latest, func(x reading.Reading) error {
		out = append(out, x)
		return nil
	})
	return out, err
}

// However small the pages, what was written comes back, in the order of
// reading.Compare, and of any range.
func TestPagesOfAnySizeGiveTheSame(t *testing.T) {
	srv := influxtest.Start(t)
	bucket := srv.Bucket(t)
	device := 0
	rapid.Check(t, func(rt *rapid.T) {
		device++ // each check has its own
		name := fmt.Sprintf("d-%d", device)
		seen := map[string]bool{}
		var want []reading.Reading
		at := t0
		for i := range rapid.IntRange(1, 60).Draw(rt, "readings") {
			at = at.Add(time.Duration(rapid.SampledFrom([]int{0, 0, 1, 1, 2, 1000, 60_000, 86_400_000, 40 * 86_400_000}).Draw(rt, "gap")) * time.Millisecond)
			q := rapid.SampledFrom([]reading.Quantity{reading.PulseCount, reading.PulseIncrement, reading.PulseIncrement, reading.LevelCM3, reading.StatusOnline}).Draw(rt, "quantity")
			x := reading.Reading{Channel: reading.Channel{Device: name, Quantity: q}, At: at, Received: at.Add(time.Second), FromDevice: true, Value: float64(i)}
			if q.Exact() {
				x.Count = int64(i)
			}
			if q == reading.PulseIncrement {
				x.Key = fmt.Sprintf("%x", rapid.Uint16().Draw(rt, "id"))
			}
			if id := fmt.Sprint(q, x.Key, at.UnixMilli()); !seen[id] {
				seen[id] = true
				want = append(want, x)
			}
		}
		slices.SortFunc(want, reading.Compare)
		write(t, srv, bucket, want)
		r := open(t, srv, srv.URL, bucket, rapid.SampledFrom([]int{1, 60, 200, 700, 0}).Draw(rt, "rows"))
		after, to := time.Time{}, latest
		if rapid.Bool().Draw(rt, "a part") {
			after = want[rapid.IntRange(0, len(want)-1).Draw(rt, "after")].At
			to = want[rapid.IntRange(0, len(want)-1).Draw(rt, "to")].At
			want = slices.DeleteFunc(want, func(x reading.Reading) bool { return !x.At.After(after) || x.At.After(to) })
		}
		var got []reading.Reading
		require.NoError(rt, r.Readings(t.Context(), name, nil, after, to, func(x reading.Reading) error {
			got = append(got, x)
			return nil
		}))
		require.Equal(rt, fmt.Sprint(want), fmt.Sprint(got))
		require.Equal(rt, len(want), len(got))
	})
}

// answered counts the rows of the answers that come through it.
type answered struct {
	base http.RoundTripper
	rows []int
	asks []string
}

func (a *answered) RoundTrip(req *http.Request) (*http.Response, error) {
	body, err := io.ReadAll(req.Body)
	if err != nil {
		return nil, err
	}
	req.Body = io.NopCloser(bytes.NewReader(body))
	var asked struct{ Query string }
	if err := json.Unmarshal(body, &asked); err != nil {
		return nil, err
	}
	resp, err := a.base.RoundTrip(req)
	if err != nil || resp.StatusCode != http.StatusOK {
		return resp, err
	}
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		return nil, err
	}
	n := 0
	for line := range strings.Lines(string(text)) {
		if strings.HasPrefix(line, ",,") {
			n++
		}
	}
	a.rows, a.asks = append(a.rows, n-1), append(a.asks, asked.Query) // without the mark
	resp.Body = io.NopCloser(bytes.NewReader(text))
	return resp, nil
}

// counting puts a counter between a reader and its server.
func counting(r *Reader) *answered {
	a := &answered{base: r.way}
	*r.http = http.Client{Transport: a, CheckRedirect: r.http.CheckRedirect}
	return a
}

// What the server is asked for is bounded whatever it has: no answer has more
// rows than a page, each question has a beginning and an end and names a device
// or a measurement, and no page is read over and over.
func TestNoQuestionGrowsWithWhatThereIs(t *testing.T) {
	srv := influxtest.Start(t)
	bucket := srv.Bucket(t)
	var list []reading.Reading
	for _, device := range []string{"d-1", "d-2"} {
		list = append(list, counts(device, 10_000)...)
		for i := range 3_000 { // a burst
			list = append(list, reading.Reading{
				Channel: reading.Channel{Device: device, Quantity: reading.LevelCM3}, At: t0.Add(time.Hour + time.Duration(i)*time.Millisecond), Received: t0.Add(2 * time.Hour), Value: float64(i), FromDevice: true,
			})
		}
	}
	write(t, srv, bucket, list)
	var lines []byte
	var err error
	for i := range 1_200 {
		lines, err = schema.AppendFact(lines, "terminal", reading.Fact{ID: fmt.Sprint("f-", i), Kind: reading.FactWeighing, Point: "p-1", At: t0.Add(time.Duration(i/100) * time.Hour), Received: t0})
		require.NoError(t, err)
	}
	srv.Write(t, bucket, string(lines))

	const rows = 3_000
	r := open(t, srv, srv.URL, bucket, rows)
	a := counting(r)
	got, err := all(t.Context(), r, "d-1")
	require.NoError(t, err)
	require.Len(t, got, 13_000)
	sum := 0
	for i, n := range a.rows {
		require.LessOrEqual(t, n, rows)
		require.Contains(t, a.asks[i], `r.device == "d-1"`)
		sum += n
	}
	// Three fields each, and what was cut off at the end of a full page.
	require.Less(t, sum, 3*13_000*3/2, "%v", a.rows)
	require.Less(t, len(a.rows), 120, "%v", a.rows)

	n := 0
	require.NoError(t, r.Facts(t.Context(), time.Time{}, latest, func(reading.StoredFact) error { n++; return nil }))
	require.Equal(t, 1_200, n)
	devices, err := r.Devices(t.Context())
	require.NoError(t, err)
	require.Equal(t, []string{"d-1", "d-2"}, devices)
	newest, err := r.Newest(t.Context(), devices)
	require.NoError(t, err)
	require.Equal(t, t0.Add(9_999*time.Minute), newest[reading.Channel{Device: "d-2", Quantity: reading.PulseCount}])
	require.Len(t, newest, 4)
	for i, flux := range a.asks {
		require.LessOrEqual(t, a.rows[i], rows)
		require.Regexp(t, `\|> range\(start: \d{4}-[^ ]*Z, stop: \d{4}-[^ ]*Z\)\n  \|> filter\(fn: \(r\) => r.site == "terminal" and `, flux)
		// The first filter is what the server looks up in its index, and it does
		// that for == alone.
		require.NotRegexp(t, `[<>!~]`, strings.ReplaceAll(strings.Split(flux, "\n  |> ")[2], "(r) =>", ""))
		require.Regexp(t, `\|> (limit\(n: \d+\)|first\(\)|last\(\))`, flux)
	}
}

// faults are all that a proxy or a network can do to an answer. Once they are
// over the answer is right; as long as they last it is an error.
func TestAnAnswerIsWholeOrAnError(t *testing.T) {
	srv := influxtest.Start(t)
	bucket := srv.Bucket(t)
	want := counts("d-1", 3_000)
	write(t, srv, bucket, want)
	for name, c := range map[string]struct {
		fault influxtest.Fault
		says  string
	}{
		"busy":               {influxtest.Answer(429, `{"code":"too many requests","message":"read limit exceeded"}`).With("Retry-After", "1"), "read limit exceeded"},
		"not now":            {influxtest.Answer(503, ""), "503"},
		"fails":              {influxtest.Answer(500, `{"code":"internal error","message":"engine is closed"}`), "engine is closed"},
		"a bad gateway":      {influxtest.Answer(502, "<html>bad gateway</html>"), "bad gateway"},
		"cut before":         {influxtest.CutBefore(), "EOF"},
		"cut after":          {influxtest.CutAfter(), "EOF"},
		"200 and nothing":    {influxtest.Answer(200, ""), "not whole"},
		"200 and words":      {influxtest.Answer(200, "<html>\nplease log in\n</html>\n"), "not text/csv"},
		"200 and empty CSV":  {influxtest.Answer(200, "\r\n").With("Content-Type", "text/csv; charset=utf-8"), "not packed"},
		"204":                {influxtest.Answer(204, ""), "status 204"},
		"cut in the head":    {influxtest.Truncate(0), "EOF"},
		"cut early":          {influxtest.Truncate(300), "EOF"},
		"cut in the middle":  {influxtest.Truncate(9_000), "EOF"},
		"a page, then words": {influxtest.Answer(200, "a,b\r\n").With("Content-Type", "text/csv"), "not packed"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			proxy := influxtest.NewProxy(t, srv.URL)
			r := open(t, srv, proxy.URL, bucket, 0)
			for n := range 3 { // at the first question, and amid
				proxy.Clear()
				for range n {
					proxy.Next(influxtest.Pass())
				}
				proxy.Next(c.fault)
				got, err := all(t.Context(), r, "d-1")
				require.NoError(t, err)
				require.Equal(t, want, got)
			}
			proxy.Clear()
			proxy.Forget()
			proxy.All(c.fault) // it does not end
			got, err := all(t.Context(), r, "d-1")
			require.ErrorContains(t, err, c.says)
			require.ErrorContains(t, err, `of "d-1" from 20`)
			require.ErrorContains(t, err, fmt.Sprintf("asked %d times", tries))
			require.NotContains(t, err.Error(), srv.Token)
			require.Empty(t, got)
			if strings.HasPrefix(name, "cut ") && name != "cut before" && name != "cut after" {
				return // what is shorter comes through
			}
			require.InDelta(t, tries, len(proxy.Requests()), 1, "short answers are through before they are cut")
			_, err = r.Devices(t.Context())
			require.Error(t, err)
			_, err = r.Newest(t.Context(), []string{"d-1"})
			require.Error(t, err)
			require.Error(t, r.Facts(t.Context(), t0, latest, func(reading.StoredFact) error { return nil }))
			require.Error(t, r.Late(t.Context(), t0, func(schema.Changed) error { return nil }))
			require.Error(t, r.Calibrations(t.Context(), time.Time{}, func(schema.Calibration) error { return nil }))
			_, err = r.LateEnd(t.Context())
			require.Error(t, err)
			_, err = r.Days(t.Context(), OfMachine, "d-1", civil.Of(t0, time.UTC), civil.Of(t0, time.UTC), time.UTC)
			require.Error(t, err)
		})
	}
}

// What will be the same tomorrow is asked once.
func TestWhatWillNotChangeIsNotAskedAgain(t *testing.T) {
	srv := influxtest.Start(t)
	bucket := srv.Bucket(t)
	for name, c := range map[string]struct {
		fault influxtest.Fault
		says  string
	}{
		"not allowed":   {influxtest.Answer(403, `{"code":"forbidden","message":"read denied"}`), "read denied: the token must be allowed to read"},
		"not there":     {influxtest.Answer(404, `{"code":"not found","message":"bucket not found"}`), "bucket not found: see that the organisation"},
		"not accepted":  {influxtest.Answer(401, `{"code":"unauthorized","message":"unauthorized access"}`), "unauthorized access: see that "},
		"not Flux":      {influxtest.Answer(400, `{"code":"invalid","message":"compilation failed"}`), "compilation failed"},
		"another place": {influxtest.Answer(307, "").With("Location", "http://127.0.0.1:1/"), "307"},
		"not for long":  {influxtest.Answer(503, "").With("Retry-After", "3600"), "503"},
	} {
		t.Run(name, func(t *testing.T) {
			proxy := influxtest.NewProxy(t, srv.URL)
			r := open(t, srv, proxy.URL, bucket, 0)
			proxy.All(c.fault)
			_, err := all(t.Context(), r, "d-1")
			require.ErrorContains(t, err, c.says)
			require.NotContains(t, err.Error(), srv.Token)
			require.Len(t, proxy.Requests(), 1)
		})
	}
}

// A token that was changed in its file is taken up.
func TestATokenThatWasChangedIsTakenUp(t *testing.T) {
	srv := influxtest.Start(t)
	bucket := srv.Bucket(t)
	want := counts("d-1", 10)
	write(t, srv, bucket, want)
	r := open(t, srv, srv.URL, bucket, 0)
	file := r.server.TokenFile
	require.NoError(t, os.WriteFile(file, []byte("wrong-one"), 0o600))
	_, err := all(t.Context(), r, "d-1")
	require.ErrorContains(t, err, "unauthorized")
	require.NotContains(t, err.Error(), "wrong-one")
	require.NoError(t, os.WriteFile(file, []byte(srv.Token), 0o600))
	got, err := all(t.Context(), r, "d-1")
	require.NoError(t, err)
	require.Equal(t, want, got)
	require.NoError(t, os.Remove(file))
	got, err = all(t.Context(), r, "d-1")
	require.NoError(t, err, "the one that is known still does")
	require.Equal(t, want, got)
	gone := open(t, srv, srv.URL, bucket, 0)
	require.NoError(t, os.Remove(gone.server.TokenFile))
	_, err = all(t.Context(), gone, "d-1")
	require.ErrorContains(t, err, "token_file")
}

// played gives one answer of the real server again and again, as somebody in
// between has changed it.
func played(t *testing.T, change func(answer []byte) (body []byte, packed bool)) (*Reader, []reading.Reading) {
	srv := influxtest.Start(t)
	bucket := srv.Bucket(t)
	want := counts("d-1", 40)
	write(t, srv, bucket, want)
	front := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		out, err := http.NewRequestWithContext(req.Context(), req.Method, srv.URL+req.URL.RequestURI(), req.Body)
		if err == nil {
			out.Header = req.Header.Clone()
			var resp *http.Response
			if resp, err = http.DefaultTransport.RoundTrip(out); err == nil {
				defer resp.Body.Close()
				var z *gzip.Reader
				if z, err = gzip.NewReader(resp.Body); err == nil {
					var text []byte
					if text, err = io.ReadAll(z); err == nil {
						body, packed := change(text)
						w.Header().Set("Content-Type", "text/csv; charset=utf-8")
						if packed {
							w.Header().Set("Content-Encoding", "gzip")
						}
						_, _ = w.Write(body) // who asks may be gone
						return
					}
				}
			}
		}
		w.WriteHeader(http.StatusInternalServerError)
	}))
	t.Cleanup(front.Close)
	t.Cleanup(http.DefaultTransport.(*http.Transport).CloseIdleConnections)
	return open(t, srv, front.URL, bucket, 0), want
}

func pack(text []byte) []byte {
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	_, _ = z.Write(text) // to memory
	_ = z.Close()
	return b.Bytes()
}

// Something in between may end a body as if it were whole, at any place.
func TestABodyThatEndsAnywhereIsNeverAShortAnswer(t *testing.T) {
	var share atomic.Int64 // of a thousand
	r, want := played(t, func(text []byte) ([]byte, bool) {
		body := pack(text)
		return body[:int64(len(body))*share.Load()/1000], true
	})
	share.Store(1000)
	got, err := all(t.Context(), r, "d-1")
	require.NoError(t, err)
	require.Equal(t, want, got)
	for n := int64(0); n < 1000; n += 1 + rand.Int64N(60) {
		share.Store(n)
		got, err := all(t.Context(), r, "d-1")
		require.Error(t, err, "%d of 1000", n)
		require.Empty(t, got)
	}
}

// The server itself can fail in the middle of an answer. Then a table with the
// error follows what it has sent.
func TestAnErrorInAnAnswerIsAnError(t *testing.T) {
	const words = "runtime error: memory allocation limit reached: limit 1000 bytes, allocated: 990, wanted: 64"
	table := "\r\n#datatype,string,string\r\n#group,true,true\r\n#default,,\r\n,error,reference\r\n,\"" + words + "\",897\r\n"
	for name, change := range map[string]func(text []byte) []byte{
		"at the end": func(text []byte) []byte { return append(text, table...) },
		"in the middle": func(text []byte) []byte {
			return append(text[:bytes.LastIndex(text, []byte("\r\n,,"))], "\r\n"+table...)
		},
		"alone": func([]byte) []byte { return []byte(table) },
	} {
		t.Run(name, func(t *testing.T) {
			r, _ := played(t, func(text []byte) ([]byte, bool) { return pack(change(text)), true })
			got, err := all(t.Context(), r, "d-1")
			require.ErrorContains(t, err, words)
			require.Empty(t, got)
		})
	}
}

// Answers that are whole and still not those to the question.
func TestAnswersToSomethingElse(t *testing.T) {
	var first []byte
	for name, c := range map[string]struct {
		change func(text []byte) []byte
		says   string
	}{
		"of a cache": {func(text []byte) []byte {
			if first == nil {
				first = bytes.Clone(text)
				return []byte("\r\n") // not the one
			}
			return first
		}, "the mark of the question is missing"},
		"without end": {func(text []byte) []byte {
			at := bytes.LastIndex(text, []byte("\r\n,,0,2026"))
			if at < 0 {
				return text
			}
			row := text[at : at+2+bytes.IndexByte(text[at+2:], '\n')+1]
			return slices.Concat(text[:at], bytes.Repeat(row[:len(row)-2], 70_000), text[at:])
		}, "more than the"},
		"another type": {func(text []byte) []byte { return bytes.ReplaceAll(text, []byte("double"), []byte("string")) }, "is a string; it should be a float"},
		"a field less": {func(text []byte) []byte { return bytes.ReplaceAll(text, []byte(",lag_ms,"), []byte(",lagging,")) }, "its lag_ms is missing"},
		"packed twice": {func(text []byte) []byte { return pack(text) }, "not whole"},
	} {
		t.Run(name, func(t *testing.T) {
			r, _ := played(t, func(text []byte) ([]byte, bool) { return pack(c.change(text)), true })
			got, err := all(t.Context(), r, "d-1")
			require.ErrorContains(t, err, c.says)
			require.Empty(t, got)
		})
	}
	t.Run("unpacked", func(t *testing.T) {
		r, _ := played(t, func(text []byte) ([]byte, bool) { return text, false })
		_, err := all(t.Context(), r, "d-1")
		require.ErrorContains(t, err, "not packed")
	})
}

func TestAnEndedContextEndsTheQuestion(t *testing.T) {
	srv := influxtest.Start(t)
	proxy := influxtest.NewProxy(t, srv.URL)
	proxy.All(influxtest.Hang())
	r := open(t, srv, proxy.URL, srv.Bucket(t), 0)
	ctx, cancel := context.WithCancelCause(t.Context())
	go func() {
		proxyHas(t, proxy)
		cancel(errors.New("stop"))
	}()
	_, err := all(ctx, r, "d-1")
	require.ErrorIs(t, err, context.Canceled)
}

func proxyHas(t *testing.T, proxy *influxtest.Proxy) {
	for end := time.Now().Add(10 * time.Second); len(proxy.Requests()) == 0 && time.Now().Before(end); {
		time.Sleep(time.Millisecond)
	}
}

// What somebody else wrote into the bucket, on our series even, keeps nobody from
// reading ours.
func TestPointsOfOthersAreLeftOut(t *testing.T) {
	srv := influxtest.Start(t)
	bucket := srv.Bucket(t)
	var want []reading.Reading
	for i := range 10 {
		want = append(want, counted("d-1", t0.Add(time.Duration(i)*time.Minute), int64(i)))
	}
	write(t, srv, bucket, want)
	at := t0.Add(90 * time.Second).UnixNano()
	for _, line := range []string{
		"pulse,channel=count,device=d-1,site=terminal count=7 %d", "pulse,channel=count,device=d-1,site=terminal note=\"by hand\" %d",
		"fact,channel=setting,device=d-1,site=terminal value=3 %d", "late,channel=pulse.count,device=d-1,site=terminal value=3 %d", "calibration,site=terminal value=3 %d",
	} {
		srv.Write(t, bucket, fmt.Sprintf(line, at))
	}
	for _, rows := range []int{0, 9} {
		r := open(t, srv, srv.URL, bucket, rows)
		var got []reading.Reading
		require.NoError(t, r.Readings(t.Context(), "d-1", nil, time.Time{}, t0.Add(time.Hour), func(x reading.Reading) error {
			got = append(got, x)
			return nil
		}))
		require.Equal(t, want, got)
		require.NoError(t, r.Facts(t.Context(), time.Unix(0, 0), latest, func(reading.StoredFact) error { return errors.New("a fact") }))
		require.NoError(t, r.Late(t.Context(), time.Unix(0, 0), func(schema.Changed) error { return errors.New("a change") }))
		require.NoError(t, r.Calibrations(t.Context(), time.Unix(0, 0), func(schema.Calibration) error { return errors.New("a calibration") }))
	}
}
