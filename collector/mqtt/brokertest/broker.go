// Package brokertest starts a real MQTT broker for tests and sends it load.
//
// The broker is the mosquitto of the system, run with the settings that
// deploy/mosquitto.conf recommends, on a free loopback port and in a
// directory of its own. Where it is missing the test is skipped, saying how to
// install it, and fails when CI=true. It is support for tests and imported by
// nothing else. Start with [Start] and [Load].
package brokertest

import (
	"bufio"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"dwindle/collector/internal/servertest"
)

// Options of Start. The zero value lets everybody in.
type Options struct {
	// Accounts maps user names to passwords. If empty nobody needs one.
	Accounts map[string]string
	// ACL is the text of an access list; empty: everything is allowed.
	ACL string
	// Lines are added to the configuration. A setting that stands here
	// replaces the one of the recipe.
	Lines []string
}

// Broker is a running mosquitto.
type Broker struct {
	Addr string // host:port on loopback; the same after a restart
	Dir  string // its files

	t    testing.TB
	path string
	cmd  *exec.Cmd
	done chan struct{} // closed when cmd has ended
}

// startTime bounds a start; a broker takes some 10 ms.
const startTime = 10 * time.Second

// Start starts a broker that ends with the test.
func Start(t testing.TB, opt Options) *Broker {
	t.Helper()
	path := Find(t)
	b := &Broker{t: t, path: path, Dir: t.TempDir()}
	t.Cleanup(b.Kill)
	// A port found free may be taken by somebody else before the broker asks
	// for it.
	var err error
	for n := range 10 {
		time.Sleep(time.Duration(n) * 20 * time.Millisecond)
		if err = b.configure(opt); err != nil {
			t.Fatalf("configure the broker: %v", err)
		}
		if err = b.launch(); err == nil {
			return b
		}
	}
	t.Fatalf("start the broker: %v\n%s", err, b.Log())
	return nil
}

// Find returns the path of mosquitto. Without it the test is skipped, or
// fails when CI=true.
func Find(t testing.TB) string {
	t.Helper()
	if path, err := exec.LookPath("mosquitto"); err == nil {
		return path
	}
	const debian = "/usr/sbin/mosquitto" // not on everybody's PATH
	if _, err := os.Stat(debian); err == nil {
		return debian
	}
	const missing = "mosquitto is not installed: sh deploy/install-test-tools.sh as root, or apt-get install mosquitto"
	if os.Getenv("CI") == "true" {
		t.Fatal(missing)
	}
	t.Skip(missing)
	return ""
}

// Stop ends the broker as a service manager would; it stores its sessions.
func (b *Broker) Stop() { b.end(syscall.SIGTERM) }

// Kill ends the broker at once.
func (b *Broker) Kill() { b.end(syscall.SIGKILL) }

// Again starts a stopped or killed broker with the same files and address.
func (b *Broker) Again() {
	b.t.Helper()
	if err := b.launch(); err != nil {
		b.t.Fatalf("start the broker again: %v\n%s", err, b.Log())
	}
}

// Forget deletes what a stopped broker has stored.
func (b *Broker) Forget() {
	b.t.Helper()
	if err := os.Remove(filepath.Join(b.Dir, "mosquitto.db")); err != nil {
		b.t.Fatalf("make the broker forget: %v", err)
	}
}

// Snapshot makes the broker store its sessions now, as it does every so often.
func (b *Broker) Snapshot() {
	b.t.Helper()
	file := filepath.Join(b.Dir, "mosquitto.db")
	before, _ := os.Stat(file)
	if err := b.cmd.Process.Signal(syscall.SIGUSR1); err != nil {
		b.t.Fatalf("make the broker store its sessions: %v", err)
	}
	for deadline := time.Now().Add(startTime); ; time.Sleep(5 * time.Millisecond) {
		// It writes beside the file and puts it in its place.
		now, err := os.Stat(file)
		if err == nil && (before == nil || !os.SameFile(before, now)) {
			return
		}
		if time.Now().After(deadline) {
			b.t.Fatal("the broker does not store its sessions")
		}
	}
}

// Log is what the broker has said.
func (b *Broker) Log() string {
	text, err := os.ReadFile(filepath.Join(b.Dir, "log"))
	if err != nil {
		return err.Error()
	}
	return string(text)
}

