package brokertest

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// LoadOptions of Load. Zero values take the defaults.
type LoadOptions struct {
	Addr       string // host:port of the broker
	Publishers int    // connections; default 4
	Messages   int    // in all; default 1000
	Size       int    // bytes of a payload; default 200
	Window     int    // unacknowledged messages of one publisher; default 100
	// Every is the pause before each message of a publisher; default none.
	Every    time.Duration
	Username string
	Password string
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

// publish sends one publisher's messages and notes what was acknowledged. It
// speaks to the broker packet by packet: the client library calls a message
// acknowledged when its connection is made anew, and an account that is not
// exact proves nothing.
func (opt LoadOptions) publish(ctx context.Context, publisher int, acked []bool) error {
	for {
		err := opt.session(ctx, publisher, acked)
		if err == nil {
			return nil
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("publisher %d: %w (%w)", publisher, ctx.Err(), err)
		case <-time.After(100 * time.Millisecond):
		}
	}
}

// answerTime bounds the wait for the broker's greeting.
const answerTime = 10 * time.Second

// session sends over one connection what is not acknowledged yet, until all is.
func (opt LoadOptions) session(ctx context.Context, publisher int, acked []bool) error {
	conn, err := (&net.Dialer{}).DialContext(ctx, "tcp", opt.Addr)
	if err != nil {
		return err
	}
	defer conn.Close()
	defer context.AfterFunc(ctx, func() { _ = conn.Close() })()
	if err := opt.greet(conn, publisher); err != nil {
		return err
	}
	s := &sending{acked: acked, pending: map[uint16]int{}, slots: make(chan struct{}, opt.Window), over: make(chan struct{})}
	for i, ok := range acked {
		if !ok {
			s.left = append(s.left, i)
		}
	}
	if len(s.left) == 0 {
		return nil
	}
	s.open = len(s.left)
	go s.read(conn)
	if err := s.write(ctx, conn, opt, publisher); err != nil {
		_ = conn.Close()
	}
	<-s.over
	if s.open > 0 {
		return s.err
	}
	_, _ = conn.Write([]byte{packets.Disconnect << 4, 0})
	return nil
}

// greet introduces a publisher. It keeps no session: what was not acknowledged
// is sent anew.
func (opt LoadOptions) greet(conn net.Conn, publisher int) error {
	hello := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	hello.ProtocolName, hello.ProtocolVersion, hello.CleanSession = "MQTT", 4, true
	hello.ClientIdentifier = fmt.Sprintf("load-%d-%d", publisher, time.Now().UnixNano())
	hello.UsernameFlag, hello.Username = opt.Username != "", opt.Username
	hello.PasswordFlag, hello.Password = opt.Password != "", []byte(opt.Password)
	if err := errors.Join(conn.SetDeadline(time.Now().Add(answerTime)), hello.Write(conn)); err != nil {
		return err
	}
	p, err := packets.ReadPacket(conn)
	if err != nil {
		return err
	}
	if ack, ok := p.(*packets.ConnackPacket); !ok || ack.ReturnCode != packets.Accepted {
		return fmt.Errorf("the broker answers the greeting with %v", p)
	}
	return conn.SetDeadline(time.Time{})
}

// sending is what is under way over one connection.
type sending struct {
	acked []bool
	left  []int // messages to be sent, in order
	slots chan struct{}
	over  chan struct{} // closed when all is acknowledged or the connection is gone

	mu      sync.Mutex
	pending map[uint16]int // packet id to message
	open    int            // messages without an acknowledgement
	err     error
}

// read notes acknowledgements.
func (s *sending) read(conn net.Conn) {
	defer close(s.over)
	in := bufio.NewReader(conn)
	for {
		p, err := packets.ReadPacket(in)
		if err != nil {
			s.err = err
			return
		}
		ack, ok := p.(*packets.PubackPacket)
		if !ok {
			continue
		}
		s.mu.Lock()
		i, ok := s.pending[ack.MessageID]
		if ok {
			delete(s.pending, ack.MessageID)
			s.acked[i] = true
			s.open--
		}
		done := s.open == 0
		s.mu.Unlock()
		if ok {
			<-s.slots
		}
		if done {
			return
		}
	}
}

// write sends the messages, as many at once as the window allows.
func (s *sending) write(ctx context.Context, conn net.Conn, opt LoadOptions, publisher int) error {
	out := bufio.NewWriter(conn)
	id := uint16(0)
	for _, i := range s.left {
		if opt.Every > 0 {
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-time.After(opt.Every):
			}
		}
		select {
		case s.slots <- struct{}{}:
		case <-s.over:
			return errors.New("the connection is gone")
		}
		p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
		p.Qos, p.TopicName, p.Payload = 1, opt.Topic(publisher, i), opt.Payload(publisher, i)
		s.mu.Lock()
		for taken := true; taken; {
			if id++; id == 0 {
				id = 1 // packet ids begin there
			}
			_, taken = s.pending[id]
		}
		s.pending[id] = i
		s.mu.Unlock()
		p.MessageID = id
		// Each message by itself, as devices send them.
		if err := errors.Join(p.Write(out), out.Flush()); err != nil {
			return err
		}
	}
	return nil
}
