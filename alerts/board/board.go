// Package board serves the web pages and the read-only JSON of a site: the
// fleet on one date axis, the alarm list, one page per point, and the health
// of the collector.
//
// Pages are rendered here with embedded assets; they need no script, no other
// server and no internet. It imports the nouns of forecast and alerts/alarm
// and gets its data through [Source]; it decides nothing. Start with [New].
//
// Two addresses are for supervisors. /healthz answers 200 as long as what
// comes in goes on to the disk, or the disk says why not: restarting a collector
// because its disk is full or its broker away helps nobody. /readyz answers 200
// while messages can be taken and kept. Both answer 503 otherwise, with the
// checks that fail.
package board

import (
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"errors"
	"html/template"
	"log/slog"
	"net/http"
	"net/url"
	"strings"
	"time"

	"dwindle/config"
	"dwindle/forecast"
)

// Options of New; zero values have the meaning given.
type Options struct {
	Now func() time.Time // nil: the real clock
	Log *slog.Logger     // nil: silent
}

//go:embed templates/*.html assets/*
var files embed.FS

type board struct {
	src   Source
	now   func() time.Time
	log   *slog.Logger
	pages *template.Template
	style asset
	icon  asset
}

// New gives the handler of all pages. It answers GET and HEAD only.
func New(src Source, opt Options) http.Handler {
	b := &board{src: src, now: opt.Now, log: opt.Log}
	if b.now == nil {
		b.now = time.Now
	}
	if b.log == nil {
		b.log = slog.New(slog.DiscardHandler)
	}
	// Templates and style are part of the program: a fault in them is one of
	// the build, which every test of this package finds.
	b.pages = template.Must(template.New("").Funcs(functions).ParseFS(files, "templates/*.html"))
	b.style = newAsset("style", ".css", "text/css; charset=utf-8")
	b.icon = newAsset("icon", ".svg", "image/svg+xml")

	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", b.page(b.fleet))
	mux.HandleFunc("GET /alarms", b.page(b.alarms))
	mux.HandleFunc("GET /alarms/types", b.page(b.types))
	mux.HandleFunc("GET /points/{id}", b.page(b.point))
	mux.HandleFunc("GET /health", b.page(b.health))
	mux.HandleFunc("GET "+b.style.path, b.asset(b.style))
	mux.HandleFunc("GET "+b.icon.path, b.asset(b.icon))
	mux.HandleFunc("GET /api/forecast", b.json(b.apiForecast))
	mux.HandleFunc("GET /api/delivery", b.json(b.apiDelivery))
	mux.HandleFunc("GET /api/alarms", b.json(b.apiAlarms))
	mux.HandleFunc("GET /healthz", b.healthz)
	mux.HandleFunc("GET /readyz", b.readyz)
	mux.HandleFunc("GET /", b.page(func(*http.Request, *view) error { return errNotFound }))
	return harden(mux)
}

// harden sets what every answer carries. Nothing may be loaded but our own
// style sheet, and nobody may frame or read the pages from elsewhere.
func harden(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; style-src 'self'; img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
		h.Set("Cache-Control", "no-store")
		next.ServeHTTP(w, r)
	})
}

var errNotFound = errors.New("there is no such page")

// view is what every page has.
type view struct {
	Title  string
	Nav    string // the entry of the navigation that is the page
	Style  string
	Icon   string
	Site   *config.Site
	Name   string
	Zone   string // for the header, with the offset now
	AsOf   string
	Stale  string  // how old the forecast is, if that is worth saying
	Wrong  int     // checks that are not ok
	Wait   []Check // before the first forecast: what stands in its way
	Renew  int     // seconds after which the page loads itself again, 0: never
	Here   string  // this page, and the same renewing itself
	HereOn string
	Status int
	Body   any

	template string
	now      time.Time
	loc      *time.Location
	fleet    forecast.Fleet
	ready    bool
}

