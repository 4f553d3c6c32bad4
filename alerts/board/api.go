package board

import (
	"encoding/json"
	"net/http"
	"time"

	"dwindle/alerts/alarm"
	"dwindle/forecast"
)

// head is what every JSON answer begins with.
type head struct {
	Site string    `json:"site"`
	At   time.Time `json:"at"`
	Zone string    `json:"zone"`
}

func headOf(f forecast.Fleet) head { return head{f.Site, f.At.UTC(), f.Zone} }

// problem is an error in the form of RFC 9457.
type problem struct {
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail,omitempty"`
}

func (p *problem) Error() string { return p.Title }

// errNoFleet is the answer before the first pass.
var errNoFleet = &problem{"no forecast yet", http.StatusServiceUnavailable, "the first forecast is still being made; ask again in a moment"}

func (b *board) json(make func(*http.Request) (any, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		out, err := make(r)
		if err == nil {
			b.answer(w, r, http.StatusOK, out)
			return
		}
		p, ok := err.(*problem)
		if !ok {
			b.log.Error("request failed", "path", r.URL.Path, "err", err)
			p = &problem{"the answer could not be made", http.StatusInternalServerError, "the program's log says why"}
		}
		w.Header().Set("Content-Type", "application/problem+json")
		b.answer(w, r, p.Status, p)
	}
}

// answer writes JSON; values hold no NaN, which the forecast never gives.
func (b *board) answer(w http.ResponseWriter, r *http.Request, status int, v any) {
	body, err := json.Marshal(v)
	if err != nil {
		b.log.Error("request failed", "path", r.URL.Path, "err", err)
		status, body = http.StatusInternalServerError, []byte(`{"title":"the answer could not be made","status":500}`)
	}
	if w.Header().Get("Content-Type") == "" {
		w.Header().Set("Content-Type", "application/json")
	}
	b.send(w, r, status, append(body, '\n'))
}

func (b *board) apiForecast(*http.Request) (any, error) {
	f, ok := b.src.Fleet()
	if !ok {
		return nil, errNoFleet
	}
	rows := make([]forecast.Row, len(f.States))
	for i := range f.States {
		rows[i] = f.States[i].Row
	}
	return struct {
		head
		Forecasts []forecast.Row `json:"forecasts"`
	}{headOf(f), rows}, nil
}

func (b *board) apiDelivery(*http.Request) (any, error) {
	f, ok := b.src.Fleet()
	if !ok {
		return nil, errNoFleet
	}
	rows := make([]forecast.Delivery, len(f.States))
	for i := range f.States {
		rows[i] = f.States[i].Delivery
	}
	return struct {
		head
		Delivery []forecast.Delivery `json:"delivery"`
	}{headOf(f), rows}, nil
}

func (b *board) apiAlarms(r *http.Request) (any, error) {
	ctx, cancel := within(r)
	defer cancel()
	q := r.URL.Query()
	rows, err := b.src.Alarms(ctx, q.Get("point"), q.Get("history") != "", 1000)
	if err != nil {
		return nil, err
	}
	if rows == nil {
		rows = []alarm.Row{}
	}
	f, ok := b.src.Fleet()
	h := headOf(f)
	if !ok {
		site := b.src.Site()
		h = head{site.ID, b.now().UTC(), site.Zone}
	}
	return struct {
		head
		Alarms []alarm.Row `json:"alarms"`
	}{h, rows}, nil
}
