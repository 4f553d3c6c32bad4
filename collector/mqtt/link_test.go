package mqtt

import (
	"context"
	"sync"
	"testing"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"dwindle/collector/reading"
)

// arrived is a message as the library hands it over.
type arrived struct{ paho.Message }

func (arrived) Topic() string   { return "lube/v1/quay/be-01/run" }
func (arrived) Payload() []byte { return []byte(`{"hours":1}`) }
func (arrived) Retained() bool  { return false }
func (arrived) Duplicate() bool { return false }

func TestAMessageThatComesWithTheEndOfAConnectionStaysInNoHand(t *testing.T) {
	c := &Client{hand: newHand(), opt: ClientOptions{Sink: func(ctx context.Context, _ reading.Message) error { return context.Canceled }}}
	for range 3000 {
		l := &link{c: c, queue: make(chan received, 4)}
		l.over, l.end = context.WithCancelCause(context.Background())
		l.once.Do(func() {}) // nothing is fetched again here
		var workers sync.WaitGroup
		workers.Go(l.feed)
		workers.Go(func() { l.end(nil) })
		l.receive(arrived{})
		workers.Wait()
	}
	require.True(t, c.hand.bytes.TryAcquire(maxBytesInHand), "or a stop waits for what nobody holds, and in the end nothing is taken any more")
}
