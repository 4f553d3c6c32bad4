package query

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	influxhttp "github.com/influxdata/influxdb-client-go/v2/api/http"
	"github.com/influxdata/influxdb-client-go/v2/api/query"

	"dwindle/collector/influx/connect"
	"dwindle/config"
)

// Options of New.
type Options struct {
	Server *config.Influx // as [config.Site.Influx] gives it
	Site   string         // id of the site: questions are about no other
	// Rows bounds the rows of one answer; 0: as many as were found to be best.
	Rows int
	// Wait waits between tries; nil: it does.
	Wait func(ctx context.Context, d time.Duration) error
}

// pageRows is how many rows one answer may have: a reading has three, an exact
// count or an increment four at most. Measured with 100,000 readings of one
// channel on an EPYC core, InfluxDB 2.8.0 on the same machine; thousands of
// readings for each second of processor time:
//
//	rows     3,000  15,000  30,000  60,000  120,000  400,000
//	here       131     178     190     208      218      223
//	server      39     143     221     318      383      457
//	both        30      79     102     126      139      150
//
// More rows bring little, and memory goes with them on both sides: a page of
// this size takes some 10 MB here.
const pageRows = 60_000

// Reader asks one bucket about one site. Safe for concurrent use.
type Reader struct {
	server *config.Influx
	site   string
	rows   int
	wait   func(ctx context.Context, d time.Duration) error
	way    *transport
	http   *http.Client
	client influxdb2.Client
}

// New makes a reader. Nothing is asked yet.
func New(opt Options) (*Reader, error) {
	way, err := newTransport(opt.Server)
	if err != nil {
		return nil, err
	}
	r := &Reader{server: opt.Server, site: opt.Site, rows: opt.Rows, wait: opt.Wait, way: way}
	if r.rows <= 0 {
		r.rows = pageRows
	}
	if r.wait == nil {
		r.wait = wait
	}
	// The token is added by the transport, which can read it anew.
	r.http = connect.Client(way, 0)
	r.client = influxdb2.NewClientWithOptions(opt.Server.URL, "", influxdb2.DefaultOptions().SetHTTPClient(r.http))
	return r, nil
}

// Close ends idle connections.
func (r *Reader) Close() {
	r.client.Close()
	r.way.base.CloseIdleConnections()
}

func wait(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}

// question is one query, bounded in time and rows.
type question struct {
	what        string // for errors: what is asked for
	imports     string
	from        string    // what is asked in place of the bucket's points
	start, stop time.Time // start is in it, stop is not
	where       string    // a condition on r besides the site; not empty
	then        string    // what is done with the rows
	most        int       // rows that may come
}

const marked = "end"

// flux gives the text of the question. The second result bears the mark.
func (q *question) flux(bucket, site, mark string) string {
	var b strings.Builder
	b.WriteString("import \"array\"\n")
	b.WriteString(q.imports)
	if q.from != "" {
		b.WriteString(q.from)
	} else {
		fmt.Fprintf(&b, "from(bucket: %s)\n  |> range(start: %s, stop: %s)\n  |> filter(fn: (r) => r.site == %s and %s)\n", Quote(bucket), instant(q.start), instant(q.stop), Quote(site), q.where)
	}
	b.WriteString(q.then)
	fmt.Fprintf(&b, "  |> yield(name: \"page\")\narray.from(rows: [{%s: %s}]) |> yield(name: %s)\n", marked, Quote(mark), Quote(marked))
	return b.String()
}

// tries bounds how often one question is asked: a proposal.
const tries = 4

// longest is how long a server may tell us to wait before that is an answer
// of its own.
const longest = 30 * time.Second

