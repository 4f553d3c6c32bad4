package board

import (
	"net/http"
	"strings"
)

type healthBody struct {
	Checks  []checkView
	Bad     int
	Counts  []Count
	Kept    []keptView
	Unknown []unknownView
	// MoreUnknown counts those that are not shown.
	MoreUnknown int
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
	for _, c := range b.src.Checks() {
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
		kv := keptView{Reason: strings.ReplaceAll(k.Reason, "_", " "), N: k.N}
		for _, s := range k.Samples {
			kv.Samples = append(kv.Samples, sampleView{v.clock(s.Received), s.Topic, s.Payload, s.Detail})
		}
		body.Kept = append(body.Kept, kv)
	}
	body.MoreUnknown = max(0, len(h.Unknown)-pageRows)
	for _, u := range h.Unknown[:len(h.Unknown)-body.MoreUnknown] {
		body.Unknown = append(body.Unknown, unknownView{u.Device, v.clock(u.First), v.ago(u.Last), u.Messages})
	}
	v.Body = &body
	return nil
}

// healthz says whether the program does its work at all.
func (b *board) healthz(w http.ResponseWriter, r *http.Request) { b.src.Live().ServeHTTP(w, r) }

// readyz says whether messages can be taken.
func (b *board) readyz(w http.ResponseWriter, r *http.Request) { b.src.Ready().ServeHTTP(w, r) }
