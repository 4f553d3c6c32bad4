package mqtt

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"dwindle/collector/health"
	"dwindle/collector/reading"
)

// patience bounds what a test waits for something that has to happen; nothing
// depends on how long it really takes.
const patience = 30 * time.Second

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// book is a sink that keeps what it was given and answers when told to.
type book struct {
	mu       sync.Mutex
	messages []reading.Message
	answer   func(reading.Message) // nil: Done(nil) at once
	changed  chan struct{}
}

func newBook() *book { return &book{changed: make(chan struct{}, 1)} }

// answerWith sets what happens to messages from now on.
func (b *book) answerWith(f func(reading.Message)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.answer = f
}

func (b *book) sink(_ context.Context, m reading.Message) error {
	b.mu.Lock()
	b.messages = append(b.messages, m)
	answer := b.answer
	b.mu.Unlock()
	select {
	case b.changed <- struct{}{}:
	default:
	}
	if answer == nil {
		m.Done(nil)
	} else {
		answer(m)
	}
	return nil
}

func (b *book) all() []reading.Message {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]reading.Message(nil), b.messages...)
}

// has counts messages by topic and payload.
func (b *book) has() map[[2]string]int {
	n := map[[2]string]int{}
	for _, m := range b.all() {
		n[[2]string{m.Topic, string(m.Payload)}]++
	}
	return n
}

func (b *book) payloads() []string {
	var out []string
	for _, m := range b.all() {
		out = append(out, string(m.Payload))
	}
	return out
}

// hold is an answer that keeps messages until they are released.
type hold struct {
	mu   sync.Mutex
	held []reading.Message
}

func (h *hold) keep(m reading.Message) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.held = append(h.held, m)
}

func (h *hold) release(err error) {
	h.mu.Lock()
	held := h.held
	h.held = nil
	h.mu.Unlock()
	for _, m := range held {
		m.Done(err)
	}
}

func (h *hold) count() int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.held)
}

// running runs something until the test ends or stop is called, and requires
// that it ends well.
func running(t *testing.T, run func(context.Context) error) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- run(ctx) }()
	stop = sync.OnceFunc(func() {
		cancel()
		select {
		case err := <-done:
			require.NoError(t, err)
		case <-time.After(patience):
			require.Fail(t, "it does not stop")
		}
	})
	t.Cleanup(stop)
	return stop
}

func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	require.Eventually(t, ok, patience, 5*time.Millisecond, what)
}

func check(c *health.Checks, name string) health.Check {
	for _, ch := range c.List() {
		if ch.Name == name {
			return ch
		}
	}
	return health.Check{Name: name, Level: -1}
}

var errNotNow = errors.New("not now")

func discard() *slog.Logger { return slog.New(slog.NewTextHandler(io.Discard, nil)) }

// safeBuffer collects log lines of several goroutines.
type safeBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *safeBuffer) Write(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(b)
}

func (s *safeBuffer) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}