// ask asks until there is a whole answer. Each try begins with begin, which
// gives what takes its rows: what was taken before does not count.
func (r *Reader) ask(ctx context.Context, q question, begin func() func(*query.FluxRecord) error) error {
	if !q.start.Before(q.stop) {
		begin()
		return nil
	}
	pause := 250 * time.Millisecond
	renewed := false
	for try := 1; ; try++ {
		err := r.once(ctx, &q, begin())
		if err == nil {
			return nil
		}
		if ctx.Err() != nil {
			return fmt.Errorf("ask InfluxDB for %s: %w", q.what, ctx.Err())
		}
		again, after := judge(err)
		if status(err) == http.StatusUnauthorized && !renewed {
			renewed = true
			again = r.way.forget() // somebody may have changed it
		}
		if !again || try == tries || after > longest {
			return fmt.Errorf("ask InfluxDB for %s: %w", q.what, r.explain(err, try))
		}
		if err := r.wait(ctx, max(after, pause)); err != nil {
			return fmt.Errorf("ask InfluxDB for %s: %w", q.what, err)
		}
		pause *= 2
	}
}

// once asks once.
func (r *Reader) once(ctx context.Context, q *question, take func(*query.FluxRecord) error) error {
	ctx, cancel := context.WithTimeout(ctx, askTime)
	defer cancel() // closes the connection as well where the answer was not read to its end
	mark := rand.Text() + strings.Repeat(" ", markLength)
	res, err := r.client.QueryAPI(r.server.Organisation).Query(ctx, q.flux(r.server.Bucket, r.site, mark))
	if err != nil {
		return err
	}
	defer res.Close()
	found, n := false, 0
	for res.Next() {
		rec := res.Record()
		if rec.Result() == marked {
			found = found || rec.ValueByKey(marked) == mark
			continue
		}
		if n++; n > q.most {
			return fmt.Errorf("%w: more than the %d rows came that were asked for", errOdd, q.most)
		}
		if err := take(rec); err != nil {
			return fmt.Errorf("%w: %w", errOdd, err)
		}
	}
	switch err := res.Err(); {
	case err != nil && ctx.Err() != nil:
		return fmt.Errorf("%w: %w", ctx.Err(), err)
	case err != nil: // cut, or with an error of the server in the middle
		return fmt.Errorf("%w: %w", errNotWhole, err)
	case !found:
		return fmt.Errorf("%w: the mark of the question is missing in it", errNotWhole)
	}
	return nil
}

// errOdd is a whole answer that is none to the question, and would come again.
var errOdd = errors.New("the answer does not fit the question")

// status gives the HTTP status that an error is about; 0: none.
func status(err error) int {
	var e *influxhttp.Error
	if errors.As(err, &e) {
		return e.StatusCode
	}
	return 0
}

// judge says whether the same question may be answered yet, and how long the
// server wants to be left alone.
func judge(err error) (again bool, after time.Duration) {
	switch s := status(err); {
	case errors.Is(err, errOdd), errors.Is(err, errToken):
		return false, 0
	case s == http.StatusTooManyRequests || s == http.StatusServiceUnavailable:
		var e *influxhttp.Error
		errors.As(err, &e)
		after, _ = connect.RetryAfter(e.Header.Get("Retry-After"), time.Now())
		return true, after
	case s == http.StatusRequestTimeout || s >= 500:
		return true, 0
	}
	return status(err) == 0, 0
}

// explain adds what to do.
func (r *Reader) explain(err error, tries int) error {
	if tries > 1 {
		err = fmt.Errorf("%w (asked %d times)", err, tries)
	}
	switch status(err) {
	case http.StatusUnauthorized:
		return fmt.Errorf("%w: see that %s holds a token of this server that is in force", err, r.server.TokenFile)
	case http.StatusForbidden:
		return fmt.Errorf("%w: the token must be allowed to read bucket %s", err, r.server.Bucket)
	case http.StatusNotFound:
		return fmt.Errorf("%w: see that the organisation %s and the bucket %s are there, and that the token may read the bucket", err, r.server.Organisation, r.server.Bucket)
	}
	return err
}
