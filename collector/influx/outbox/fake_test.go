package outbox

import (
	"bytes"
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/health"
	"dwindle/collector/influx/schema"
	"dwindle/collector/reading"
)

const secret = "s3cr3t-t0ken-of-the-test"

// box is an outbox in memory.
type box struct {
	mu      sync.Mutex
	waiting []Parcel
	given   int
	refused []Refused
	done    int
	ready   chan struct{}
	failing error // what Done says
	backlog Backlog
}

func newBox(parcels ...Parcel) *box { return &box{waiting: parcels, ready: make(chan struct{}, 1)} }

func (b *box) put(parcels ...Parcel) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.waiting = append(b.waiting, parcels...)
	select {
	case b.ready <- struct{}{}:
	default:
	}
}

func (b *box) Next(_ context.Context, maxRows int) (Parcel, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.given == len(b.waiting) {
		return Parcel{}, nil
	}
	p := b.waiting[b.given]
	if len(p.Readings) > maxRows { // the rest is the next parcel
		rest := p
		rest.Readings, p.Readings = p.Readings[maxRows:], p.Readings[:maxRows]
		rest.Facts, rest.Lines, rest.Ranges = nil, nil, nil
		b.waiting[b.given] = p
		b.waiting = slices.Insert(b.waiting, b.given+1, rest)
	}
	b.given++
	p.More = b.given < len(b.waiting)
	return p, nil
}

func (b *box) Done(_ context.Context, _ Parcel, refused []Refused) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.failing != nil {
		return b.failing
	}
	b.waiting = b.waiting[1:]
	b.given--
	b.done++
	b.refused = append(b.refused, refused...)
	return nil
}

func (b *box) Back() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.given = 0
}

func (b *box) Ready() <-chan struct{} { return b.ready }

func (b *box) Backlog(context.Context) (Backlog, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := b.backlog
	for _, p := range b.waiting {
		out.Readings += int64(len(p.Readings))
		out.Facts += int64(len(p.Facts))
		out.Lines += int64(len(p.Lines))
	}
	return out, nil
}

// all says that nothing waits.
func (b *box) all() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return len(b.waiting) == 0
}

var start = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

// hours are n readings of a machine's hour counter, a minute apart.
func hours(device string, n int) (out []reading.Reading) {
	for i := range n {
		at := start.Add(time.Duration(i) * time.Minute)
		out = append(out, reading.Reading{
			Channel: reading.Channel{Device: device, Quantity: reading.RunHours},
			At:      at, Received: at.Add(40 * time.Millisecond), FromDevice: true, Value: 100 + float64(i)/60,
		})
	}
	return out
}

// said is an answer of the fake server.
type said struct {
	status int
	header http.Header
	body   string
	// The server takes the lines before it answers with the status.
	takes bool
	// The connection ends without an answer.
	cut bool
	// Nothing is answered for so long.
	silent time.Duration
}

func invalid(message string) said {
	return said{status: 400, body: fmt.Sprintf(`{"code":"invalid","message":%q}`, message)}
}

func unprocessable(message string) said {
	return said{status: 422, body: fmt.Sprintf(`{"code":"unprocessable entity","message":%q}`, message)}
}

// server is a receiver of points in memory, on pipes, so that time can be that
// of a synctest bubble.
type server struct {
	t      *testing.T
	answer atomic.Pointer[func(n int, lines []string) said] // nil: takes everything
	remove func(body string) said

	mu       sync.Mutex
	lines    map[string]string // series and time: fields
	rewrites int               // of a line that was there with another value
	order    []string          // of the lines as they came first
	requests []time.Time
	sizes    []int // lines in each
	deletes  []string
	tokens   []string
	hosts    []string
	listener chan net.Conn
	closed   chan struct{}
}

func newServer(t *testing.T) *server {
	s := &server{t: t, lines: map[string]string{}, listener: make(chan net.Conn), closed: make(chan struct{})}
	srv := &http.Server{Handler: s, ErrorLog: slog.NewLogLogger(slog.DiscardHandler, slog.LevelError)}
	done := make(chan struct{})
	go func() { defer close(done); _ = srv.Serve(s) }()
	t.Cleanup(func() { _ = srv.Close(); <-done })
	return s
}

// says sets what is answered from now on; nil: everything is taken.
func (s *server) says(answer func(n int, lines []string) said) {
	if answer == nil {
		s.answer.Store(nil)
		return
	}
	s.answer.Store(&answer)
}

func (s *server) Accept() (net.Conn, error) {
	select {
	case c := <-s.listener:
		return c, nil
	case <-s.closed:
		return nil, net.ErrClosed
	}
}

func (s *server) Close() error {
	select {
	case <-s.closed:
	default:
		close(s.closed)
	}
	return nil
}

func (s *server) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 8086} }

func (s *server) dial(ctx context.Context, _, addr string) (net.Conn, error) {
	s.mu.Lock()
	s.hosts = append(s.hosts, addr)
	s.mu.Unlock()
	ours, theirs := net.Pipe()
	select {
	case s.listener <- theirs:
		return ours, nil
	case <-s.closed:
	case <-ctx.Done():
	}
	return nil, &net.OpError{Op: "dial", Net: "tcp", Err: fmt.Errorf("connection refused")}
}

