package station

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"strings"
	"time"

	"dwindle/collector"
	"dwindle/collector/reading"
)

// largestEntry bounds what one entry by a person may bring, in bytes.
const largestEntry = 1 << 20

// control serves a desk on the local socket. Who may connect is decided by the
// socket's file mode. A replay may take hours and learning a minute, so they
// end with stopping; entries are let finish.
func control(stopping context.Context, desk Desk) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /ping", func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusNoContent) })
	mux.HandleFunc("POST /facts", func(w http.ResponseWriter, r *http.Request) {
		var facts []reading.Fact
		if !readJSON(w, r, &facts) {
			return
		}
		answer(w, nil, desk.Record(r.Context(), facts...))
	})
	mux.HandleFunc("POST /replay", func(w http.ResponseWriter, r *http.Request) {
		ctx, end := context.WithCancel(r.Context())
		defer end()
		defer context.AfterFunc(stopping, func() {
			end()
			// A log whose sender has paused is being waited for.
			_ = http.NewResponseController(w).SetReadDeadline(time.Now())
		})()
		out, err := desk.Replay(ctx, r.Body)
		answer(w, out, err)
	})
	mux.HandleFunc("POST /reruns", func(w http.ResponseWriter, r *http.Request) {
		var opt collector.RerunOptions
		if !readJSON(w, r, &opt) {
			return
		}
		ctx, end := context.WithCancel(r.Context())
		defer end()
		defer context.AfterFunc(stopping, end)()
		out, err := desk.Rerun(ctx, opt)
		answer(w, out, err)
	})
	mux.HandleFunc("POST /decisions", func(w http.ResponseWriter, r *http.Request) {
		var d Decision
		if !readJSON(w, r, &d) {
			return
		}
		answer(w, nil, desk.Decide(r.Context(), d))
	})
	mux.HandleFunc("POST /calibrations", func(w http.ResponseWriter, r *http.Request) {
		var wanted wish
		if !readJSON(w, r, &wanted) {
			return
		}
		ctx, end := context.WithCancel(r.Context())
		defer end()
		defer context.AfterFunc(stopping, end)()
		out, err := desk.Learn(ctx, wanted.At)
		answer(w, out, err)
	})
	mux.HandleFunc("POST /resend", func(w http.ResponseWriter, r *http.Request) {
		n, err := desk.Resend(r.Context())
		answer(w, resent{n}, err)
	})
	if f, ok := desk.(interface {
		Forwarding(context.Context) (Forwarding, error)
	}); ok {
		mux.HandleFunc("GET /forwarding", func(w http.ResponseWriter, r *http.Request) {
			out, err := f.Forwarding(r.Context())
			answer(w, out, err)
		})
	}
	return mux
}

// resent says how many points are sent again.
type resent struct {
	Points int `json:"points"`
}

// wish asks for a calibration as of an instant.
type wish struct {
	At time.Time `json:"at"`
}

func readJSON(w http.ResponseWriter, r *http.Request, v any) bool {
	dec := json.NewDecoder(http.MaxBytesReader(w, r.Body, largestEntry))
	dec.DisallowUnknownFields()
	if err := dec.Decode(v); err != nil {
		http.Error(w, "entry cannot be read: "+err.Error(), http.StatusBadRequest)
		return false
	}
	return true
}

func answer(w http.ResponseWriter, out any, err error) {
	if err != nil {
		code := http.StatusInternalServerError
		var refused *Refusal
		if errors.As(err, &refused) {
			code = http.StatusUnprocessableEntity
		}
		http.Error(w, strings.TrimSpace(err.Error()), code)
		return
	}
	if out == nil {
		w.WriteHeader(http.StatusNoContent)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	// The status line is out by now: a reader that went away is not our fault.
	_ = json.NewEncoder(w).Encode(out)
}

// Refusal is an entry that cannot be taken as it is, with what to do.
type Refusal struct{ What, Remedy string }

func (e *Refusal) Error() string {
	if e.Remedy == "" {
		return e.What
	}
	return e.What + "\ntry: " + e.Remedy
}
