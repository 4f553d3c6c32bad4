package board

import (
	"cmp"
	"net/http"
	"slices"
	"strings"
	"time"
)

// NoticesShown is how many notices the page shows at most.
const NoticesShown = 50

// Clocks are shown that are off by more than clockOff, so many at most: less is
// no more than a message may be under way.
const (
	clockOff    = time.Minute
	clocksShown = 50
)

type healthBody struct {
	Checks  []checkView
	Bad     int
	Counts  []Count
	Kept    []keptView
	Unknown []unknownView
	// MoreUnknown counts those that are not shown.
	MoreUnknown int
	Noticed     []noticeView
	Full        bool // there may be older notices
	Clocks      []clockView
	MoreClocks  int
	Forward     *forwardView
}

type forwardView struct {
	To, Oldest, Last string
	Counts           []Count
	Kept             []refusalView
}

type refusalView struct{ At, Reason, Words, Line string }

type noticeView struct {
	At, Until, Device, Words, Evidence, Try string
	Lasts                                   bool
}

type clockView struct{ Device, Off, Hint string }

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
	for _, n := range h.Noticed[:min(len(h.Noticed), NoticesShown)] {
		body.Noticed = append(body.Noticed, v.notice(n))
	}
	body.Full = len(body.Noticed) == NoticesShown
	off := clocksOff(h.Clocks)
	body.MoreClocks = max(0, len(off)-clocksShown)
	for _, c := range off[:len(off)-body.MoreClocks] {
		cv := clockView{Device: c.Device, Hint: c.Hint}
		switch {
		case c.Behind > clockOff:
			cv.Off = "behind by " + span(c.Behind)
		case c.Behind < -clockOff:
			cv.Off = "ahead by " + span(-c.Behind)
		}
		body.Clocks = append(body.Clocks, cv)
	}
	if f := h.Forward; f != nil {
		body.Forward = v.forward(f)
	}
	v.Body = &body
	return nil
}

func (v *view) forward(f *Forward) *forwardView {
	out := &forwardView{To: f.To, Counts: f.Counts}
	if !f.Oldest.IsZero() {
		out.Oldest = v.clock(f.Oldest)
	}
	if !f.Last.IsZero() {
		out.Last = v.ago(f.Last)
	}
	for _, r := range f.Kept {
		out.Kept = append(out.Kept, refusalView{v.clock(r.At), strings.ReplaceAll(r.Reason, "_", " "), r.Words, r.Line})
	}
	return out
}

func (v *view) notice(n Notice) noticeView {
	out := noticeView{At: v.clock(n.At), Device: n.Device, Words: n.Words, Evidence: n.Evidence, Lasts: n.Until.IsZero()}
	if out.Lasts {
		out.Try = n.Try // what is over asks for nothing
	} else if n.Until.After(n.At) {
		out.Until = v.clock(n.Until)
	}
	return out
}

// clocksOff gives the clocks that are wrong, the worst first.
func clocksOff(all []Clock) []Clock {
	off := slices.DeleteFunc(slices.Clone(all), func(c Clock) bool { return c.Hint == "" && c.Behind.Abs() <= clockOff })
	slices.SortStableFunc(off, func(a, b Clock) int {
		return cmp.Or(cmp.Compare(b.Behind.Abs(), a.Behind.Abs()), strings.Compare(a.Device, b.Device))
	})
	return off
}

// healthz says whether the program does its work at all.
func (b *board) healthz(w http.ResponseWriter, r *http.Request) { b.src.Live().ServeHTTP(w, r) }

// readyz says whether messages can be taken.
func (b *board) readyz(w http.ResponseWriter, r *http.Request) { b.src.Ready().ServeHTTP(w, r) }
