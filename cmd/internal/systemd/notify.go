// Package systemd tells a service manager how the program does, by the
// datagrams of sd_notify(3): ready, reloading, stopping, alive, and a line of
// state. Where no manager listens every call does nothing.
//
// It imports nothing of ours and keeps no state; when to say what is decided
// by the station. Start with [FromEnv].
package systemd

import (
	"fmt"
	"net"
	"os"
	"strconv"
	"strings"
	"time"
)

// Notifier speaks to the manager. The nil *Notifier has nobody to speak to.
// Safe for concurrent use.
type Notifier struct {
	addr     *net.UnixAddr
	watchdog time.Duration
}

// FromEnv finds the manager by the environment that it gave to this process,
// and takes that away from processes started later: what they say is not the
// service's word. Without a manager it returns nil.
func FromEnv() *Notifier {
	n := find(os.Getenv, os.Getpid())
	for _, name := range []string{"NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID"} {
		_ = os.Unsetenv(name)
	}
	return n
}

func find(getenv func(string) string, pid int) *Notifier {
	path := getenv("NOTIFY_SOCKET")
	if !strings.HasPrefix(path, "/") && !strings.HasPrefix(path, "@") {
		return nil // none, or of a kind that is no local socket
	}
	n := &Notifier{addr: &net.UnixAddr{Name: path, Net: "unixgram"}} // a leading @ names an abstract socket
	us, err := strconv.ParseInt(getenv("WATCHDOG_USEC"), 10, 64)
	if forPID := getenv("WATCHDOG_PID"); err == nil && us > 0 && (forPID == "" || forPID == strconv.Itoa(pid)) {
		n.watchdog = time.Duration(us) * time.Microsecond
	}
	return n
}

// Watchdog is how long the manager waits for a sign of life; zero where it
// does not.
func (n *Notifier) Watchdog() time.Duration {
	if n == nil {
		return 0
	}
	return n.watchdog
}

// Ready says that the service is up, after the start and after each reload.
func (n *Notifier) Ready() error { return n.send("READY=1") }

// Stopping says that the service is about to end.
func (n *Notifier) Stopping() error { return n.send("STOPPING=1") }

// Alive is the sign of life that the watchdog waits for.
func (n *Notifier) Alive() error { return n.send("WATCHDOG=1") }

// Reloading says that the configuration is being read again; Ready ends it.
func (n *Notifier) Reloading() error {
	now, err := monotonic()
	if err != nil {
		return fmt.Errorf("tell the service manager of a reload: %w", err)
	}
	return n.send("RELOADING=1", fmt.Sprintf("MONOTONIC_USEC=%d", now))
}

// Extend asks for so much more time for the start or stop under way.
func (n *Notifier) Extend(by time.Duration) error {
	return n.send(fmt.Sprintf("EXTEND_TIMEOUT_USEC=%d", by.Microseconds()))
}

// Status is a line for people, shown beside the service's state.
func (n *Notifier) Status(line string) error {
	return n.send("STATUS=" + strings.ReplaceAll(line, "\n", " "))
}

func (n *Notifier) send(lines ...string) error {
	if n == nil {
		return nil
	}
	conn, err := net.DialUnix("unixgram", nil, n.addr)
	if err == nil {
		// A manager that takes nothing must not hold up the service.
		_ = conn.SetWriteDeadline(time.Now().Add(time.Second))
		_, err = conn.Write([]byte(strings.Join(lines, "\n")))
		_ = conn.Close()
	}
	if err != nil {
		return fmt.Errorf("tell the service manager %s: %w", lines[0], err)
	}
	return nil
}