func (s *server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	var body io.Reader = r.Body
	if r.Header.Get("Content-Encoding") == "gzip" {
		z, err := gzip.NewReader(r.Body)
		if err != nil {
			panic(http.ErrAbortHandler)
		}
		body = z
	}
	text, err := io.ReadAll(body)
	if err != nil {
		panic(http.ErrAbortHandler)
	}
	s.mu.Lock()
	s.tokens = append(s.tokens, r.Header.Get("Authorization"))
	s.mu.Unlock()
	if r.URL.Path == "/api/v2/delete" {
		s.mu.Lock()
		s.deletes = append(s.deletes, string(text))
		s.mu.Unlock()
		said := said{status: 204}
		if s.remove != nil {
			said = s.remove(string(text))
		}
		s.reply(w, r, said)
		return
	}
	require.Equal(s.t, "gzip", r.Header.Get("Content-Encoding"))
	require.Equal(s.t, "ns", r.URL.Query().Get("precision"))
	require.Equal(s.t, "/api/v2/write", r.URL.Path)
	lines := strings.Split(strings.TrimSuffix(string(text), "\n"), "\n")
	s.mu.Lock()
	n := len(s.requests)
	s.requests = append(s.requests, time.Now())
	s.sizes = append(s.sizes, len(lines))
	s.mu.Unlock()
	said := said{status: 204}
	if answer := s.answer.Load(); answer != nil {
		said = (*answer)(n, lines)
	}
	if said.status == 204 && !said.cut && said.silent == 0 || said.takes {
		s.take(lines)
	}
	s.reply(w, r, said)
}

func (s *server) reply(w http.ResponseWriter, r *http.Request, said said) {
	if said.silent > 0 {
		pause(r.Context(), said.silent)
	}
	if said.cut {
		panic(http.ErrAbortHandler)
	}
	for name, values := range said.header {
		w.Header()[name] = values
	}
	if strings.HasPrefix(said.body, "{") {
		w.Header().Set("Content-Type", "application/json; charset=utf-8")
	}
	w.WriteHeader(said.status)
	_, _ = io.WriteString(w, said.body)
}

func (s *server) take(lines []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, line := range lines {
		cut := strings.LastIndexByte(line, ' ')
		head, at := line[:cut], line[cut:]
		space := strings.IndexByte(head, ' ')
		key, fields := head[:space]+at, head[space+1:]
		old, there := s.lines[key]
		if !there {
			s.order = append(s.order, line)
		} else if old != fields {
			s.rewrites++
		}
		s.lines[key] = fields
	}
}

// without counts the lines of all measurements but one.
func (s *server) without(measurement string) (n int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for line := range s.lines {
		if !strings.HasPrefix(line, measurement+",") {
			n++
		}
	}
	return n
}

func (s *server) asked() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.requests)
}

// at gives when the requests came, counted from the first.
func (s *server) at() (out []time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, at := range s.requests {
		out = append(out, at.Sub(s.requests[0]))
	}
	return out
}

// rig is a sender at work on a fake server, in a bubble.
type rig struct {
	*Sender
	t      *testing.T
	box    *box
	server *server
	health *health.Checks
	log    *bytes.Buffer
	stop   func()
}

// work starts a sender; call it in a bubble.
func work(t *testing.T, b *box, s *server, change func(*Options)) *rig {
	t.Helper()
	x := &rig{t: t, box: b, server: s, log: &bytes.Buffer{}}
	log := slog.New(slog.NewTextHandler(x.log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	x.health = health.New(log)
	token := filepath.Join(t.TempDir(), "token")
	require.NoError(t, os.WriteFile(token, []byte(secret+"\n"), 0o600))
	opt := Options{
		URL: "http://influx.test:8086", Organisation: "terminal", Bucket: "lube", TokenFile: token,
		Site: "riverside", Outbox: b, Health: x.health, Log: log, dial: s.dial,
	}
	if change != nil {
		change(&opt)
	}
	x.Sender, x.stop = running(t, opt)
	return x
}

// running starts a sender; stop, which may be called again, waits for its end.
func running(t testing.TB, opt Options) (s *Sender, stop func()) {
	t.Helper()
	s, err := New(opt)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	end := sync.OnceValue(func() error {
		cancel()
		return <-done
	})
	stop = func() { require.NoError(t, end()) }
	t.Cleanup(stop)
	return s, stop
}

// lapse lets time pass, and what it brings happen.
func lapse(d time.Duration) {
	time.Sleep(d)
	synctest.Wait()
}

// drained lets time pass until nothing waits.
func (x *rig) drained(within time.Duration) {
	x.t.Helper()
	for end := time.Now().Add(within); !x.box.all(); time.Sleep(50 * time.Millisecond) {
		require.True(x.t, time.Now().Before(end), "still waiting after %v: %v", within, x.check())
	}
	synctest.Wait()
}

func (x *rig) check() health.Check {
	for _, c := range x.health.List() {
		if c.Name == Check {
			return c
		}
	}
	return health.Check{}
}

// quiet wants the token in nothing that people see.
func (x *rig) quiet() {
	x.t.Helper()
	require.NotContains(x.t, x.log.String(), secret)
	require.NotContains(x.t, fmt.Sprint(x.health.List()), secret)
	for _, r := range x.box.refused {
		require.NotContains(x.t, r.Words, secret)
	}
}

func lineOf(t require.TestingT, r reading.Reading) string {
	line, err := schema.Append(nil, "riverside", r)
	require.NoError(t, err)
	return strings.TrimRight(string(line), "\n")
}
