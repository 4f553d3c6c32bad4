package main

import (
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/collector/mqtt/brokertest"
)

// A controller sends in its own way; its topics are mapped, by a broker and
// by the one inside the program. A reload takes up what the mappings then say,
// and asks the broker for the new topics.
func TestMappedTopicsByEveryBroker(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{})
	addr := freeAddr(t)
	const mapping = `  mappings:
    - name: plc
      topic: silo/{machine}/{channel}
      time: {field: ts, unit: s}
      values:
        - {from: h, channel: run, as: run.hours, unit: min}
`
	file := quay(t, 2, "  broker: {url: \"tcp://"+broker.Addr+"\"}\n  embedded_broker: {listen: \""+addr+"\"}\n"+mapping)
	s := serve(t, file)
	s.waitSubscribed(broker.Addr)
	began := s.stored()

	pub(t, broker.Addr, "silo/be-01/run", `{"ts":1772431200,"h":6000}`)
	s.waitStored(func() int { return began + 1 })
	pub(t, addr, "silo/be-01/run", `{"ts":1772434800,"h":"6060"}`)
	s.waitStored(func() int { return began + 2 })
	out := must(t, "export", "-c", file, "readings")
	require.Contains(t, out, "be-01,run.hours,2026-03-02T06:00:00.000Z")
	require.Contains(t, out, "be-01,run.hours,2026-03-02T07:00:00.000Z")

	// Not asked for before: other topics of the same controller.
	edit(t, file, mapping, mapping+"    - {topic: 'pulses/{device}', values: [{as: pulse.count}]}\n")
	edit(t, file, "unit: min", "unit: h")
	require.NoError(t, s.cmd.Process.Signal(syscall.SIGHUP))
	s.logged("site file read again")
	readings := func() string { return must(t, "export", "-c", file, "readings") }
	waitFor(t, "the new topic is asked for", func() bool {
		pub(t, broker.Addr, "pulses/d-02", "15234")
		return strings.Contains(readings(), "d-02,pulse.count")
	})
	pub(t, addr, "silo/be-02/run", `{"ts":1772431200,"h":100}`)
	waitFor(t, "the changed unit counts", func() bool { return strings.Contains(readings(), "be-02,run.hours,") })
	require.Regexp(t, `be-02,run.hours,2026-03-02T06:00:00.000Z,[^,]*,true,100,`, readings(), "in hours now")
	s.stop()
}
