package board_test

import (
	"compress/gzip"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"golang.org/x/net/html"

	"dwindle/alerts/alarm"
	"dwindle/alerts/board"
	"dwindle/collector/health"
	"dwindle/config"
	"dwindle/config/civil"
)

var update = flag.Bool("update", false, "rewrite the golden pages")

func TestMain(m *testing.M) { goleak.VerifyTestMain(tests{m}) }

// tests closes the browser before goroutines are counted.
type tests struct{ *testing.M }

func (m tests) Run() int {
	defer closeBrowser()
	return m.M.Run()
}

func serve(p *plant) http.Handler {
	return board.New(p, board.Options{Now: func() time.Time { return now }})
}

func get(t testing.TB, h http.Handler, path string) *httptest.ResponseRecorder {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
	return w
}

func TestPages(t *testing.T) {
	h := serve(newPlant(t, 7).withAlarms())
	for name, path := range map[string]string{
		"fleet": "/", "alarms": "/alarms", "types": "/alarms/types", "point": "/points/P-0421", "withheld": "/points/P-0427", "beyond": "/points/P-0426", "health": "/health",
	} {
		t.Run(name, func(t *testing.T) {
			w := get(t, h, path)
			require.Equal(t, http.StatusOK, w.Code)
			require.Equal(t, "text/html; charset=utf-8", w.Header().Get("Content-Type"))
			// The style's name follows its content, which is not the page's.
			body := regexp.MustCompile(`/(style|icon)-[0-9a-f]+\.`).ReplaceAllString(w.Body.String(), "/$1.")
			file := filepath.Join("testdata", name+".golden.html")
			if *update {
				require.NoError(t, os.WriteFile(file, []byte(body), 0o644))
			}
			want, err := os.ReadFile(file)
			require.NoError(t, err)
			require.Equal(t, string(want), body)
			accessible(t, body)
		})
	}
}

// accessible checks what every page needs for people who do not see it, and
// that nothing in it depends on a script or an inline style, which the policy
// would refuse.
func accessible(t *testing.T, page string) {
	t.Helper()
	doc, err := html.Parse(strings.NewReader(page))
	require.NoError(t, err)
	count := map[string]int{}
	ids := map[string]bool{}
	for n := range doc.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		count[n.Data]++
		attr := map[string]string{}
		for _, a := range n.Attr {
			attr[a.Key] = a.Val
			require.NotEqual(t, "style", a.Key)
			require.False(t, strings.HasPrefix(a.Key, "on"), "%s on %s", a.Key, n.Data)
		}
		if id := attr["id"]; id != "" {
			require.False(t, ids[id], "id %s twice", id)
			ids[id] = true
		}
		switch n.Data {
		case "html":
			require.Equal(t, "en", attr["lang"])
		case "th":
			require.NotEmpty(t, attr["scope"])
		case "nav":
			require.NotEmpty(t, attr["aria-label"])
		case "svg":
			if n.Parent != nil && n.Parent.Data != "svg" {
				require.True(t, attr["aria-hidden"] == "true" || attr["role"] == "img" && attr["aria-label"] != "", "a drawing is either said or hidden")
			}
		case "a":
			require.False(t, strings.Contains(attr["href"], "//"), "link to elsewhere: %s", attr["href"])
		}
	}
	for _, one := range []string{"main", "header", "footer", "h1", "title"} {
		require.GreaterOrEqual(t, count[one], 1, one)
	}
	require.Equal(t, 1, count["main"])
	require.Equal(t, 1, count["h1"])
	require.Equal(t, count["table"], count["caption"], "every table has a caption")
	require.Zero(t, count["script"]+count["style"]+count["form"]+count["iframe"])
}

func TestFleetRows(t *testing.T) {
	h := serve(newPlant(t, 7).withAlarms())
	page := get(t, h, "/").Body.String()
	at := -1
	for _, text := range []string{
		`<b>change by 7 Jan</b><span class="sep"> · </span><span>empty 10 Jan (8–12 Jan, 80 %)`,
		`<b>change by 24 Jan</b><span class="sep"> · </span><span>empty 30 Jan (25 Jan–4 Feb, 80 %)`,
		`not empty within 730 days`,
		`no forecast: only 3 days of data`,
	} {
		next := strings.Index(page, text)
		require.Greater(t, next, at, "%s, in this order", text)
		at = next
	}
	// Priority is a shape, a word and a place, never a colour alone.
	require.Contains(t, page, `<a class="flag flag-high" href="/alarms#A-00017" title="May be empty before the next visit"><svg class="mark mark-high"`)
	require.Contains(t, page, `</svg> high<span class="unseen"> alarm: May be empty`)
	require.Contains(t, page, "<b>1</b> high, 1 new</a>")
	require.Contains(t, page, "<b>1</b> medium</a>", "seen already")
	require.Contains(t, page, "<b>0</b> low</a>", "shelved and suppressed ones ask nobody")

	quay := get(t, h, "/?area=quay").Body.String()
	require.Contains(t, quay, "P-0421")
	require.NotContains(t, quay, `href="/points/P-0422"`)
}

