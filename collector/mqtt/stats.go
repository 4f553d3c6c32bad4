package mqtt

import (
	"strconv"
	"sync/atomic"
)

// droppedTopic is where mosquitto says how many messages it dropped on their
// way to subscribers, since it started (mosquitto(8), "Broker status").
const droppedTopic = "$SYS/broker/publish/messages/dropped"

// ClientStats are counts since the client was made.
type ClientStats struct {
	Up           bool  // connected and subscribed
	Connections  int64 // that came about
	Received     int64 // messages, without probes and the broker's own topics
	Repeated     int64 // of these, marked by the broker as sent before
	Acknowledged int64 // handed to the library to be acknowledged
	SessionsLost int64 // that the broker should have kept
	Probes       int64 // sent
	ProbesBack   int64 // that came back
	Oversize     int64 // packets above the limit, each of which ended a connection
	Dropped      int64 // by the broker for any of its clients, as it says itself; -1 where it does not
}

type clientCounters struct {
	up                                                                                        atomic.Bool
	connections, received, repeated, acknowledged, sessionsLost, probes, probesBack, oversize atomic.Int64
	dropped                                                                                   atomic.Int64 // one more than the broker says; 0: it said nothing
}

// Stats gives the counts; it may be called at any time.
func (c *Client) Stats() ClientStats { return c.stats.now() }

func (s *clientCounters) now() ClientStats {
	return ClientStats{
		Up: s.up.Load(), Connections: s.connections.Load(), Received: s.received.Load(), Repeated: s.repeated.Load(),
		Acknowledged: s.acknowledged.Load(), SessionsLost: s.sessionsLost.Load(), Probes: s.probes.Load(),
		ProbesBack: s.probesBack.Load(), Oversize: s.oversize.Load(), Dropped: s.dropped.Load() - 1,
	}
}

// message counts one that was received.
func (s *clientCounters) message(repeated bool) {
	s.received.Add(1)
	if repeated {
		s.repeated.Add(1)
	}
}

// figure takes one of the broker's own figures.
func (s *clientCounters) figure(topic string, payload []byte) {
	if topic != droppedTopic {
		return
	}
	if n, err := strconv.ParseInt(string(payload), 10, 64); err == nil && n >= 0 {
		s.dropped.Store(n + 1)
	}
}

// ServerStats are counts since the server was made.
type ServerStats struct {
	Up          bool  // it listens
	Connections int64 // of devices
	Received    int64 // messages for the sink
	Repeated    int64 // of these, marked by their sender as sent before
}

type serverCounters struct {
	up                              atomic.Bool
	connections, received, repeated atomic.Int64
}

// Stats gives the counts; it may be called at any time.
func (s *Server) Stats() ServerStats {
	return ServerStats{
		Up: s.stats.up.Load(), Connections: s.stats.connections.Load(),
		Received: s.stats.received.Load(), Repeated: s.stats.repeated.Load(),
	}
}
