package collector

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/mqtt"
	"dwindle/collector/mqtt/brokertest"
	"dwindle/collector/reading"
	"dwindle/config"
)

// The whole line, from publishers over a broker to durable commit and
// acknowledgement, beside the same libraries acknowledging and keeping
// nothing, in turns within one run. QoS 1, 200-byte JSON, 4 publishers with
// 100 outstanding each, everything on one machine.

const (
	lineMessages   = 20_000 // a turn
	lineDispensers = 50     // of each publisher
)

// lineLoad is one turn's messages: pulse counts of 200 dispensers a second
// apart, later with each turn, so that none is a duplicate.
func lineLoad(addr string, turn int) brokertest.LoadOptions {
	return brokertest.LoadOptions{
		Addr: addr, Messages: lineMessages,
		Topic: func(p, i int) string {
			return fmt.Sprintf("lube/v1/terminal/d-%d/pulse", p*lineDispensers+i%lineDispensers+1)
		},
		Payload: func(_, i int) []byte {
			n := turn*lineMessages + i/lineDispensers
			text := fmt.Sprintf(`{"count":%d,"at":%q,"pad":"`, n, at(t0.Add(time.Duration(n)*time.Second)))
			return []byte(text + strings.Repeat("x", 200-len(text)-2) + `"}`)
		},
	}
}

// line is an intake that counts what it has acknowledged.
type line struct {
	*house
	done atomic.Int64
}

func newLine(b *testing.B) *line { return &line{house: start(b, terminal(b, 1, 4*lineDispensers))} }

func (l *line) sink(ctx context.Context, m reading.Message) error {
	done := m.Done
	m.Done = func(err error) {
		done(err)
		if err == nil {
			l.done.Add(1)
		}
	}
	return l.Submit(ctx, m)
}

// serve runs a connection until the benchmark ends.
func serve(b *testing.B, run func(context.Context) error) {
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- run(ctx) }()
	b.Cleanup(func() { cancel(); require.NoError(b, <-ended) })
}

func reportLine(b *testing.B, bare, ours time.Duration) {
	n := float64(b.N * lineMessages)
	b.ReportMetric(n/bare.Seconds(), "bare-msg/s")
	b.ReportMetric(n/ours.Seconds(), "stored-msg/s")
	b.ReportMetric(bare.Seconds()/ours.Seconds(), "ratio")
}

// externalLine is a line behind mosquitto, with the settings we recommend.
func externalLine(b *testing.B) (l *line, addr string) {
	l = newLine(b)
	broker := brokertest.Start(b, brokertest.Options{})
	client, err := mqtt.NewClient(mqtt.ClientOptions{
		Name: "broker", Broker: config.Broker{URL: "tcp://" + broker.Addr}, Filters: []string{"lube/v1/terminal/#"},
		StateDir: b.TempDir(), Sink: l.sink, Health: l.checks,
	})
	require.NoError(b, err)
	serve(b, client.Run)
	brokertest.Until(b, "it is subscribed", func() bool {
		for _, c := range l.checks.List() {
			if c.Name == "broker subscription" {
				return true
			}
		}
		return false
	})
	return l, broker.Addr
}

// BenchmarkLineExternal: through mosquitto, beside the bare client.
func BenchmarkLineExternal(b *testing.B) {
	// Two brokers, so that neither subscriber gets the other's load.
	l, addr := externalLine(b)
	baseline := brokertest.Start(b, brokertest.Options{})
	bareClient := brokertest.StartBareClient(b, baseline.Addr, "lube/v1/terminal/#")
	b.Cleanup(bareClient.Stop)
	var bare, ours time.Duration
	turn := 0
	for b.Loop() {
		began := time.Now()
		brokertest.MustLoad(b, lineLoad(baseline.Addr, turn))
		brokertest.Reaches(b, "the bare client", int64(turn+1)*lineMessages, bareClient.Count)
		bare += time.Since(began)

		began = time.Now()
		brokertest.MustLoad(b, lineLoad(addr, turn))
		brokertest.Reaches(b, "the intake", int64(turn+1)*lineMessages, l.done.Load)
		ours += time.Since(began)
		turn++
	}
	reportLine(b, bare, ours)
	require.EqualValues(b, turn*lineMessages, l.Stats().Stored, "%+v", l.Stats())
}

// BenchmarkLineScript: through mosquitto, beside a script in Python that inserts
// and commits for each message (deploy/bench/script.py).
func BenchmarkLineScript(b *testing.B) {
	const python = "/usr/bin/python3" // Debian's, which its package is for
	if out, err := exec.Command(python, "-c", "import paho.mqtt.client, sqlite3").CombinedOutput(); err != nil {
		b.Skipf("the script cannot run here (apt-get install python3-paho-mqtt): %v\n%s", err, out)
	}
	l, addr := externalLine(b)
	host, port, ok := strings.Cut(brokertest.Start(b, brokertest.Options{}).Addr, ":")
	require.True(b, ok)
	script := exec.Command(python, "../deploy/bench/script.py", host, port, "lube/v1/terminal/#", filepath.Join(b.TempDir(), "script.db"), fmt.Sprint(lineMessages))
	script.Stderr = os.Stderr
	out, err := script.StdoutPipe()
	require.NoError(b, err)
	require.NoError(b, script.Start())
	b.Cleanup(func() { _ = script.Process.Kill(); _ = script.Wait() })
	said := bufio.NewScanner(out)
	hear := func(what string) {
		require.True(b, said.Scan(), "the script has ended")
		require.Equal(b, what, said.Text())
	}
	hear("subscribed")
	var theirs, ours time.Duration
	turn := 0
	for b.Loop() {
		began := time.Now()
		brokertest.MustLoad(b, lineLoad(host+":"+port, turn))
		hear("done")
		theirs += time.Since(began)

		began = time.Now()
		brokertest.MustLoad(b, lineLoad(addr, turn))
		brokertest.Reaches(b, "the intake", int64(turn+1)*lineMessages, l.done.Load)
		ours += time.Since(began)
		turn++
	}
	n := float64(b.N * lineMessages)
	b.ReportMetric(n/theirs.Seconds(), "script-msg/s")
	b.ReportMetric(n/ours.Seconds(), "stored-msg/s")
	b.ReportMetric(theirs.Seconds()/ours.Seconds(), "times-script")
	require.EqualValues(b, turn*lineMessages, l.Stats().Stored, "%+v", l.Stats())
}

// BenchmarkLineEmbedded: through the embedded broker.
func BenchmarkLineEmbedded(b *testing.B) {
	l := newLine(b)
	server, err := mqtt.NewServer(mqtt.ServerOptions{Listen: "127.0.0.1:0", Prefix: "lube/v1", Sink: l.sink, Health: l.checks})
	require.NoError(b, err)
	serve(b, server.Run)
	baseline := brokertest.StartBareBroker(b)
	var bare, ours time.Duration
	turn := 0
	for b.Loop() {
		bare += brokertest.MustLoad(b, lineLoad(baseline, turn)).Took
		ours += brokertest.MustLoad(b, lineLoad(server.Addr(), turn)).Took
		turn++
	}
	reportLine(b, bare, ours)
	require.EqualValues(b, turn*lineMessages, l.Stats().Stored, "%+v", l.Stats())
}