func TestManyPointsComeInPages(t *testing.T) {
	h := serve(newPlant(t, 450))
	first, last := get(t, h, "/").Body.String(), get(t, h, "/?page=3").Body.String()
	require.Equal(t, 200, strings.Count(first, `class="track`))
	require.Contains(t, first, "page 1 of 3")
	require.Equal(t, 50, strings.Count(last, `class="track`))
	require.Contains(t, last, "no forecast: only 3 days of data")
	for _, odd := range []string{"0", "-1", "99", "x", "1e9"} {
		require.Equal(t, http.StatusOK, get(t, h, "/?page="+odd).Code)
	}
}

// Names and payloads come from devices and files: nothing of them may become
// markup.
func TestHostileText(t *testing.T) {
	p, _ := hostilePlant(t)
	h := serve(p)
	pages := map[string]string{"fleet": "/", "alarms": "/alarms", "health": "/health", "area": "/?area=" + "%22%3E%3Cscript%3E"}
	// The page of the hostile id is where the fleet's own link leads.
	link := regexp.MustCompile(`<th role="rowheader" scope="row"><a href="([^"]+)">a/`).FindStringSubmatch(get(t, h, "/").Body.String())
	require.NotNil(t, link)
	pages["point"] = html.UnescapeString(link[1])
	for name, path := range pages {
		t.Run(name, func(t *testing.T) {
			w := get(t, h, path)
			require.Equal(t, http.StatusOK, w.Code)
			accessible(t, w.Body.String())
			doc, err := html.Parse(strings.NewReader(w.Body.String()))
			require.NoError(t, err)
			for n := range doc.Descendants() {
				require.NotContains(t, []string{"script", "img", "b-evil"}, n.Data)
				for _, a := range n.Attr {
					require.False(t, strings.HasPrefix(a.Key, "on"))
					require.False(t, strings.HasPrefix(strings.TrimSpace(strings.ToLower(a.Val)), "javascript:"))
				}
			}
		})
	}
	page := get(t, h, "/health").Body.String()
	require.NotContains(t, page, "\u202e", "what turns text around is escaped")
	require.NotContains(t, page, "\x1b")
	require.Contains(t, page, `\xff`)
	require.True(t, json.Valid(get(t, h, "/api/alarms").Body.Bytes()))
}

func TestSecurityHeaders(t *testing.T) {
	h := serve(newPlant(t, 3))
	for _, path := range []string{"/", "/alarms", "/points/none", "/health", "/api/forecast", "/healthz", "/nowhere"} {
		head := get(t, h, path).Header()
		policy := head.Get("Content-Security-Policy")
		require.Contains(t, policy, "default-src 'none'", path)
		require.NotContains(t, policy, "unsafe")
		require.Contains(t, policy, "frame-ancestors 'none'")
		require.Equal(t, "nosniff", head.Get("X-Content-Type-Options"))
		require.Equal(t, "no-store", head.Get("Cache-Control"))
		require.Empty(t, head.Get("Access-Control-Allow-Origin"))
	}
}

func TestNothingCanBeChangedFromHere(t *testing.T) {
	h := serve(newPlant(t, 3))
	for _, method := range []string{http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete} {
		for _, path := range []string{"/", "/alarms", "/points/P-0421", "/health", "/api/forecast", "/api/alarms", "/healthz"} {
			w := httptest.NewRecorder()
			h.ServeHTTP(w, httptest.NewRequest(method, path, strings.NewReader("{}")))
			require.Equal(t, http.StatusMethodNotAllowed, w.Code, "%s %s", method, path)
		}
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodHead, "/", nil))
	require.Equal(t, http.StatusOK, w.Code)
	require.Empty(t, w.Body.String())
}

