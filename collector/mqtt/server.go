package mqtt

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"dwindle/collector/health"
	"dwindle/collector/mqtt/account"
	"dwindle/collector/reading"
	"dwindle/config"
)

// The bounds of the embedded broker.
const (
	maxPacketBytes = 256 << 10 // one packet; a larger one ends its connection
	maxClients     = 10_000
	maxUnanswered  = 4096 // QoS 1 packets of one client in hand; more must wait. Some commits' worth
	maxPending     = 256  // packets waiting to go out to one local subscriber
	maxKept        = 256  // unacknowledged packets kept for one local subscriber
	maxSessionS    = 3600 // how long a gone subscriber's session is kept, s
)

// checkServer is the broker's name in the health list.
const checkServer = "embedded broker"

// ServerOptions of NewServer. Listen and Sink are needed.
type ServerOptions struct {
	// Listen is an address with a port; port 0 takes a free one. Other than a
	// loopback address needs TLS and somebody to ask: an AccountsFile or client
	// certificates.
	Listen string
	// AccountsFile holds who may log in, see package account. Empty: no
	// passwords.
	AccountsFile string
	// TLS encrypts; nil does not.
	TLS *config.EmbeddedTLS
	// Site gives the site file in force, whose register says what an account
	// may do. Needed where accounts or certificates are asked for.
	Site func() *config.Site
	// Prefix says which topics go to Sink: those below it. Empty: all but
	// those that begin with $.
	Prefix string
	// Wants says for further topics that they go to Sink; nil: none do.
	Wants  func(topic string) bool
	Sink   Sink
	Health *health.Checks
	Log    *slog.Logger
}

// Server is a broker inside the program. Without accounts it lets everybody in
// and therefore listens on loopback only, for devices and programs on the same
// box. With TLS, and accounts or client certificates, it serves a network: an
// account publishes for itself and nobody else. A publish that is not allowed
// ends the connection of an MQTT 3.1.1 client, which has no other way to be told
// (MQTT 3.1.1, 3.3.5), and is named in health.
//
// Topics below the prefix are handed to the sink. A QoS 1 publish is
// acknowledged after its commit, and only then passed on to local subscribers;
// a QoS 2 publish of an MQTT 3.1.1 client gets its handshake, whose first
// answer follows the commit. A QoS 0 publish is handed over too, but nothing
// tells its sender whether it arrived. A last will is handed over when it
// falls due. The retain flag is not kept: the journal is where last values
// live. While the sink blocks, a publishing connection is not read further,
// so a client whose pings go unanswered may reconnect and send again; other
// connections are not held up.
//
// Other topics are passed between local clients as any broker does, and are
// not stored.
type Server struct {
	opt      ServerOptions
	broker   *mochi.Server
	listener *listener
	gate     gate
	hand     hand
	ran      atomic.Bool
	stats    serverCounters

	taking context.Context // ends when no more messages are taken
	stop   context.CancelFunc

	forward chan passing // committed messages for local subscribers

	mu       sync.Mutex
	closed   bool // no further answers are written
	answerWG sync.WaitGroup
}

// NewServer opens the listener, so that Addr is known; Run serves it.
func NewServer(opt ServerOptions) (*Server, error) {
	if opt.Sink == nil {
		return nil, errors.New("mqtt.NewServer: no sink")
	}
	if opt.Log == nil {
		opt.Log = slog.New(slog.DiscardHandler)
	}
	opt.Prefix = strings.TrimSuffix(opt.Prefix, "/")
	s := &Server{opt: opt, hand: newHand(), forward: make(chan passing, 1024)}
	if err := s.newGate(); err != nil {
		return nil, err
	}
	open := loopback
	if opt.TLS != nil && s.gate.asks() {
		open = anywhere
	}
	l, err := open(opt.Listen)
	if err != nil {
		return nil, err
	}
	if opt.TLS != nil {
		l = s.encrypted(l)
	}
	s.taking, s.stop = context.WithCancel(context.Background())
	s.listener = &listener{Listener: l, conns: map[*peerConn]struct{}{}, trouble: s.trouble, handshake: s.gate.handshake}
	s.broker = mochi.New(&mochi.Options{
		Capabilities:           capabilities(),
		InlineClient:           true, // passes committed messages on
		SysTopicResendInterval: 60,
		Logger:                 quietLogger(opt.Log.With("part", "embedded broker")),
	})
	if err := s.broker.AddHook(&hook{server: s}, nil); err != nil {
		return nil, errors.Join(fmt.Errorf("prepare the embedded broker: %w", err), l.Close())
	}
	return s, nil
}

