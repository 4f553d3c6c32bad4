package board

import (
	"net/http"
)

type healthBody struct {
	Checks  []checkView
	Bad     int
	Counts  []Count
	Kept    []keptView
	Unknown []unknownView
}

type checkView struct{ Name, Level, What, Try, Since string }

type keptView struct {
	Reason  string
	N       int64
	Samples []sampleView
}

type sampleView struct{ At, Topic, Payload, Detail string }

type unknownView struct {
	Device, First, Last string
	Messages            int64
}

func (b *board) health(r *http.Request, v *view) error {
	ctx, cancel := within(r)
	defer cancel()
	v.Title, v.Nav, v.template = "Health", "health", "health.html"
	h, err := b.src.Health(ctx)
	if err != nil {
		return err
	}
	body := healthBody{Counts: h.Counts}
	for _, c := range h.Checks {
		cv := checkView{Name: c.Name, Level: c.Level, What: c.What, Try: c.Try}
		if !c.Since.IsZero() {
			cv.Since = v.ago(c.Since)
		}
		if c.Level != "ok" {
			body.Bad++
		}
		body.Checks = append(body.Checks, cv)
	}
	for _, k := range h.Kept {
		kv := keptView{Reason: k.Reason, N: k.N}
		for _, s := range k.Samples {
			kv.Samples = append(kv.Samples, sampleView{v.clock(s.Received), s.Topic, s.Payload, s.Detail})
		}
		body.Kept = append(body.Kept, kv)
	}
	for _, u := range h.Unknown {
		body.Unknown = append(body.Unknown, unknownView{u.Device, v.clock(u.First), v.ago(u.Last), u.Messages})
	}
	v.Body = &body
	return nil
}

// healthz is for machines: 200 unless a check is bad.
func (b *board) healthz(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := within(r)
	defer cancel()
	h, err := b.src.Health(ctx)
	if err != nil {
		b.log.Error("health failed", "err", err)
		b.answer(w, r, http.StatusServiceUnavailable, map[string]any{"status": "bad"})
		return
	}
	status, code := "ok", http.StatusOK
	for _, c := range h.Checks {
		switch {
		case c.Level == "bad":
			status, code = "bad", http.StatusServiceUnavailable
		case c.Level == "warn" && status == "ok":
			status = "warn"
		}
	}
	if h.Checks == nil {
		h.Checks = []Check{}
	}
	b.answer(w, r, code, map[string]any{"status": status, "checks": h.Checks})
}

// readyz is 200 once there is a forecast to show.
func (b *board) readyz(w http.ResponseWriter, r *http.Request) {
	if _, ok := b.src.Fleet(); !ok {
		b.answer(w, r, http.StatusServiceUnavailable, map[string]any{"ready": false, "why": "the first forecast is still being made"})
		return
	}
	b.answer(w, r, http.StatusOK, map[string]any{"ready": true})
}