func TestStyleIsServedUnderTheNameThatThePagesUse(t *testing.T) {
	h := serve(newPlant(t, 3))
	name := regexp.MustCompile(`href="(/style-[0-9a-f]+\.css)"`).FindStringSubmatch(get(t, h, "/").Body.String())
	require.NotNil(t, name)
	w := get(t, h, name[1])
	require.Equal(t, http.StatusOK, w.Code)
	require.Equal(t, "text/css; charset=utf-8", w.Header().Get("Content-Type"))
	require.Contains(t, w.Header().Get("Cache-Control"), "immutable")
	require.NotContains(t, w.Body.String(), "url(", "nothing is loaded from elsewhere")
}

func TestNotFound(t *testing.T) {
	h := serve(newPlant(t, 3))
	for _, path := range []string{"/nowhere", "/points/none", "/points/", "/points/P-0421/more", "/../etc/passwd"} {
		w := get(t, h, path)
		if w.Code == http.StatusMovedPermanently || w.Code == http.StatusTemporaryRedirect {
			continue // a cleaned path
		}
		require.Equal(t, http.StatusNotFound, w.Code, path)
		accessible(t, w.Body.String())
	}
}

func TestBeforeTheFirstForecast(t *testing.T) {
	p := newPlant(t, 3)
	p.fleet = nil
	h := serve(p)
	for _, path := range []string{"/", "/alarms", "/points/P-0421", "/health"} {
		w := get(t, h, path)
		require.Equal(t, http.StatusOK, w.Code, path)
		accessible(t, w.Body.String())
	}
	for _, path := range []string{"/", "/points/P-0421"} {
		require.Contains(t, get(t, h, path).Body.String(), "No forecast yet: the first one is still being made")
	}
	p.checks = []board.Check{{Name: "forecast", Level: "bad", What: "the forecast failed", Try: "read the log"}, {Name: "journal", Level: "ok"}}
	require.Contains(t, get(t, h, "/").Body.String(), `<b>forecast:</b> the forecast failed. <span class="lead">Try:</span> read the log.`)
	p.checks = nil
	w := get(t, h, "/api/forecast")
	require.Equal(t, http.StatusServiceUnavailable, w.Code)
	require.Equal(t, "application/problem+json", w.Header().Get("Content-Type"))
	require.JSONEq(t, `{"title":"no forecast yet","status":503,"detail":"the first forecast is still being made; ask again in a moment"}`, w.Body.String())
	require.Equal(t, http.StatusOK, get(t, h, "/api/alarms").Code)
}

func TestFaultsAreToldWithoutDetails(t *testing.T) {
	p := newPlant(t, 3)
	p.err = errors.New("disk at /var/secret is gone")
	h := serve(p)
	for _, path := range []string{"/", "/alarms", "/health", "/api/alarms"} {
		w := get(t, h, path)
		require.Equal(t, http.StatusInternalServerError, w.Code, path)
		require.NotContains(t, w.Body.String(), "secret")
	}
}

func TestHealthForMachines(t *testing.T) {
	p := newPlant(t, 3)
	h := serve(p)
	for _, path := range []string{"/healthz", "/readyz"} {
		w := get(t, h, path)
		require.Equal(t, http.StatusOK, w.Code)
		require.Equal(t, "application/json", w.Header().Get("Content-Type"))
		require.JSONEq(t, `{"status":"ok","failing":[],"others":[]}`, w.Body.String())
	}
	p.live.Failing = []health.Check{{Name: "writer", Level: health.Bad, What: "it stands still", Try: "see the disk", Since: now}}
	w := get(t, h, "/healthz")
	require.Equal(t, http.StatusServiceUnavailable, w.Code)
	require.JSONEq(t, `{"status":"failing","failing":[{"name":"writer","level":"bad","what":"it stands still","try":"see the disk","since":"2027-01-04T06:00:00Z"}],"others":[]}`, w.Body.String())
	require.Equal(t, http.StatusOK, get(t, h, "/readyz").Code, "two questions, two answers")
	p.ready = p.live
	require.Equal(t, http.StatusServiceUnavailable, get(t, h, "/readyz").Code)
}

