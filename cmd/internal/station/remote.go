package station

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"time"

	"dwindle/collector"
	"dwindle/collector/reading"
)

// remote is the desk of another process, reached through its socket.
type remote struct {
	client *http.Client
	dir    string
}

// pingTime bounds the wait for a process that holds the directory and is stuck.
const pingTime = 5 * time.Second

// reach finds the process that serves a data directory; ok is false when none
// answers.
func reach(ctx context.Context, dir string) (r *remote, ok bool) {
	r = &remote{dir: dir, client: &http.Client{Transport: &http.Transport{
		DialContext: func(context.Context, string, string) (net.Conn, error) { return dialSocket(dir) },
	}}}
	ping, cancel := context.WithTimeout(ctx, pingTime)
	defer cancel()
	if err := r.call(ping, http.MethodGet, "/ping", nil, nil); err != nil {
		r.client.CloseIdleConnections()
		return nil, false
	}
	return r, true
}

func (r *remote) Record(ctx context.Context, facts ...reading.Fact) error {
	body, err := json.Marshal(facts)
	if err != nil {
		return fmt.Errorf("record: %w", err)
	}
	return r.call(ctx, http.MethodPost, "/facts", bytes.NewReader(body), nil)
}

func (r *remote) Replay(ctx context.Context, log io.Reader) (Replayed, error) {
	var out Replayed
	err := r.call(ctx, http.MethodPost, "/replay", log, &out)
	return out, err
}

func (r *remote) Rerun(ctx context.Context, opt collector.RerunOptions) (collector.Rerun, error) {
	body, err := json.Marshal(opt)
	if err != nil {
		return collector.Rerun{}, fmt.Errorf("run messages again: %w", err)
	}
	var out collector.Rerun
	err = r.call(ctx, http.MethodPost, "/reruns", bytes.NewReader(body), &out)
	return out, err
}

func (r *remote) Decide(ctx context.Context, d Decision) error {
	body, err := json.Marshal(d)
	if err != nil {
		return fmt.Errorf("%s alarm: %w", d.Verb, err)
	}
	return r.call(ctx, http.MethodPost, "/decisions", bytes.NewReader(body), nil)
}

func (r *remote) Learn(ctx context.Context, at time.Time) (Learned, error) {
	body, err := json.Marshal(wish{At: at})
	if err != nil {
		return Learned{}, fmt.Errorf("learn a calibration: %w", err)
	}
	var out Learned
	err = r.call(ctx, http.MethodPost, "/calibrations", bytes.NewReader(body), &out)
	return out, err
}

func (r *remote) Resend(ctx context.Context) (int, error) {
	var out resent
	err := r.call(ctx, http.MethodPost, "/resend", nil, &out)
	return out.Points, err
}

// Forwarding says what the process forwards.
func (r *remote) Forwarding(ctx context.Context) (Forwarding, error) {
	var out Forwarding
	err := r.call(ctx, http.MethodGet, "/forwarding", nil, &out)
	return out, err
}

func (r *remote) Close() error {
	r.client.CloseIdleConnections()
	return nil
}

func (r *remote) call(ctx context.Context, method, path string, body io.Reader, out any) error {
	req, err := http.NewRequestWithContext(ctx, method, "http://dwindle"+path, body)
	if err != nil {
		return fmt.Errorf("ask the serving process: %w", err)
	}
	resp, err := r.client.Do(req)
	if err != nil {
		return fmt.Errorf("ask the serving process of %s: %w", r.dir, err)
	}
	defer resp.Body.Close()
	if resp.StatusCode/100 != 2 {
		text, _ := io.ReadAll(io.LimitReader(resp.Body, 64<<10))
		return fmt.Errorf("the serving process answered: %s", strings.TrimSpace(string(text)))
	}
	if out == nil {
		return nil
	}
	if err := json.NewDecoder(resp.Body).Decode(out); err != nil {
		return fmt.Errorf("read the serving process's answer: %w", err)
	}
	return nil
}
