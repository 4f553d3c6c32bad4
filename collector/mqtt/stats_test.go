package mqtt

import (
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/collector/mqtt/brokertest"
)

func TestAClientCounts(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	b := newBook()
	c, checks := newClient(t, t.TempDir(), at(broker), b.sink)
	require.Equal(t, ClientStats{Dropped: -1}, c.Stats(), "before it runs")
	stop := running(t, c.Run)
	subscribed(t, checks)
	eventually(t, "it is up", func() bool { return c.Stats().Up })
	load(t, brokertest.LoadOptions{Addr: broker.Addr, Messages: 50})
	eventually(t, "all are counted", func() bool { return c.Stats().Received == 50 })
	broker.Stop()
	eventually(t, "it is down", func() bool { return !c.Stats().Up })
	broker.Again()
	eventually(t, "and up again", func() bool { return c.Stats().Up })
	require.EqualValues(t, 2, c.Stats().Connections)
	require.EqualValues(t, -1, c.Stats().Dropped, "nobody asked the broker")
	stop()
	require.False(t, c.Stats().Up)
}

func TestRepeatedMessagesAreCountedApart(t *testing.T) {
	var c clientCounters
	c.message(false)
	c.message(true)
	c.message(true)
	require.Equal(t, ClientStats{Received: 3, Repeated: 2, Dropped: -1}, c.now())
}

func TestWhatTheBrokerDroppedIsReadWhereAskedFor(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{Lines: []string{"sys_interval 1", "max_queued_messages 5", "max_queued_bytes 0"}})
	b := newBook()
	away, checks := newClient(t, t.TempDir(), at(broker), b.sink)
	stop := running(t, away.Run)
	subscribed(t, checks)
	stop()
	load(t, brokertest.LoadOptions{Addr: broker.Addr, Messages: 200}) // most of them find no room

	asking := at(broker)
	asking.DroppedCounter = true
	seen := newBook()
	c, checks := newClient(t, t.TempDir(), asking, seen.sink)
	running(t, c.Run)
	subscribed(t, checks)
	eventually(t, "the broker's own count", func() bool { return c.Stats().Dropped > 0 })
	require.Zero(t, c.Stats().Received, "a figure is no message")
	require.Empty(t, seen.all())
}

func TestOddFiguresOfABrokerAreNotTaken(t *testing.T) {
	var c clientCounters
	for _, payload := range []string{"", "many", "-3", "1e9", "99999999999999999999"} {
		c.figure(droppedTopic, []byte(payload))
		require.EqualValues(t, -1, c.now().Dropped, payload)
	}
	c.figure("$SYS/broker/uptime", []byte("7"))
	require.EqualValues(t, -1, c.now().Dropped)
	c.figure(droppedTopic, []byte("0"))
	require.EqualValues(t, 0, c.now().Dropped, "none is known to be none")
}

func TestAServerCounts(t *testing.T) {
	b := newBook()
	s, stop := newServer(t, b.sink)
	eventually(t, "it is up", func() bool { return s.Stats().Up })
	load(t, brokertest.LoadOptions{Addr: s.Addr(), Messages: 40})
	got := s.Stats()
	require.EqualValues(t, 40, got.Received)
	require.Positive(t, got.Connections)
	stop()
	require.False(t, s.Stats().Up)
}
