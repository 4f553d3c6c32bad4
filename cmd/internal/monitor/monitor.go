// Package monitor answers supervisors: whether the program lives (/healthz),
// whether it is ready to take messages (/readyz), its figures as OpenMetrics
// (/metrics), and the profiles of Go's own tools (/debug/pprof/).
//
// It asks a [Source] for each answer and keeps nothing. Figures carry no label
// that grows with the site: by broker, by reason and by check only, each
// bounded. It is meant for loopback listeners. It imports the collector's
// nouns; the station brings the figures. Start with [New].
package monitor

import (
	"net"
	"net/http"
	"net/http/pprof"
	"net/netip"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"dwindle/collector"
	"dwindle/collector/health"
	"dwindle/collector/sparkplug"
)

// Source brings what is served. Methods are quick and safe for concurrent use.
type Source interface {
	// Live says whether the process does its work at all.
	Live() health.Probe
	// Ready says whether messages can be taken.
	Ready() health.Probe
	// Figures gives what is counted and measured now.
	Figures() Figures
}

// Figures are what /metrics shows.
type Figures struct {
	Version string // of the program
	Checks  []health.Check
	Intake  collector.Stats
	Still   time.Duration     // for how long the way to the disk has not moved
	Brokers map[string]Broker // ways in, by name
	// Sparkplug is what the host of Sparkplug edge nodes counts; nil: there is
	// none.
	Sparkplug *sparkplug.Stats
	// Forward is the writing to InfluxDB; nil: there is none.
	Forward *Forward

	JournalBytes int64     // its file and log; -1: not known
	LastForecast time.Time // as of when; zero before the first
	LastSnapshot time.Time // zero: none
}

// Broker is one way in: a connection to a broker, or a broker of our own.
type Broker struct {
	Up           bool  // connected and subscribed, or listening
	Received     int64 // messages
	Repeated     int64 // of these, marked by their sender as sent before
	Connections  int64
	SessionsLost int64 // that the broker should have kept
	Oversize     int64 // packets above the limit, each of which ended a connection
	Dropped      int64 // as the broker says itself; -1 where it does not
}

// Forward is what is written to InfluxDB. Counts are since the start, but for
// GivenUp and KeptAside.
type Forward struct {
	Up          bool // what was sent last was taken
	Written     int64
	Requests    int64            // sent, and of these
	Taken       int64            // taken
	Retried     int64            // sent before
	Refused     map[string]int64 // points by reason
	LineBytes   int64            // line protocol in all requests
	SentBytes   int64            // of it after gzip
	Late        int64            // stretches that were written again
	Deleted     int64            // stretches that were deleted there first
	Undeleted   int64            // that could not be
	LastWritten time.Time

	BacklogKnown bool
	Backlog      int64         // rows that wait, about
	Behind       time.Duration // age of the oldest reading of them
	GivenUp      map[string]int64
	KeptAside    map[string]int64 // now, by reason
}

// New gives the handler.
func New(src Source) http.Handler {
	registry := prometheus.NewRegistry()
	registry.MustRegister(&exporter{src}, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	metrics := promhttp.HandlerFor(registry, promhttp.HandlerOpts{
		EnableOpenMetrics:   true, // to whoever asks for it; the older text form to others
		MaxRequestsInFlight: 4,
	})
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", metrics)
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, r *http.Request) { src.Live().ServeHTTP(w, r) })
	mux.HandleFunc("GET /readyz", func(w http.ResponseWriter, r *http.Request) { src.Ready().ServeHTTP(w, r) })
	mux.HandleFunc("GET /debug/pprof/", pprof.Index)
	mux.HandleFunc("GET /debug/pprof/cmdline", pprof.Cmdline)
	mux.HandleFunc("GET /debug/pprof/profile", pprof.Profile)
	mux.HandleFunc("GET /debug/pprof/symbol", pprof.Symbol)
	mux.HandleFunc("GET /debug/pprof/trace", pprof.Trace)
	return here(mux)
}

// here refuses requests that name another host than this machine: a page in a
// browser here may have had its own name point at a loopback address.
func here(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		host := r.Host
		if name, _, err := net.SplitHostPort(host); err == nil {
			host = name
		}
		ip, err := netip.ParseAddr(strings.Trim(host, "[]"))
		if !strings.EqualFold(host, "localhost") && (err != nil || !ip.IsLoopback()) {
			http.Error(w, "the monitor answers to localhost and loopback addresses only", http.StatusMisdirectedRequest)
			return
		}
		w.Header().Set("X-Content-Type-Options", "nosniff")
		next.ServeHTTP(w, r)
	})
}