// newGate prepares who is let in. Files that cannot be read are told at once,
// not to the first device that comes.
func (s *Server) newGate() error {
	opt, g := s.opt, &s.gate
	g.server = s
	g.logins.name, g.denials.name, g.oversize.name = checkServer+" logins", checkServer+" access", checkServer+" packet size"
	if opt.AccountsFile != "" {
		var err error
		if g.accounts, err = account.Open(opt.AccountsFile, config.ValidID); err != nil {
			return fmt.Errorf("%w\ntry: make it with `dwindle account NAME`; accounts_file: under connections.embedded_broker names it", err)
		}
		g.tellFile(nil)
	}
	if opt.TLS != nil {
		g.certs = opt.TLS.ClientCAFile != ""
		if _, err := serverTLS(*opt.TLS, g.accounts != nil); err != nil {
			return fmt.Errorf("%w\ntry: see that the files under connections.embedded_broker.tls are there and may be read", err)
		}
	}
	if g.asks() && opt.Site == nil {
		return errors.New("mqtt.NewServer: accounts without a site that says what they may do")
	}
	return nil
}

// encrypted reads the files again for each connection, so that renewed ones
// count from the next on.
func (s *Server) encrypted(l net.Listener) net.Listener {
	files, optional := *s.opt.TLS, s.gate.accounts != nil
	return tls.NewListener(l, &tls.Config{
		MinVersion: tls.VersionTLS12,
		GetConfigForClient: func(*tls.ClientHelloInfo) (*tls.Config, error) {
			conf, err := serverTLS(files, optional)
			if err == nil {
				s.opt.Health.Set(checkServer+" certificate", health.Ok, "", "")
			}
			return conf, err
		},
	})
}

func capabilities() *mochi.Capabilities {
	c := mochi.NewDefaultServerCapabilities()
	c.MaximumClients = maxClients
	c.MaximumPacketSize = maxPacketBytes
	// The outgoing queue is allocated for each client in full: the default
	// of 8192 would cost 64 KB a device.
	c.MaximumClientWritesPending = maxPending
	c.MaximumInflight = maxKept
	c.MaximumSessionExpiryInterval = maxSessionS
	c.MaximumQos = 1
	c.RetainAvailable = 0
	c.TopicAliasMaximum = 64
	return c
}

// Addr is the address with the port that was really taken.
func (s *Server) Addr() string { return s.listener.Addr().String() }

// Close frees the listener of a server that is not going to run.
func (s *Server) Close() error {
	if s.ran.Swap(true) {
		return nil // Run closes
	}
	s.stop()
	return s.listener.Listener.Close()
}

