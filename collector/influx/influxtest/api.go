package influxtest

import (
	"bytes"
	"crypto/rand"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"
)

// client asks the server itself: no proxy of the environment, no connection
// that is kept over a restart.
var client = &http.Client{Timeout: 30 * time.Second, Transport: &http.Transport{DisableKeepAlives: true}}

// setUp makes the first user, organisation, bucket and token.
func (s *Server) setUp() error {
	var out struct {
		Org struct {
			ID string `json:"id"`
		} `json:"org"`
	}
	err := s.Do("POST", "/api/v2/setup", map[string]any{
		"username": "tester", "password": rand.Text(), "org": s.Org, "bucket": "first", "token": s.Token,
	}, &out)
	s.orgID = out.Org.ID
	return err
}

// findOrg asks for the number of the organisation.
func (s *Server) findOrg() error {
	var out struct {
		Orgs []struct {
			ID string `json:"id"`
		} `json:"orgs"`
	}
	err := s.Do("GET", "/api/v2/orgs?org="+url.QueryEscape(s.Org), nil, &out)
	if err == nil && len(out.Orgs) != 1 {
		err = fmt.Errorf("no organisation %q", s.Org)
	}
	if err == nil {
		s.orgID = out.Orgs[0].ID
	}
	return err
}

// OrgID is the number by which the API knows the organisation.
func (s *Server) OrgID() string { return s.orgID }

// Bucket makes an empty bucket that keeps everything, and returns its name. It
// goes with the test. A year of data is one shard in it, not a week as in a
// bucket made without a word on that: each new shard takes the server some 20 ms
// and about a megabyte, and a write that needs so many that 10 s do not do is
// answered 500 (measured with 2.8.0).
func (s *Server) Bucket(t testing.TB) string {
	t.Helper()
	name := strings.NewReplacer("/", "-", "#", "-").Replace(t.Name()) + "-" + rand.Text()[:8]
	var out struct {
		ID string `json:"id"`
	}
	keep := map[string]any{"type": "expire", "everySeconds": 0, "shardGroupDurationSeconds": 52 * 7 * 24 * 60 * 60}
	if err := s.Do("POST", "/api/v2/buckets", map[string]any{"orgID": s.orgID, "name": name, "retentionRules": []any{keep}}, &out); err != nil {
		t.Fatalf("make a bucket: %v", err)
	}
	t.Cleanup(func() {
		if s.own == nil || s.proc.running() {
			_ = s.Do("DELETE", "/api/v2/buckets/"+out.ID, nil, nil) // the test may have deleted it
		}
	})
	return name
}

// StatusError is an answer that says no.
type StatusError struct {
	Status int
	Body   string
}

func (e *StatusError) Error() string {
	return fmt.Sprintf("the server answers %d: %s", e.Status, e.Body)
}

// Do asks the API with the token of the server: in goes as JSON unless it is a
// string, nil sends nothing; out may be nil, or a *string for an answer that is
// no JSON. An answer of 300 or more is a *[StatusError].
func (s *Server) Do(method, path string, in, out any) error {
	var body []byte
	kind := "application/json"
	switch in := in.(type) {
	case nil:
	case string:
		body, kind = []byte(in), "text/plain; charset=utf-8"
	default:
		var err error
		if body, err = json.Marshal(in); err != nil {
			return err
		}
	}
	req, err := http.NewRequest(method, s.URL+path, bytes.NewReader(body))
	if err != nil {
		return err
	}
	req.Header.Set("Authorization", "Token "+s.Token)
	req.Header.Set("Content-Type", kind)
	resp, err := client.Do(req)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	switch {
	case err != nil:
		return err
	case resp.StatusCode >= 300:
		return &StatusError{resp.StatusCode, strings.TrimSpace(string(text))}
	}
	switch out := out.(type) {
	case nil:
		return nil
	case *string:
		*out = string(text)
		return nil
	default:
		return json.Unmarshal(text, out)
	}
}

// Write writes line protocol with times in nanoseconds, past all of dwindle.
func (s *Server) Write(t testing.TB, bucket, lines string) {
	t.Helper()
	path := "/api/v2/write?" + url.Values{"org": {s.Org}, "bucket": {bucket}, "precision": {"ns"}}.Encode()
	if err := s.Do("POST", path, lines, nil); err != nil {
		t.Fatalf("write to %s: %v", bucket, err)
	}
}

// Query runs a Flux query and returns the rows of all its tables, each by the
// names of the columns. Values are as the server's CSV writes them.
func (s *Server) Query(t testing.TB, flux string) []map[string]string {
	t.Helper()
	var text string
	if err := s.Do("POST", "/api/v2/query?org="+url.QueryEscape(s.Org), map[string]any{
		"query": flux, "dialect": map[string]any{"header": true, "annotations": []string{"datatype"}, "delimiter": ","},
	}, &text); err != nil {
		t.Fatalf("query: %v", err)
	}
	rows, err := tables(text)
	if err != nil {
		t.Fatalf("read the answer to a query: %v\n%s", err, text)
	}
	return rows
}

// tables reads the rows of a Flux answer, in which each head follows a line of
// types.
func tables(text string) (rows []map[string]string, err error) {
	lines := csv.NewReader(strings.NewReader(text))
	lines.FieldsPerRecord = -1 // each table has its own
	var head []string
	for {
		cells, err := lines.Read()
		switch {
		case errors.Is(err, io.EOF):
			return rows, nil
		case err != nil:
			return nil, err
		case cells[0] == "#datatype":
			head = nil
			continue
		case head == nil:
			head = cells
			continue
		case len(cells) != len(head):
			return nil, fmt.Errorf("%d values under %d names", len(cells), len(head))
		}
		row := make(map[string]string, len(cells))
		for i, cell := range cells {
			if name := head[i]; name != "" && name != "result" && name != "table" {
				row[name] = cell
			}
		}
		if e, bad := row["error"]; bad && head[1] == "error" { // comes after 200, when rows were sent already
			return nil, errors.New(e)
		}
		rows = append(rows, row)
	}
}

// Count is the number of values in a bucket, of all series, fields and times.
func (s *Server) Count(t testing.TB, bucket string) int {
	t.Helper()
	rows := s.Query(t, fmt.Sprintf(`from(bucket: %q) |> range(start: 1678-01-01T00:00:00Z, stop: 2262-01-01T00:00:00Z) |> count() |> group() |> sum()`, bucket))
	if len(rows) == 0 {
		return 0
	}
	var n int
	if _, err := fmt.Sscan(rows[0]["_value"], &n); err != nil {
		t.Fatalf("count the values in %s: %v", bucket, err)
	}
	return n
}
