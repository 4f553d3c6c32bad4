package main

import (
	"context"
	"flag"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"dwindle/cmd/internal/station"
	"dwindle/collector/journal"
	"dwindle/collector/mqtt/brokertest"
	"dwindle/collector/reading"
	"dwindle/config"
)

// The load of the kill tests: messages a second over all connections.
const (
	killRate        = 500
	killConnections = 4
	killDevices     = 8
)

// kills is how often the program is killed, and pause how long it runs before.
func kills() int {
	switch {
	case *long:
		return 200
	case *killRounds > 0:
		return *killRounds
	}
	return 20
}

var killRounds = flag.Int("kills", 0, "how often the program is killed; default 20, with -long 200")

func pause() time.Duration {
	most := 1500
	if *long {
		most = 5000
	}
	return time.Duration(200+rand.IntN(most-200)) * time.Millisecond
}

// starts are how long the program took to come up after a kill.
type starts []time.Duration

// serve starts the program after a kill, and wants the file sound before it.
func (s *starts) serve(t *testing.T, file string, site *config.Site) *server {
	t.Helper()
	if site != nil {
		_, err := journal.Verify(t.Context(), filepath.Join(site.DataDir(), "journal.db"))
		require.NoError(t, err, "after %d starts", len(*s))
	}
	began := time.Now()
	x := serve(t, file)
	*s = append(*s, time.Since(began))
	return x
}

// report tells the starts; that they end at all, serve sees to.
func (s starts) report(t *testing.T) {
	slices.Sort(s)
	t.Logf("%d starts: half within %v, the longest %v", len(s), s[len(s)/2].Round(time.Millisecond), s[len(s)-1].Round(time.Millisecond))
}

// sentMessage is one message with content of its own: an increment with a
// unique id, or an hour counter at a unique time.
type sentMessage struct {
	topic, payload string
	channel        reading.Channel
	key            string    // of an increment
	at             time.Time // of a counter
}

// ledger of what a broker acknowledged to the publishers, as the publishers
// saw it. It lives in the test's process, which is not killed.
type acked struct {
	mu   sync.Mutex
	sent int
	got  []sentMessage
}

// publish sends from one connection at a steady rate until ctx ends, and notes
// each message whose acknowledgement has arrived. A lost connection ends it: a
// message without acknowledgement then proves nothing and is dropped.
func (a *acked) publish(ctx context.Context, t *testing.T, addr string, worker, round int) {
	opts := paho.NewClientOptions().AddBroker("tcp://" + addr).SetClientID(fmt.Sprintf("pub-%d-%d", worker, round)).
		SetAutoReconnect(false).SetCleanSession(true).SetProtocolVersion(4).SetConnectTimeout(5 * time.Second)
	client := paho.NewClient(opts)
	if token := client.Connect(); !token.WaitTimeout(5*time.Second) || token.Error() != nil {
		return // killed meanwhile
	}
	defer client.Disconnect(100)
	tick := time.NewTicker(time.Second * killConnections / killRate)
	defer tick.Stop()
	var pending sync.WaitGroup
	defer pending.Wait()
	for n := 0; ctx.Err() == nil && client.IsConnectionOpen(); n++ {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		m := makeMessage(worker, round, n)
		a.mu.Lock()
		a.sent++
		a.mu.Unlock()
		token := client.Publish(m.topic, 1, false, m.payload)
		pending.Go(func() {
			if token.WaitTimeout(5*time.Second) && token.Error() == nil {
				a.mu.Lock()
				a.got = append(a.got, m)
				a.mu.Unlock()
			}
		})
	}
}

// killStart is the device time of the first message: within what the intake
// takes for a plausible clock.
var killStart = time.Date(2026, 2, 2, 0, 0, 0, 0, time.UTC)

func makeMessage(worker, round, n int) sentMessage {
	device := 2*worker + 1 // a pair of machine and dispenser for each worker
	at := killStart.Add(time.Duration(round)*24*time.Hour + time.Duration(n)*100*time.Millisecond)
	if n%2 == 0 {
		id := fmt.Sprintf("w%d-r%d-n%d", worker, round, n)
		dispenser := fmt.Sprintf("d-%02d", device+1)
		return sentMessage{
			topic:   "lube/v1/quay/" + dispenser + "/pulse",
			payload: fmt.Sprintf(`{"pulses":1,"id":%q,"at":%q}`, id, at.Format(time.RFC3339Nano)),
			channel: reading.Channel{Device: dispenser, Quantity: reading.PulseIncrement}, key: id, at: at,
		}
	}
	machine := fmt.Sprintf("be-%02d", device)
	return sentMessage{
		topic:   "lube/v1/quay/" + machine + "/run",
		payload: fmt.Sprintf(`{"hours":%.7f,"at":%q}`, 100+at.Sub(killStart).Hours(), at.Format(time.RFC3339Nano)),
		channel: reading.Channel{Device: machine, Quantity: reading.RunHours}, at: at,
	}
}