func TestJSON(t *testing.T) {
	p := newPlant(t, 7).withAlarms()
	h := serve(p)
	read := func(path string) map[string]any {
		w := get(t, h, path)
		require.Equal(t, http.StatusOK, w.Code)
		require.Equal(t, "application/json", w.Header().Get("Content-Type"))
		var out map[string]any
		require.NoError(t, json.Unmarshal(w.Body.Bytes(), &out))
		require.Equal(t, []any{"bend", "2027-01-04T06:00:00Z", "Europe/Berlin"}, []any{out["site"], out["at"], out["zone"]})
		return out
	}
	rows := read("/api/forecast")["forecasts"].([]any)
	require.Len(t, rows, 7)
	first := rows[0].(map[string]any)
	require.Equal(t, []any{"P-0421", "2027-01-08", "2027-01-10", "2027-01-12", "2027-01-07"},
		[]any{first["point"], first["empty_p10"], first["empty_p50"], first["empty_p90"], first["change_before"]})
	require.Equal(t, "only 3 days of data", rows[6].(map[string]any)["withheld"])
	require.NotContains(t, rows[6], "empty_p10")
	require.Equal(t, "under", read("/api/delivery")["delivery"].([]any)[0].(map[string]any)["verdict"])
	require.Len(t, read("/api/alarms")["alarms"], 4)
	require.Len(t, read("/api/alarms?history=1")["alarms"], 5)
	require.Len(t, read("/api/alarms?point=P-0424")["alarms"], 1)
	p.rows = nil
	require.Equal(t, []any{}, read("/api/alarms")["alarms"], "none is a list too")
}

func TestCompressed(t *testing.T) {
	h := serve(newPlant(t, 200))
	plain := get(t, h, "/")
	r := httptest.NewRequest(http.MethodGet, "/", nil)
	r.Header.Set("Accept-Encoding", "br, gzip")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	require.Equal(t, "gzip", w.Header().Get("Content-Encoding"))
	require.Less(t, w.Body.Len(), 60_000, "a page of 200 points fits a poor radio link")
	z, err := gzip.NewReader(w.Body)
	require.NoError(t, err)
	all, err := io.ReadAll(z)
	require.NoError(t, err)
	require.Equal(t, plain.Body.String(), string(all))
}

func TestRenewsOnlyIfAsked(t *testing.T) {
	h := serve(newPlant(t, 3))
	require.NotContains(t, get(t, h, "/alarms").Body.String(), "http-equiv")
	require.Contains(t, get(t, h, "/alarms?renew=1").Body.String(), `<meta http-equiv="refresh" content="60">`)
	// The links keep what was chosen on the page.
	require.Contains(t, get(t, h, "/?area=quay&page=2").Body.String(), `<a href="/?area=quay&amp;page=2&amp;renew=1">Renew`)
	require.Contains(t, get(t, h, "/?area=quay&renew=1").Body.String(), `<a href="/?area=quay">stop that</a>`)
	require.Contains(t, get(t, h, "/points/a%2Fb%3Fc").Body.String(), `<a href="/points/a%2Fb%3Fc?renew=1">Renew`)
}

// A point in trouble that has no date must not stand behind all that have one.
func TestAnAlarmWithoutADateStandsFirst(t *testing.T) {
	p := newPlant(t, 7).withAlarms()
	p.rows[1].Point = "P-0427" // withheld
	page := get(t, serve(p), "/").Body.String()
	require.Less(t, strings.Index(page, `href="/points/P-0427"`), strings.Index(page, `href="/points/P-0421"`))
}

// A flood of alarms or devices must not keep the page from opening.
func TestFloodsAreBounded(t *testing.T) {
	p := newPlant(t, 3)
	for i := range 1000 {
		p.rows = append(p.rows, alarm.Row{ID: fmt.Sprint("A-", i), Type: alarm.NoTelemetry, Device: "D-1", State: alarm.Unacknowledged, Priority: alarm.Low, Since: now, Unit: "h"})
		p.health.Unknown = append(p.health.Unknown, board.Unknown{Device: fmt.Sprint("X-", i), First: now, Last: now})
		p.health.Noticed = append(p.health.Noticed, board.Notice{At: now, Device: fmt.Sprint("Y-", i)})
		p.health.Clocks = append(p.health.Clocks, board.Clock{Device: fmt.Sprint("Z-", i), Behind: time.Duration(i) * time.Second})
	}
	page := get(t, serve(p), "/alarms").Body.String()
	require.Equal(t, 200, strings.Count(page, "<article"))
	require.Contains(t, page, `<span class="soft">1000</span>`)
	require.Contains(t, page, "And 800 more, less urgent ones")
	page = get(t, serve(p), "/health").Body.String()
	require.Equal(t, 200, strings.Count(page, "<code>X-"))
	require.Contains(t, page, "And 800 more.")
	require.Equal(t, 50, strings.Count(page, "<code>Y-"))
	require.Contains(t, page, "Older ones are not shown.")
	require.Equal(t, 50, strings.Count(page, "<code>Z-"))
	require.Contains(t, page, "<code>Z-999", "the worst are shown")
	require.Contains(t, page, "And 889 more.", "999 to 61 s are off by more than a minute")
}