// page renders a page whole before the first byte goes out, so that a fault
// half-way does not end as half a page.
func (b *board) page(fill func(*http.Request, *view) error) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		v := b.view(r)
		err := fill(r, v)
		switch {
		case errors.Is(err, errNotFound):
			v.template, v.Status, v.Title = "error.html", http.StatusNotFound, "Not found"
			v.Body = failure{"There is no such page.", "Start from the fleet; ids are case-sensitive."}
		case err != nil && r.Context().Err() != nil:
			return // the visitor went away
		case err != nil:
			b.log.Error("page failed", "path", r.URL.Path, "err", err)
			v.template, v.Status, v.Title = "error.html", http.StatusInternalServerError, "Page failed"
			v.Body = failure{"The page could not be made.", "The program's log says why. Collecting and alarms go on; the command line shows the same data."}
		}
		var out bytes.Buffer
		if err := b.pages.ExecuteTemplate(&out, v.template, v); err != nil {
			b.log.Error("page failed", "path", r.URL.Path, "err", err)
			http.Error(w, "The page could not be made; the program's log says why.", http.StatusInternalServerError)
			return
		}
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		b.send(w, r, v.Status, bytes.TrimLeft(out.Bytes(), "\n"))
	}
}

type failure struct{ What, Try string }

// view makes what all pages have.
func (b *board) view(r *http.Request) *view {
	site := b.src.Site()
	v := &view{Style: b.style.path, Icon: b.icon.path, Site: site, Name: site.Name, Status: http.StatusOK, now: b.now().UTC(), loc: site.Location()}
	v.Here, v.HereOn = here(r)
	if v.Name == "" {
		v.Name = site.ID
	}
	v.fleet, v.ready = b.src.Fleet()
	at := v.now
	if v.ready {
		at = v.fleet.At
		v.AsOf = v.clock(at)
		if age := v.now.Sub(at); age > 15*time.Minute {
			v.Stale = span(age)
		}
	}
	for _, c := range b.src.Checks() {
		if c.Level == "ok" {
			continue
		}
		v.Wrong++
		if c.Level == "bad" && !v.ready {
			v.Wait = append(v.Wait, c)
		}
	}
	v.Zone = site.Zone + ", UTC" + at.In(v.loc).Format("-07:00")
	if r.URL.Query().Get("renew") != "" {
		v.Renew = 60
	}
	return v
}

// send writes a finished answer, compressed where that pays.
func (b *board) send(w http.ResponseWriter, r *http.Request, status int, body []byte) {
	w.Header().Add("Vary", "Accept-Encoding")
	if len(body) > 1400 && strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		var small bytes.Buffer
		z := gzip.NewWriter(&small)
		_, err := z.Write(body)
		if err = errors.Join(err, z.Close()); err == nil {
			w.Header().Set("Content-Encoding", "gzip")
			body = small.Bytes()
		}
	}
	w.WriteHeader(status)
	if r.Method == http.MethodHead {
		return
	}
	// A visitor that went away is not our fault.
	_, _ = w.Write(body)
}

// here gives the address of the page that was asked for, with the choices made
// on it: as it is, and renewing itself.
func here(r *http.Request) (still, renewing string) {
	asked, kept := r.URL.Query(), url.Values{}
	for _, key := range []string{"area", "page"} {
		if v := asked.Get(key); v != "" {
			kept.Set(key, v)
		}
	}
	path := r.URL.EscapedPath()
	still = path
	if len(kept) > 0 {
		still += "?" + kept.Encode()
	}
	kept.Set("renew", "1")
	return still, path + "?" + kept.Encode()
}

// asset is a file that pages name. Its name changes with its content, so that
// it may be kept for good.
type asset struct {
	path, kind string
	content    []byte
}

func newAsset(name, ending, kind string) asset {
	content, _ := files.ReadFile("assets/" + name + ending)
	sum := sha256.Sum256(content)
	return asset{"/" + name + "-" + hex.EncodeToString(sum[:6]) + ending, kind, content}
}

func (b *board) asset(a asset) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", a.kind)
		w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
		b.send(w, r, http.StatusOK, a.content)
	}
}

// within bounds what a page may wait for its data.
func within(r *http.Request) (context.Context, context.CancelFunc) {
	return context.WithTimeout(r.Context(), 10*time.Second)
}
