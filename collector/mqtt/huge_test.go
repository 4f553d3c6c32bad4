package mqtt

import (
	"flag"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/collector/health"
	"dwindle/collector/mqtt/brokertest"
	"dwindle/config"
)

var long = flag.Bool("long", false, "run the fault tests with what they are about in full")

// allowance is what a huge packet may cost in memory, bytes. All that is
// allocated counts, whether it is still in use or not, so nothing can hide.
const allowance = 16 << 20

// allocated says how much f makes the process allocate.
func allocated(f func()) uint64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	f()
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}

// pour writes a header that claims the most that MQTT can express, 256 MiB - 1,
// and as much of the body as the other side takes, up to 200 MB.
func pour(conn net.Conn) (taken int) {
	if _, err := conn.Write([]byte{0x32, 0xff, 0xff, 0xff, 0x7f}); err != nil {
		return 0
	}
	body := make([]byte, 64<<10)
	for taken < 200_000_000 {
		n, err := conn.Write(body)
		taken += n
		if err != nil {
			return taken
		}
	}
	return taken
}

func TestAHugePacketOfABrokerCostsNothing(t *testing.T) {
	l := listen(t)
	taken := make(chan int, 100)
	fakeBroker(t, l, false, func(f *fake) { taken <- pour(f) }, nil)
	c, checks := newClient(t, t.TempDir(), config.Broker{URL: "tcp://" + l.Addr().String()}, newBook().sink)
	require.Less(t, allocated(func() {
		running(t, c.Run)
		for range 3 {
			require.Less(t, <-taken, 20_000_000, "the connection is closed at the header; some is under way")
		}
	}), uint64(allowance))
	eventually(t, "it is said", func() bool { return check(checks, "broker packet size").Level == health.Bad })
}

func TestAHugePacketOfADeviceCostsNothingAndIsNamed(t *testing.T) {
	b := newBook()
	s, _ := newServer(t, b.sink)
	checks := s.opt.Health
	other := dialWire(t, s.Addr(), "other", nil)
	require.Less(t, allocated(func() {
		for range 3 {
			w := dialWire(t, s.Addr(), "huge-one", nil)
			require.Less(t, pour(w.conn), 20_000_000)
		}
	}), uint64(allowance))
	eventually(t, "it is named", func() bool { return check(checks, checkServer+" packet size").Level == health.Warn })
	got := check(checks, checkServer+" packet size")
	require.Contains(t, got.What, `client "huge-one" at 127.0.0.1 sends a packet above the limit of 262144 bytes`)
	other.publish(1, 1, "lube/v1/riverside/d/pulse", "x")
	other.puback(1)
}

// A real message of 200 MB, from a publisher through a broker without a limit.
func TestAHugeMessageThroughABrokerWithoutALimit(t *testing.T) {
	if !*long {
		t.Skip("moves 200 MB several times; -long runs it")
	}
	tool, err := exec.LookPath("mosquitto_pub")
	require.NoError(t, err)
	broker := brokertest.Start(t, brokertest.Options{Lines: []string{"message_size_limit 0"}})
	c, checks := newClient(t, t.TempDir(), at(broker), newBook().sink)
	stop := running(t, c.Run)
	subscribed(t, checks)
	file := filepath.Join(t.TempDir(), "huge")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	require.NoError(t, os.Truncate(file, 200_000_000))
	host, port, err := net.SplitHostPort(broker.Addr)
	require.NoError(t, err)
	require.Less(t, allocated(func() {
		out, err := exec.Command(tool, "-h", host, "-p", port, "-q", "1", "-t", "lube/v1/riverside/d/pulse", "-f", file).CombinedOutput()
		require.NoError(t, err, "%s", out)
		eventually(t, "it is named, again and again", func() bool {
			return strings.Contains(check(checks, "broker packet size").What, "3 times in a row")
		})
	}), uint64(allowance))
	require.Contains(t, check(checks, "broker packet size").Try, c.ClientID())
	stop()

	// As the remedy says: without the session the message is gone too.
	w := dialWire(t, broker.Addr, c.ClientID(), nil) // a clean session under the same id
	require.NoError(t, w.conn.Close())
	b := newBook()
	c, checks = newClient(t, filepath.Dir(c.id.path), at(broker), b.sink)
	running(t, c.Run)
	subscribed(t, checks)
	sent := load(t, brokertest.LoadOptions{Addr: broker.Addr, Messages: 10})
	requireAll(t, b, sent)
}
