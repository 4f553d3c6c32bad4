package brokertest_test

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/mqtt/badnet"
	"dwindle/collector/mqtt/brokertest"
)

func load(t *testing.T, opt brokertest.LoadOptions) (brokertest.Sent, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	return brokertest.Load(ctx, opt)
}

func TestALoadCountsWhatWasAcknowledged(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	sent, err := load(t, brokertest.LoadOptions{Addr: broker.Addr, Publishers: 3, Messages: 100})
	require.NoError(t, err)
	require.Equal(t, 100, sent.Count)
	require.Len(t, sent.Acked, 3)
	require.Len(t, sent.Acked[0], 34) // 100 = 34 + 33 + 33
	require.Len(t, sent.Acked[2], 33)
}

// On a busy machine connections are given up and made anew.
func TestLoadAndBareClientGoOnAfterTheirConnectionsWereCut(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	proxy := badnet.Start(t, broker.Addr)
	bare := brokertest.StartBareClient(t, proxy.Addr, "lube/v1/riverside/#")
	t.Cleanup(bare.Stop)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for range 5 {
			time.Sleep(50 * time.Millisecond)
			proxy.Reset()
		}
	}()
	sent, err := load(t, brokertest.LoadOptions{Addr: proxy.Addr, Messages: 2000, Every: time.Millisecond})
	require.NoError(t, err)
	<-done
	require.Equal(t, 2000, sent.Count)
	brokertest.Reaches(t, "the bare client", 2000, bare.Count)
	require.Greater(t, proxy.Connections(), 5)
}

func TestWithoutABrokerNothingIsAcknowledged(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	broker.Stop()
	ctx, cancel := context.WithTimeout(context.Background(), 200*time.Millisecond)
	defer cancel()
	sent, err := brokertest.Load(ctx, brokertest.LoadOptions{Addr: broker.Addr, Messages: 10})
	require.ErrorIs(t, err, context.DeadlineExceeded)
	require.Zero(t, sent.Count)
	broker.Again()
	sent, err = load(t, brokertest.LoadOptions{Addr: broker.Addr, Messages: 10})
	require.NoError(t, err)
	require.Equal(t, 10, sent.Count)
}

func TestTheDefaultPayloadIsJSONOfItsSize(t *testing.T) {
	for _, size := range []int{100, 200, 5000} {
		text := brokertest.DefaultPayload(size, 41)
		require.Len(t, text, size)
		var fields struct{ Count, At int64 }
		require.NoError(t, json.Unmarshal(text, &fields))
		require.Equal(t, int64(42), fields.Count)
	}
}

// The shipped access list names the example site and grants each device its
// own topics, and dwindle all of the site's to read.
func TestTheShippedRecipeWorksAsItStands(t *testing.T) {
	acl, err := os.ReadFile(filepath.Join(brokertest.Root(t), "deploy", "mosquitto.acl"))
	require.NoError(t, err)
	broker := brokertest.Start(t, brokertest.Options{
		ACL:      string(acl),
		Accounts: map[string]string{"disp-01": "one", "dwindle": "two"},
	})
	topic := func(device string) func(int, int) string {
		return func(int, int) string { return "lube/v1/riverside/" + device + "/pulse" }
	}
	for _, device := range []string{"disp-01", "disp-02"} {
		_, err = load(t, brokertest.LoadOptions{
			Addr: broker.Addr, Username: "disp-01", Password: "one", Publishers: 1, Messages: 1, Topic: topic(device),
		})
		require.NoError(t, err, "a broker acknowledges also what it refuses")
	}
	broker.Stop()
	require.NotContains(t, broker.Log(), "Error")
	conf, err := os.ReadFile(filepath.Join(broker.Dir, "conf"))
	require.NoError(t, err)
	for _, line := range []string{"max_inflight_messages 1000", "max_queued_messages 100000", "persistence true", "message_size_limit 262144"} {
		require.True(t, strings.Contains(string(conf), line+"\n"), line)
	}
}