func TestEveryPageSaysThatACheckAsks(t *testing.T) {
	p := newPlant(t, 3)
	require.NotContains(t, get(t, serve(p), "/").Body.String(), "for somebody")
	p.checks = []board.Check{{Name: "journal", Level: "warn"}, {Name: "broker", Level: "ok"}}
	for _, path := range []string{"/", "/alarms", "/points/P-0421"} {
		require.Contains(t, get(t, serve(p), path).Body.String(), `Health <b class="wrong">1<span class="unseen"> check asks for somebody`)
	}
}

// A forecast that is old, or far off, is never shown as if it were not.
func TestDatesAreNoMoreExactThanTheyAre(t *testing.T) {
	today := civil.New(2027, 1, 4)
	for name, c := range map[string]struct {
		early, likely, late int
		want                string
	}{
		"days":          {5, 9, 20, "<b>change by 8 Jan</b><span class=\"sep\"> · </span><span>empty 13 Jan (9–24 Jan, 80 %)"},
		"two months":    {25, 30, 40, "<b>change by 28 Jan</b><span class=\"sep\"> · </span><span>empty 3 Feb (29 Jan–13 Feb, 80 %)"},
		"weeks":         {70, 80, 95, "<b>change by week 10</b><span class=\"sep\"> · </span><span>empty week 12 (week 11–14, 80 %)"},
		"days to weeks": {50, 65, 80, "<b>change by 22 Feb</b><span class=\"sep\"> · </span><span>empty week 10 (23 Feb to week 12, 80 %)"},
		"months":        {200, 230, 260, "<b>change by Jul 2027</b><span class=\"sep\"> · </span><span>empty Aug 2027 (Jul–Sep 2027, 80 %)"},
		"far":           {300, 400, 500, "<b>change by Oct 2027</b><span class=\"sep\"> · </span><span>empty more than 1 year (Oct 2027 to more than 1 year, 80 %)"},
		"over":          {-3, 1, 4, "<b>change now</b><span class=\"sep\"> · </span><span>empty 5 Jan (1–8 Jan, 80 %)"},
	} {
		t.Run(name, func(t *testing.T) {
			p := newPlant(t, 1)
			r := &p.fleet.States[0].Row
			r.EmptyP10, r.EmptyP50, r.EmptyP90 = ptr(today+civil.Date(c.early)), ptr(today+civil.Date(c.likely)), ptr(today+civil.Date(c.late))
			r.ChangeBefore = ptr(*r.EmptyP10 - 1)
			require.Contains(t, get(t, serve(p), "/").Body.String(), c.want)
		})
	}
}

func TestOldForecastSaysSo(t *testing.T) {
	p := newPlant(t, 3)
	p.fleet.At = now.Add(-5 * time.Hour)
	require.Contains(t, get(t, serve(p), "/").Body.String(), "As of 4 Jan 2027 02:00 <strong>(5 h ago)</strong>")
}

func TestTheZoneIsSaidWithTheOffsetOfTheDay(t *testing.T) {
	p := newPlant(t, 3)
	require.Contains(t, get(t, serve(p), "/").Body.String(), "times: Europe/Berlin, UTC&#43;01:00")
	p.fleet.At = time.Date(2027, 7, 1, 6, 0, 0, 0, time.UTC)
	require.Contains(t, get(t, serve(p), "/").Body.String(), "times: Europe/Berlin, UTC&#43;02:00")
}

func TestAlarmRowsSayAll(t *testing.T) {
	page := get(t, serve(newPlant(t, 7).withAlarms()), "/alarms").Body.String()
	for _, text := range []string{
		"46 % <span class=\"soft\">(limit 10 %)", "8 Jan 2027", "unacknowledged", "technician", "If nobody acts:", "Likely causes:",
		"Grease under pressure can pierce skin", "A-00017 · high: criticality A",
		"until 7 Jan 2027 07:00 by ada: planner decides on Thursday", "kim, 3 Jan 2027 11:00: fitting looks dry, line ordered",
		"−20 % <span class=\"soft\">(limit −1 %)",
	} {
		require.Contains(t, page, text)
	}
	none := get(t, serve(newPlant(t, 3)), "/alarms").Body.String()
	require.Contains(t, none, "No alarms.")
}