// Run serves until ctx ends, once. Then it takes no more messages, gives what
// was handed over a few seconds to be committed and acknowledged, and closes.
// The sink has to go on working meanwhile.
func (s *Server) Run(ctx context.Context) error {
	if s.ran.Swap(true) {
		return errors.New("mqtt.Server.Run: it ran before; make a new one")
	}
	defer s.stop()
	if err := s.broker.AddListener(s.listener); err != nil {
		return errors.Join(fmt.Errorf("start the embedded broker: %w", err), s.listener.Listener.Close())
	}
	if err := s.broker.Serve(); err != nil {
		return errors.Join(fmt.Errorf("start the embedded broker: %w", err), s.listener.Listener.Close())
	}
	s.stats.up.Store(true)
	defer s.stats.up.Store(false)
	s.opt.Health.Set(checkServer, health.Ok, "", "")
	s.opt.Log.Info("embedded broker listens", "addr", s.Addr(), "prefix", s.opt.Prefix)

	forwarded := make(chan struct{})
	stopForward := make(chan struct{})
	go func() {
		defer close(forwarded)
		s.forwardLoop(stopForward)
	}()

	minute := time.NewTicker(time.Minute)
	defer minute.Stop()
	for ctx.Err() == nil {
		select {
		case <-ctx.Done():
		case now := <-minute.C:
			s.gate.logins.fade(s, now)
			s.gate.denials.fade(s, now)
			s.gate.oversize.fade(s, now)
		}
	}
	s.stop()
	drain, cancel := context.WithTimeout(context.WithoutCancel(ctx), drainTime)
	defer cancel()
	if err := s.hand.drained(drain); err != nil {
		s.opt.Log.Warn("embedded broker stops before everything handed over was committed; senders will send it again")
	}
	s.mu.Lock()
	s.closed = true
	s.mu.Unlock()
	s.answerWG.Wait() // each write is bounded
	err := s.broker.Close()
	close(stopForward)
	<-forwarded
	for _, entry := range []string{"", " accounts", " certificate", " logins", " access", " packet size"} {
		s.opt.Health.Drop(checkServer + entry)
	}
	if err != nil {
		return fmt.Errorf("close the embedded broker: %w", err)
	}
	return nil
}

// takes says whether messages of this topic go to the sink.
func (s *Server) takes(topic string) bool {
	if s.opt.Prefix == "" {
		return !strings.HasPrefix(topic, "$")
	}
	rest, ok := strings.CutPrefix(topic, s.opt.Prefix)
	if ok && strings.HasPrefix(rest, "/") {
		return true
	}
	return s.opt.Wants != nil && !strings.HasPrefix(topic, "$") && s.opt.Wants(topic)
}

// probe says whether a publish is a probe of a client elsewhere, which only
// wants it back; see prober.
func (s *Server) probe(topic string, payload []byte) bool {
	return s.opt.Site != nil && isProbe(s.opt.Prefix+"/"+s.opt.Site().ID, topic, payload)
}

// submit hands a message to the sink. done is called exactly once, whether
// the sink takes it or not.
func (s *Server) submit(m reading.Message, done func(error)) {
	s.stats.received.Add(1)
	if m.Dup {
		s.stats.repeated.Add(1)
	}
	n := weight(m.Topic, m.Payload)
	if err := s.hand.take(s.taking, n); err != nil {
		done(err)
		return
	}
	var once sync.Once
	m.Done = func(err error) {
		once.Do(func() {
			done(err)
			s.hand.give(n) // last: a drained hand has all its answers queued
		})
	}
	if err := s.opt.Sink(s.taking, m); err != nil {
		m.Done(err)
	}
}

// passing is what local subscribers get of a publish. The library's packet is
// some hundred bytes more, and a burst has thousands in hand.
type passing struct {
	topic   string
	payload []byte
	qos     byte
}

func passingOf(pk *packets.Packet) passing {
	return passing{pk.TopicName, pk.Payload, pk.FixedHeader.Qos}
}

// pass queues a message for local subscribers. Looking in is a convenience: a
// full queue drops.
func (s *Server) pass(pk passing) {
	if atomic.LoadInt64(&s.broker.Info.Subscriptions) == 0 {
		return
	}
	select {
	case s.forward <- pk:
	default:
	}
}

func (s *Server) forwardLoop(stop <-chan struct{}) {
	for {
		select {
		case <-stop:
			return
		case pk := <-s.forward:
			if err := s.broker.Publish(pk.topic, pk.payload, false, pk.qos); err != nil {
				s.opt.Log.Debug("pass a message on to local subscribers", "topic", pk.topic, "error", err)
			}
		}
	}
}

// trouble reports whether connections can be accepted.
func (s *Server) trouble(err error) {
	if err == nil {
		s.opt.Health.Set(checkServer, health.Ok, "", "")
		return
	}
	s.opt.Health.Set(checkServer, health.Bad, "the embedded broker cannot accept connections: "+err.Error(),
		"raise the limit of open files (LimitNOFILE= in the service unit), or find who opens so many connections")
}
