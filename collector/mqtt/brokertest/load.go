package brokertest

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// LoadOptions of Load. Zero values take the defaults.
type LoadOptions struct {
	Addr       string // host:port of the broker
	Publishers int    // connections; default 4
	Messages   int    // in all; default 1000
	Size       int    // bytes of a payload; default 200
	Window     int    // unacknowledged messages of one publisher; default 100
	Username   string
	Password   string
	// Topic and Payload make message i, from 0, of a publisher. By default
	// each publisher is one dispenser that sends pulse counts, 1 s apart.
	Topic   func(publisher, i int) string
	Payload func(publisher, i int) []byte
}

// Sent is what a load was acknowledged for.
type Sent struct {
	// Acked holds for each publisher which of its messages the broker has
	// acknowledged.
	Acked [][]bool
	Count int // of those that are true
	Took  time.Duration
}

// DefaultTopic is the topic of a publisher's messages.
func DefaultTopic(publisher, _ int) string {
	return fmt.Sprintf("lube/v1/riverside/load-%02d/pulse", publisher)
}

// DefaultPayload is message i of a load: a count that grows by one each
// second, padded to size bytes.
func DefaultPayload(size, i int) []byte {
	began := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC).Unix()
	text := fmt.Sprintf(`{"count":%d,"at":%d,"pad":"`, i+1, began+int64(i))
	return []byte(text + strings.Repeat("x", max(0, size-len(text)-2)) + `"}`)
}

// Load publishes with QoS 1 over so many connections and returns when all is
// acknowledged, or with an error when ctx ends. A connection that is lost is
// made again, and what was not acknowledged is sent again.
func Load(ctx context.Context, opt LoadOptions) (Sent, error) {
	opt = opt.withDefaults()
	sent := Sent{Acked: make([][]bool, opt.Publishers)}
	errs := make([]error, opt.Publishers)
	began := time.Now()
	var wg sync.WaitGroup
	for p := range opt.Publishers {
		n := opt.Messages / opt.Publishers
		if p < opt.Messages%opt.Publishers {
			n++
		}
		sent.Acked[p] = make([]bool, n)
		wg.Go(func() { errs[p] = opt.publish(ctx, p, sent.Acked[p]) })
	}
	wg.Wait()
	sent.Took = time.Since(began)
	for _, acked := range sent.Acked {
		for _, ok := range acked {
			if ok {
				sent.Count++
			}
		}
	}
	return sent, errors.Join(errs...)
}

func (opt LoadOptions) withDefaults() LoadOptions {
	if opt.Publishers == 0 {
		opt.Publishers = 4
	}
	if opt.Messages == 0 {
		opt.Messages = 1000
	}
	if opt.Size == 0 {
		opt.Size = 200
	}
	if opt.Window == 0 {
		opt.Window = 100
	}
	if opt.Topic == nil {
		opt.Topic = DefaultTopic
	}
	if opt.Payload == nil {
		opt.Payload = func(_, i int) []byte { return DefaultPayload(opt.Size, i) }
	}
	return opt
}

// publish sends one publisher's messages and notes what was acknowledged.
func (opt LoadOptions) publish(ctx context.Context, publisher int, acked []bool) error {
	o := paho.NewClientOptions().AddBroker("tcp://" + opt.Addr).
		SetClientID(fmt.Sprintf("load-%d-%d", publisher, time.Now().UnixNano())).
		SetUsername(opt.Username).SetPassword(opt.Password).
		SetProtocolVersion(4).
		SetCleanSession(false). // or a lost connection would lose what is under way
		SetConnectRetry(true).SetConnectRetryInterval(100 * time.Millisecond).
		SetMaxReconnectInterval(500 * time.Millisecond)
	client := paho.NewClient(o)
	defer client.Disconnect(250)
	if err := wait(ctx, client.Connect()); err != nil {
		return fmt.Errorf("connect publisher %d: %w", publisher, err)
	}
	publish := func(i int) paho.Token {
		return client.Publish(opt.Topic(publisher, i), 1, false, opt.Payload(publisher, i))
	}
	tokens := make(chan paho.Token, opt.Window)
	done := make(chan struct{})
	go func() {
		defer close(done)
		i := 0
		for token := range tokens {
			// A failed write is told once, so the message is sent anew.
			for wait(ctx, token) != nil && ctx.Err() == nil {
				time.Sleep(10 * time.Millisecond)
				token = publish(i)
			}
			acked[i] = ctx.Err() == nil
			i++
		}
	}()
	for i := range acked {
		if ctx.Err() != nil {
			break
		}
		tokens <- publish(i)
	}
	close(tokens)
	<-done
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("publisher %d: %w", publisher, err)
	}
	return nil
}

func wait(ctx context.Context, token paho.Token) error {
	select {
	case <-token.Done():
		return token.Error()
	case <-ctx.Done():
		return ctx.Err()
	}
}