func TestEveryStateHasWords(t *testing.T) {
	p := newPlant(t, 3)
	for i, s := range []alarm.State{
		alarm.Unacknowledged, alarm.Acknowledged, alarm.ReturnedUnacked, alarm.LatchedUnacked, alarm.LatchedAcked, alarm.Shelved, alarm.SuppressedByDesign, alarm.OutOfService,
	} {
		p.rows = append(p.rows, alarm.Row{ID: fmt.Sprint("A-", i), Type: alarm.OverDelivery, Point: "P-0421", State: s, Priority: alarm.Low, Since: now, Unit: "1"})
	}
	page := get(t, serve(p), "/alarms").Body.String()
	require.Equal(t, 8, strings.Count(page, "<article"))
	require.NotContains(t, regexp.MustCompile(`href="[^"]*"`).ReplaceAllString(page, ""), "_")
}

func TestDotsCountTheChances(t *testing.T) {
	p := newPlant(t, 1)
	visit := civil.New(2027, 1, 10)
	// One in eight before the visit, all before the end of the month.
	p.fleet.States[0].ChanceBefore = func(d civil.Date) float64 {
		switch {
		case d >= civil.New(2027, 1, 20):
			return 1
		case d >= visit-2:
			return 0.125
		}
		return 0
	}
	page := get(t, serve(p), "/points/P-0421").Body.String()
	require.Contains(t, page, "Each dot is 5 % of the chances: 3 of 20 fall before the visit on 10 Jan.")
	require.Equal(t, 20, strings.Count(page, "<circle"))
	require.Equal(t, 3, strings.Count(page, `class="before"`))
}

func BenchmarkFleetPage(b *testing.B) {
	h := serve(newPlant(b, 5000))
	b.ReportAllocs()
	for b.Loop() {
		require.Equal(b, http.StatusOK, get(b, h, "/").Code)
	}
}

// hostilePlant has markup in every text, and an id that means something in
// paths and pages.
func hostilePlant(t *testing.T) (p *plant, id string) {
	t.Helper()
	const evil = `"><script>alert(1)</script><img src=x onerror=alert(2)>'{{.}}javascript:alert(3)`
	p = newPlant(t, 7).withAlarms()
	p.site.Name, p.site.ID = evil, evil
	for i := range p.site.Points {
		p.site.Points[i].Name, p.site.Points[i].Location = evil, evil
	}
	for i := range p.site.Machines {
		p.site.Machines[i].Name = evil
	}
	p.site.Areas = append(p.site.Areas, config.Area{ID: evil, Name: evil})
	id = "a/../<b>&\"'%2f?#" + evil
	p.site.Points[0].ID, p.fleet.States[0].Row.Point = id, id
	p.fleet.States[0].Device, p.fleet.States[1].Row.Withheld, p.fleet.States[0].Delivery.Why = evil, evil, evil
	require.NoError(t, p.site.Reindex())
	for i := range p.rows {
		r := &p.rows[i]
		r.Detail, r.Cause, r.Consequence, r.AcknowledgedBy, r.AcknowledgeNote, r.ShelveReason = evil, evil, evil, evil, evil, evil
		r.Response, r.Children, r.SuppressedBy, r.EndReason, r.Owner, r.Device = []string{evil, "Caution. " + evil}, []string{evil}, []string{evil}, evil, evil, evil
	}
	p.rows[0].Point, p.rows[0].ID = id, `x" onclick="alert(4)`
	p.prompts[0].Text, p.fills[0].Note, p.fills[0].By = evil, evil, evil
	p.checks = []board.Check{{Name: evil, Level: `ok" onclick="alert(5)`, What: evil, Try: evil}}
	p.health = board.Health{
		Counts:  []board.Count{{Name: evil}},
		Forward: &board.Forward{To: evil, Kept: []board.Refusal{{Reason: evil, Words: evil, Line: evil}}},
		Kept:    []board.Kept{{Reason: evil, Samples: []board.Sample{{Topic: evil, Payload: evil + "\x00\x1b[31m\xff\u202e\n", Detail: evil}}}},
		Unknown: []board.Unknown{{Device: evil}},
		Noticed: []board.Notice{{At: now, Device: evil, Words: evil, Evidence: evil, Try: evil}},
		Clocks:  []board.Clock{{Device: evil, Hint: evil}},
	}
	return p, id
}
