package sparkplug

import (
	"cmp"
	"encoding/json"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"
)

// StateTopic is the topic of a host's STATE.
func StateTopic(id string) string { return namespace + "/STATE/" + id }

// ParseState reads a host's STATE: JSON since 3.0, a word before.
func ParseState(payload []byte) (online, ok bool) {
	switch text := strings.TrimSpace(string(payload[:min(len(payload), 1024)])); text {
	case "ONLINE":
		return true, true
	case "OFFLINE":
		return false, true
	}
	var s struct {
		Online *bool `json:"online"`
	}
	if len(payload) > 1024 || json.Unmarshal(payload, &s) != nil || s.Online == nil {
		return false, false
	}
	return *s.Online, true
}

// state is our own STATE: JSON with both keys, QoS 1, retained
// (tck-id-host-topic-phid-birth-payload, -qos, -retain; -death- likewise).
func (h *Host) state(online bool, at time.Time) Publication {
	text := `{"online":` + strconv.FormatBool(online) + `,"timestamp":` + strconv.FormatInt(at.UnixMilli(), 10) + `}`
	return Publication{Topic: StateTopic(h.opt.ID), Payload: []byte(text), QoS: 1, Retained: true}
}

// Opening begins a connection and gives its Will; ok is false where STATE is
// not published. The Will carries the time of the connection
// (tck-id-host-topic-phid-death-payload-timestamp-connect).
func (h *Host) Opening(now time.Time) (will Publication, ok bool) {
	h.up, h.since = false, now
	if !h.opt.Primary {
		return Publication{}, false
	}
	return h.state(false, now), true
}

// Opened says that the broker has accepted us and granted the subscriptions,
// which come before STATE (tck-id-host-topic-phid-birth-required). Its time
// is that of the Will (tck-id-host-topic-phid-birth-payload-timestamp).
func (h *Host) Opened(now time.Time) Outcome {
	r := &run{h: h, now: now}
	h.up, h.announce, h.announced = true, false, time.Time{}
	if h.opt.Primary {
		r.Publish = append(r.Publish, h.state(true, h.since))
	}
	r.timers()
	return r.Outcome
}

// Closing gives what is to be published before we leave on purpose
// (tck-id-operational-behavior-host-application-disconnect-intentional), with
// the present time (tck-id-host-topic-phid-death-payload-timestamp-disconnect-clean).
func (h *Host) Closing(now time.Time) []Publication {
	if !h.up || !h.opt.Primary {
		return nil
	}
	h.up = false
	return []Publication{h.state(false, now)}
}

// Closed says that the connection has ended: nothing that is known of the edge
// nodes holds any more, and each has to be born again. What was held back is
// handed on as far as it stands for itself. What the births said is kept to be
// compared with the next ones, and the session's number, should its death come.
func (h *Host) Closed(now time.Time) Outcome {
	r := &run{h: h, now: now}
	h.up, h.announce = false, false
	for _, e := range slices.SortedFunc(maps.Values(h.edges), func(a, b *edge) int { return cmp.Compare(a.key, b.key) }) {
		r.release(e, func(held) bool { return true })
		e.deadline, e.wants = time.Time{}, ""
		if e.state == Online || e.state == Stale {
			r.become(e, Unknown, "the connection to the broker ended")
		}
		h.settle(e)
	}
	return r.Outcome
}

// stateReport takes the STATE of a host. Our own, false while we are there, is
// a late Will or of somebody who uses our id: it is put right, at most once a
// second (tck-id-operational-behavior-host-application-... of chapter 5).
func (r *run) stateReport(host string, payload []byte) {
	h := r.h
	online, ok := ParseState(payload)
	if !ok || online || !h.up || !h.opt.Primary || host != h.opt.ID {
		return
	}
	h.announce = true
}
