package main

import (
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"dwindle/collector/mqtt/brokertest"
	"dwindle/collector/sparkplug/wire"
)

// TestASparkplugEdgeNodeFromItsBirthToTheJournal: metrics by alias become
// readings, a birth that a mapping takes nothing of is kept aside with what it
// holds, data of no interest is not, and the same once more is known already.
func TestASparkplugEdgeNodeFromItsBirthToTheJournal(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	file := quay(t, 2, "  broker: {url: \"tcp://"+broker.Addr+"\"}\n"+`  sparkplug: {groups: [yard]}
  mappings:
    - topic: spBv1.0/yard/+/gw-1/{device}
      values:
        - {from: Pulse Count, as: pulse.count}
        - {from: $online, as: status.online}
    - topic: spBv1.0/yard/+/gw-2/{device}
      values:
        - {from: Strokes, as: dose.strokes}
`)
	s := serve(t, file)
	waitFor(t, "the host and the durable client are connected", func() bool { return connects(broker) == 2 })
	s.logged("connected to the broker as a Sparkplug host")
	began := s.stored()

	o := paho.NewClientOptions().AddBroker("tcp://" + broker.Addr).SetProtocolVersion(4).SetClientID("edge")
	edge := paho.NewClient(o)
	require.True(t, edge.Connect().WaitTimeout(10*time.Second))
	defer edge.Disconnect(100)
	at := time.Now().Add(-time.Minute).UnixMilli()
	send := func(topic string, seq uint64, metrics ...wire.Metric) {
		t.Helper()
		at += 1000
		ms := uint64(at)
		token := edge.Publish("spBv1.0/yard/"+topic, 0, false, wire.Encode(wire.Payload{Time: &ms, Seq: &seq, Metrics: metrics}))
		require.True(t, token.WaitTimeout(10*time.Second))
	}
	count := func(name string, alias uint64, d wire.Datatype, n uint64) wire.Metric {
		return wire.Metric{Name: name, Alias: &alias, Datatype: d, Value: wire.Value{Field: wire.IntField, Bits: n}}
	}
	volts := wire.Metric{Name: "Supply", Datatype: wire.Float, Value: wire.Value{Field: wire.FloatField, Real: 12}}

	// A count and online, two counts, offline.
	send("NBIRTH/gw-1", 0)                                                        // of no mapping
	send("DBIRTH/gw-1/d-02", 1, count("Pulse Count", 7, wire.UInt32, 100), volts) // count and online
	send("DDATA/gw-1/d-02", 2, count("", 7, 0, 101))
	send("DDATA/gw-1/d-02", 3, volts) // nothing of interest
	send("DDATA/gw-1/d-02", 4, count("", 7, 0, 102))
	send("DDEATH/gw-1/d-02", 5)
	s.waitStored(func() int { return began + 5 })

	send("NBIRTH/gw-2", 0)
	send("DBIRTH/gw-2/d-02", 1, volts) // the mapping waits for Strokes
	waitFor(t, "it is kept aside", func() bool { return len(s.kept()) == 1 })
	kept := s.kept()[0]
	require.Equal(t, "no_value", kept.Reason)
	require.Contains(t, kept.Detail, "Supply, $online")
	require.Equal(t, began+5, s.stored())
	s.stop()
}