// requireAllOnce reads the journal and wants every acknowledged message in it,
// each exactly once.
func (a *acked) requireAllOnce(t *testing.T, site *config.Site, probes int) {
	t.Helper()
	view, err := station.OpenView(t.Context(), site)
	require.NoError(t, err)
	defer view.Close()
	_, err = journal.Verify(t.Context(), view.Journal.Path())
	require.NoError(t, err)
	stored := map[string]int{}
	name := func(c reading.Channel, key string, at time.Time) string {
		return fmt.Sprintf("%s %s %s %d", c.Device, c.Quantity, key, at.UnixMilli())
	}
	require.NoError(t, view.Journal.Readings(t.Context(), nil, time.Time{}, afterAll, func(r reading.Reading) error {
		stored[name(r.Channel, r.Key, r.At)]++
		return nil
	}))
	missing := 0
	for _, m := range a.got {
		if n := stored[name(m.channel, m.key, m.at)]; n != 1 {
			if missing++; missing <= 5 {
				t.Errorf("acknowledged, but stored %d times: %s %s", n, m.topic, m.payload)
			}
		}
	}
	require.Zero(t, missing, "of %d acknowledged", len(a.got))
	for what, n := range stored {
		require.Equal(t, 1, n, "stored more than once: %s", what)
	}
	require.LessOrEqual(t, len(stored), a.sent+probes, "more stored than was sent")
	t.Logf("%d sent, %d acknowledged, %d stored", a.sent, len(a.got), len(stored))
	require.Greater(t, len(a.got), 200, "too little was acknowledged for the test to mean anything")
}

func TestKilledWithEmbeddedBrokerLosesNothingAcknowledged(t *testing.T) {
	addr := freeAddr(t)
	file := quay(t, killDevices, "  embedded_broker: {listen: \""+addr+"\"}\n")
	var a acked
	var up starts
	var site *config.Site
	for round := range kills() {
		s := up.serve(t, file, site)
		site = s.site
		ctx, cancel := context.WithCancel(t.Context())
		var workers sync.WaitGroup
		for w := range killConnections {
			workers.Go(func() { a.publish(ctx, t, addr, w, round) })
		}
		time.Sleep(pause())
		s.kill()
		cancel()
		workers.Wait()
	}
	s := up.serve(t, file, site)
	up.report(t)
	s.stop()
	a.requireAllOnce(t, s.site, 0)
}

func TestKilledBehindMosquittoLosesNothingAcknowledged(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	file := quay(t, killDevices, "  broker: {url: \"tcp://"+broker.Addr+"\"}\n")
	// The session begins with the first connection: only from then on does
	// the broker keep messages for us.
	s := serve(t, file)
	probes := s.waitSubscribed(broker.Addr)
	var a acked
	ctx, cancel := context.WithCancel(t.Context())
	var workers sync.WaitGroup
	for w := range killConnections {
		workers.Go(func() { a.publish(ctx, t, broker.Addr, w, 0) })
	}
	var up starts
	for range kills() {
		time.Sleep(pause())
		s.kill()
		s = up.serve(t, file, s.site)
	}
	up.report(t)
	cancel()
	workers.Wait()
	s.waitStored(func() int { a.mu.Lock(); defer a.mu.Unlock(); return len(a.got) })
	s.stop()
	a.requireAllOnce(t, s.site, probes)
}

// afterAll is later than any reading.
var afterAll = time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC)

// waitSubscribed sends probes until one reaches the journal: then the session
// exists. None is on its way any more when it returns.
func (s *server) waitSubscribed(addr string) (probes int) {
	s.t.Helper()
	client := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("probe"))
	token := client.Connect()
	require.True(s.t, token.WaitTimeout(10*time.Second))
	require.NoError(s.t, token.Error())
	defer client.Disconnect(100)
	deadline := time.Now().Add(30 * time.Second)
	for {
		require.True(s.t, client.Publish("lube/v1/quay/be-01/status", 1, false, `{"online":true}`).WaitTimeout(5*time.Second))
		probes++
		if s.stored() > 0 {
			break
		}
		require.True(s.t, time.Now().Before(deadline), "never subscribed:\n%s", s.log)
		time.Sleep(50 * time.Millisecond)
	}
	// Others may still be on their way; what is behind them tells.
	require.True(s.t, client.Publish("lube/v1/quay/be-01/status", 1, false, `{"temperature_c":20}`).WaitTimeout(5*time.Second))
	for s.count(reading.StatusTempC) == 0 {
		require.True(s.t, time.Now().Before(deadline), "the last probe never came:\n%s", s.log)
		time.Sleep(20 * time.Millisecond)
	}
	return probes + 1
}

// stored counts the readings in the journal.
func (s *server) stored() int { return s.count("") }

// count counts those of one quantity in the journal; empty: of all.
func (s *server) count(quantity reading.Quantity) int {
	s.t.Helper()
	view, err := station.OpenView(s.t.Context(), s.site)
	require.NoError(s.t, err)
	defer view.Close()
	n := 0
	require.NoError(s.t, view.Journal.Readings(s.t.Context(), nil, time.Time{}, afterAll, func(r reading.Reading) error {
		if quantity == "" || r.Quantity == quantity {
			n++
		}
		return nil
	}))
	return n
}

// kept lists what was kept aside.
func (s *server) kept() []journal.Kept {
	s.t.Helper()
	view, err := station.OpenView(s.t.Context(), s.site)
	require.NoError(s.t, err)
	defer view.Close()
	kept, err := view.Journal.KeptAside(s.t.Context(), 100)
	require.NoError(s.t, err)
	return kept
}

// waitStored waits until the journal holds as many readings as want says.
// What never comes is told by requireAllOnce, message by message.
func (s *server) waitStored(want func() int) {
	s.t.Helper()
	for deadline := time.Now().Add(60 * time.Second); time.Now().Before(deadline) && s.stored() < want(); {
		time.Sleep(100 * time.Millisecond)
	}
}
