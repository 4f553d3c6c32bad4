package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/mqtt/brokertest"
)

// connects counts how often a client of dwindle's has come to a broker.
func connects(b *brokertest.Broker) int { return strings.Count(b.Log(), "New client connected") }

func waitFor(t *testing.T, what string, ok func() bool) {
	t.Helper()
	require.Eventually(t, ok, 30*time.Second, 20*time.Millisecond, what)
}

// TestSeveralBrokersAndAReloadThatTouchesOne moves a plant from one broker to
// another: for a while there are two, some messages come by both, and an edit of
// one entry leaves the other's connection alone.
func TestSeveralBrokersAndAReloadThatTouchesOne(t *testing.T) {
	first, second, third := brokertest.Start(t, brokertest.Options{}), brokertest.Start(t, brokertest.Options{}), brokertest.Start(t, brokertest.Options{})
	file := quay(t, 2, "  broker: {url: \"tcp://"+first.Addr+"\"}\n  brokers:\n    - {name: yard, url: \"tcp://"+second.Addr+"\"}\n"+
		"  embedded_broker: {listen: \"127.0.0.1:0\"}\n")
	s := serve(t, file)
	waitFor(t, "both are connected", func() bool { return connects(first) == 1 && connects(second) == 1 })
	s.waitSubscribed(first.Addr)
	began := s.stored()

	const topic, payload = "lube/v1/quay/d-02/pulse", `{"at":"2026-03-02T06:00:00Z","count":500}`
	pub(t, first.Addr, topic, payload)
	s.waitStored(func() int { return began + 1 })
	pub(t, second.Addr, topic, payload)
	pub(t, second.Addr, topic, `{"at":"2026-03-02T07:00:00Z","count":503}`)
	s.waitStored(func() int { return began + 2 })
	require.Equal(t, began+2, s.stored(), "the same message by a second broker is known already")

	before := connects(first)
	edit(t, file, "tcp://"+second.Addr, "tcp://"+third.Addr)
	require.NoError(t, s.cmd.Process.Signal(syscall.SIGHUP))
	s.logged("site file read again")
	waitFor(t, "it comes to the third", func() bool { return connects(third) == 1 })
	require.Equal(t, before, connects(first), "the first one's connection goes on")
	waitFor(t, "it has left the second", func() bool { return strings.Contains(second.Log(), "disconnected") })

	edit(t, file, "  brokers:\n    - {name: yard, url: \"tcp://"+third.Addr+"\"}\n", "")
	require.NoError(t, s.cmd.Process.Signal(syscall.SIGHUP))
	waitFor(t, "it has left the third", func() bool { return strings.Contains(third.Log(), "disconnected") })
	pub(t, first.Addr, topic, `{"at":"2026-03-02T08:00:00Z","count":504}`)
	s.waitStored(func() int { return began + 3 })
	s.stop()
}

// TestDevicesWithAccountsAtTheEmbeddedBroker goes the way of whoever sets it up:
// an account made by the verb, a device that speaks for itself, one that does
// not, and a right that is granted while it serves.
func TestDevicesWithAccountsAtTheEmbeddedBroker(t *testing.T) {
	tool, err := exec.LookPath("mosquitto_pub")
	if err != nil {
		missing := "mosquitto_pub is not here; apt-get install mosquitto-clients"
		if os.Getenv("CI") == "true" {
			require.FailNow(t, missing)
		}
		t.Skip(missing)
	}
	const password = "a-long-passw0rd"
	make := command(t, "account", "d-02")
	make.Stdin = strings.NewReader(password + "\n")
	line, err := make.Output()
	require.NoError(t, err)

	addr := freeAddr(t)
	host, port, _ := strings.Cut(addr, ":")
	file := quay(t, 2, "  embedded_broker:\n    listen: \""+addr+"\"\n    accounts_file: accounts\n")
	require.NoError(t, os.WriteFile(filepath.Join(filepath.Dir(file), "accounts"), line, 0o600), "a relative path is one beside the site file")
	s := serve(t, file)
	send := func(password, topic, payload string) error {
		return exec.Command(tool, "-h", host, "-p", port, "-q", "1", "-u", "d-02", "-P", password, "-t", topic, "-m", payload).Run()
	}
	require.NoError(t, send(password, "lube/v1/quay/d-02/pulse", `{"at":"2026-03-02T06:00:00Z","count":500}`))
	s.waitStored(func() int { return 1 })
	require.Error(t, send("wrong", "lube/v1/quay/d-02/pulse", `{"at":"2026-03-02T07:00:00Z","count":501}`))
	s.logged("wrong password")
	_ = send(password, "lube/v1/quay/d-01/level", `{"percent":50}`) // the tool takes the end for an answer
	s.logged("may not publish to")
	require.NotContains(t, s.log.String(), password)
	require.Equal(t, 1, s.stored())

	edit(t, file, "    accounts_file: accounts\n", "    accounts_file: accounts\n    access:\n      - {account: d-02, write: [lube/v1/quay/d-01/#]}\n")
	require.NoError(t, s.cmd.Process.Signal(syscall.SIGHUP))
	s.logged("site file read again")
	require.NoError(t, send(password, "lube/v1/quay/d-01/level", `{"at":"2026-03-02T08:00:00Z","percent":50}`))
	s.waitStored(func() int { return 2 })
	s.stop()
}