func (b *Broker) end(sig syscall.Signal) {
	if b.cmd == nil {
		return
	}
	_ = b.cmd.Process.Signal(sig)
	select {
	case <-b.done:
	case <-time.After(startTime):
		_ = b.cmd.Process.Kill()
		<-b.done
	}
	b.cmd = nil
}

func (b *Broker) launch() error {
	log, err := os.OpenFile(filepath.Join(b.Dir, "log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer log.Close()
	said := len(b.Log())
	cmd := exec.Command(b.path, "-c", filepath.Join(b.Dir, "conf"))
	cmd.Stdout, cmd.Stderr = log, log
	if err := cmd.Start(); err != nil {
		return err
	}
	b.cmd, b.done = cmd, make(chan struct{})
	go func(done chan struct{}) {
		defer close(done)
		_ = cmd.Wait() // ended by a signal, mostly
	}(b.done)
	// What it says, not a connection: dialling a port that nobody listens on
	// may be answered by one's own socket.
	for deadline := time.Now().Add(startTime); ; {
		if strings.Contains(b.Log()[said:], " running\n") {
			return nil
		}
		select {
		case <-b.done:
			b.cmd = nil
			return errors.New("it ended at once")
		case <-time.After(5 * time.Millisecond):
		}
		if time.Now().After(deadline) {
			b.Kill()
			return errors.New("it does not get ready")
		}
	}
}

// configure writes the broker's files: the recipe without what names places
// of a real installation.
func (b *Broker) configure(opt Options) error {
	recipe, err := os.Open(filepath.Join(Root(b.t), "deploy", "mosquitto.conf"))
	if err != nil {
		return err
	}
	defer recipe.Close()
	port, err := servertest.FreePort()
	if err != nil {
		return err
	}
	b.Addr = fmt.Sprintf("127.0.0.1:%d", port)

	own := []string{
		fmt.Sprintf("listener %d 127.0.0.1", port),
		"persistence_location " + b.Dir + "/",
		fmt.Sprintf("allow_anonymous %t", len(opt.Accounts) == 0),
		"log_dest stderr", "log_type information", "log_type error", "log_type warning", "log_type notice",
	}
	if os.Geteuid() == 0 {
		own = append(own, "user root") // the directory is ours alone
	}
	if len(opt.Accounts) > 0 {
		file := filepath.Join(b.Dir, "passwords")
		if err := b.passwords(file, opt.Accounts); err != nil {
			return err
		}
		own = append(own, "password_file "+file)
	}
	if opt.ACL != "" {
		file := filepath.Join(b.Dir, "acl")
		if err := os.WriteFile(file, []byte(opt.ACL), 0o600); err != nil {
			return err
		}
		own = append(own, "acl_file "+file)
	}
	replaced := []string{"password_file", "acl_file"}
	for _, line := range slices.Concat(own, opt.Lines) {
		replaced = append(replaced, keyOf(line))
	}
	// Our listener comes first: a setting of listeners that stands above the
	// first of them would open port 1883 on every address.
	var conf strings.Builder
	for _, line := range slices.Concat(own, opt.Lines) {
		fmt.Fprintln(&conf, line)
	}
	for lines := bufio.NewScanner(recipe); lines.Scan(); {
		if key := keyOf(lines.Text()); key != "" && !strings.HasPrefix(key, "#") && !slices.Contains(replaced, key) {
			fmt.Fprintln(&conf, lines.Text())
		}
	}
	return os.WriteFile(filepath.Join(b.Dir, "conf"), []byte(conf.String()), 0o600)
}

// passwords makes a password file; mosquitto's own program hashes it.
func (b *Broker) passwords(file string, accounts map[string]string) error {
	var text strings.Builder
	for user, password := range accounts {
		fmt.Fprintf(&text, "%s:%s\n", user, password)
	}
	if err := os.WriteFile(file, []byte(text.String()), 0o600); err != nil {
		return err
	}
	if out, err := exec.Command("mosquitto_passwd", "-U", file).CombinedOutput(); err != nil {
		return fmt.Errorf("mosquitto_passwd: %w: %s", err, out)
	}
	return nil
}

func keyOf(line string) string {
	key, _, _ := strings.Cut(strings.TrimSpace(line), " ")
	return key
}

// Root finds the repository from a test's working directory.
func Root(t testing.TB) string {
	t.Helper()
	dir, err := servertest.Repository()
	if err != nil {
		t.Fatal(err)
	}
	return dir
}
