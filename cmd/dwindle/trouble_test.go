package main

import (
	"context"
	"crypto/sha256"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dwindle/collector/journal/disktest"
	"dwindle/collector/mqtt/brokertest"
)

func TestTenFaultsAreTenLines(t *testing.T) {
	out, _, code := dwindle(t, "check", "-c", "../../config/testdata/ten-faults.bad.yaml")
	require.Equal(t, exitFailed, code)
	lines := strings.Split(strings.TrimSpace(out), "\n")
	require.Len(t, lines, 10, "%s", out)
	for _, line := range lines {
		require.Regexp(t, `ten-faults\.bad\.yaml:\d+: .+; try: .+`, line)
	}
}

func TestASecondServeIsTurnedAway(t *testing.T) {
	file := quay(t, 1, "  embedded_broker: {listen: \"127.0.0.1:0\"}\n")
	s := serve(t, file)
	_, errOut, code := dwindle(t, "serve", "-c", file)
	require.Equal(t, exitFailed, code)
	require.Contains(t, errOut, "data directory is held by another dwindle")
	require.Contains(t, errOut, "try:")
	require.Equal(t, 1, strings.Count(errOut, "error:"))
	s.stop()
	serve(t, file).stop() // and the lock is free again
}

// A damaged journal is put aside as it is, and serving goes on; verbs that read
// name it.
func TestADamagedJournalIsPutAsideUnchanged(t *testing.T) {
	file := quay(t, 1, "  embedded_broker: {listen: \"127.0.0.1:0\"}\n")
	s := serve(t, file)
	s.stop()
	path := filepath.Join(s.site.DataDir(), "journal.db")
	raw, err := os.ReadFile(path)
	require.NoError(t, err)
	for i := 0; i < len(raw); i += 64 {
		copy(raw[i:], "damaged damaged ")
	}
	require.NoError(t, os.WriteFile(path, raw, 0o600))
	before := sha256.Sum256(raw)

	_, errOut, code := dwindle(t, "forecast", "-c", file)
	require.Equal(t, exitFailed, code)
	require.Contains(t, errOut, path)
	require.Contains(t, errOut, "try:")

	s = serve(t, file)
	s.logged("put aside")
	found, err := filepath.Glob(filepath.Join(s.site.DataDir(), "damaged-journal-*", "journal.db"))
	require.NoError(t, err)
	require.Len(t, found, 1)
	raw, err = os.ReadFile(found[0])
	require.NoError(t, err)
	require.Equal(t, before, sha256.Sum256(raw), "the damaged file is evidence")
	s.stop()
}

// logged waits until the serving process has said something.
func (s *server) logged(what string) {
	s.t.Helper()
	require.Eventually(s.t, func() bool { return strings.Contains(s.log.String(), what) }, 30*time.Second, 50*time.Millisecond,
		"never said %q:\n%s", what, s.log)
}

// running wants the process alive.
func (s *server) running() {
	s.t.Helper()
	select {
	case err := <-s.done:
		s.done <- err
		require.FailNow(s.t, "serve ended", "%v\n%s", err, s.log)
	default:
	}
}

func TestABrokerThatIsNotThereIsWaitedFor(t *testing.T) {
	addr := freeAddr(t)
	s := serve(t, quay(t, 1, "  broker: {url: \"tcp://"+addr+"\"}\n"))
	s.logged(addr)
	s.running()
	s.stop()
}

func TestABrokerThatRefusesTheAccountIsSaid(t *testing.T) {
	broker := brokertest.Start(t, brokertest.Options{Accounts: map[string]string{"collector": "right"}})
	secret := filepath.Join(t.TempDir(), "password")
	require.NoError(t, os.WriteFile(secret, []byte("not-the-right-one\n"), 0o600))
	s := serve(t, quay(t, 1, "  broker: {url: \"tcp://"+broker.Addr+"\", username: collector, password_file: "+secret+"}\n"))
	s.logged("refuse")
	s.running()
	s.stop()
	require.NotContains(t, s.log.String(), "not-the-right-one", "secrets stay out of logs")
}

func TestARefusedSubscriptionIsSaid(t *testing.T) {
	// Mosquitto's access list file grants every subscription and then
	// delivers nothing; its dynamic security plugin refuses.
	brokertest.Find(t)
	plugin, err := filepath.Glob("/usr/lib/*/mosquitto_dynamic_security.so")
	require.NoError(t, err)
	require.NotEmpty(t, plugin, "the mosquitto package brings this plugin")
	rules := filepath.Join(t.TempDir(), "rules.json")
	require.NoError(t, os.WriteFile(rules, []byte(`{"defaultACLAccess":
		{"publishClientSend":true,"publishClientReceive":true,"subscribe":false,"unsubscribe":true}}`), 0o600))
	broker := brokertest.Start(t, brokertest.Options{Lines: []string{"plugin " + plugin[0], "plugin_opt_config_file " + rules}})
	s := serve(t, quay(t, 1, "  broker: {url: \"tcp://"+broker.Addr+"\"}\n"))
	s.logged("refuses the subscription")
	s.running()
	s.stop()
}

func TestAFullDiskHoldsBackAcknowledgementsUntilThereIsRoom(t *testing.T) {
	disk := disktest.Small(t, 12)
	addr := freeAddr(t)
	file := quay(t, killDevices, "  embedded_broker: {listen: \""+addr+"\"}\n")
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(file, []byte(strings.Replace(string(text), "data: data", "data: "+filepath.Join(disk, "data"), 1)), 0o600))
	s := serve(t, file)
	reserve := filepath.Join(disk, "data", "reserve")
	require.FileExists(t, reserve, "room for alarms and decisions is set aside")

	// Something else fills the disk while messages come in.
	free := disktest.Fill(t, disk)

	var a acked
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var workers sync.WaitGroup
	for w := range killConnections {
		workers.Go(func() { a.publish(ctx, t, addr, w, 0) })
	}
	s.logged("full")
	s.running()
	require.Eventually(t, func() bool { _, err := os.Stat(reserve); return os.IsNotExist(err) }, 30*time.Second, 10*time.Millisecond, "given up, so that they can be written")
	must(t, "alarms", "-c", file)
	_, _, code := dwindle(t, "forecast", "-c", file)
	require.Equal(t, exitDone, code, "reading goes on")
	a.mu.Lock()
	before := len(a.got)
	a.mu.Unlock()
	free()
	require.Eventually(t, func() bool { a.mu.Lock(); defer a.mu.Unlock(); return len(a.got) > before+200 }, 60*time.Second, 50*time.Millisecond,
		"did not recover by itself:\n%s", s.log)
	cancel()
	workers.Wait()
	s.stop()
	require.FileExists(t, reserve)
	a.requireAllOnce(t, s.site, 0)
}
