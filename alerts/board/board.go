// Package board serves the web pages and the read-only JSON of a site: the
// fleet on one date axis, the alarm list, one page per point, and the health
// of the collector.
//
// Pages are rendered here with embedded assets; they need no script, no other
// server and no internet. It imports the nouns of forecast and alerts/alarm
// and gets its data through [Source]. Start with [New].
package board

import (
	"net/http"
	"time"
)

// Options of New; zero values have the meaning given.
type Options struct {
	Now func() time.Time // nil: the real clock
}

// New gives the handler of all pages.
func New(src Source, opt Options) http.Handler {
	return http.NewServeMux()
}
