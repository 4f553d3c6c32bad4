package simulate

import (
	"context"
	"errors"
	"fmt"
	"hash/maphash"
	"iter"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"golang.org/x/sync/errgroup"
)

// Bounds of one publishing connection.
const (
	inFlight   = 128              // messages sent and not yet acknowledged
	ackTimeout = 60 * time.Second // for one acknowledgement
	// With so few in flight a broker that reads at all never blocks a write
	// for long.
	writeTimeout = 10 * time.Second
	backlog      = 256 // messages waiting for a connection
)

// Publish sends messages over MQTT to the broker at addr (host:port, loopback
// only), at quality of service 1, on as many connections as clients says. The
// messages of one topic's device keep their order; those of different devices
// may pass each other. It returns how many were acknowledged, once all were; a
// missing acknowledgement is an error.
func Publish(ctx context.Context, addr string, clients int, messages iter.Seq[Sent]) (int, error) {
	clients = max(clients, 1)
	group, ctx := errgroup.WithContext(ctx)
	var acked atomic.Int64
	lines := make([]chan Sent, clients)
	for i := range lines {
		lines[i] = make(chan Sent, backlog)
		group.Go(func() error { return publishLine(ctx, addr, i, lines[i], &acked) })
	}
	group.Go(func() error {
		defer func() {
			for _, line := range lines {
				close(line)
			}
		}()
		seed := maphash.MakeSeed()
		for m := range messages {
			line := lines[maphash.String(seed, deviceOf(m.Topic))%uint64(clients)]
			select {
			case line <- m:
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		return nil
	})
	err := group.Wait()
	return int(acked.Load()), err
}

// deviceOf is the topic without its last level.
func deviceOf(topic string) string {
	for i := len(topic) - 1; i >= 0; i-- {
		if topic[i] == '/' {
			return topic[:i]
		}
	}
	return topic
}

// publishLine sends what comes down one line over its own connection.
func publishLine(ctx context.Context, addr string, n int, line <-chan Sent, acked *atomic.Int64) error {
	lost := make(chan error, 1)
	var once sync.Once
	client := mqtt.NewClient(mqtt.NewClientOptions().
		AddBroker("tcp://" + addr).SetClientID(fmt.Sprintf("plant-%d", n+1)).
		SetCleanSession(true).SetAutoReconnect(false).SetConnectTimeout(10 * time.Second).SetWriteTimeout(writeTimeout).
		SetConnectionLostHandler(func(_ mqtt.Client, err error) { once.Do(func() { lost <- err }) }))
	if err := await(ctx, client.Connect(), lost); err != nil {
		return fmt.Errorf("connecting the simulated gateway to %s: %w", addr, err)
	}
	defer client.Disconnect(100)
	var waiting []mqtt.Token
	settle := func(most int) error {
		for len(waiting) > most {
			if err := await(ctx, waiting[0], lost); err != nil {
				return fmt.Errorf("publishing to %s: %w", addr, err)
			}
			acked.Add(1)
			waiting = waiting[1:]
		}
		return nil
	}
	for {
		select {
		case m, ok := <-line:
			if !ok {
				return settle(0)
			}
			waiting = append(waiting, client.Publish(m.Topic, 1, false, m.Payload))
			if err := settle(inFlight); err != nil {
				return err
			}
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// await waits for one acknowledgement.
func await(ctx context.Context, token mqtt.Token, lost <-chan error) error {
	select {
	case <-token.Done():
		return token.Error()
	default:
	}
	timer := time.NewTimer(ackTimeout)
	defer timer.Stop()
	select {
	case <-token.Done():
		return token.Error()
	case err := <-lost:
		return fmt.Errorf("connection lost: %w", err)
	case <-timer.C:
		return errors.New("no acknowledgement within " + ackTimeout.String())
	case <-ctx.Done():
		return ctx.Err()
	}
}
