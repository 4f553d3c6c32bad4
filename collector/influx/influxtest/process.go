package influxtest

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"time"
)

const (
	// startTime bounds a start; an InfluxDB takes 1 to 2 s on an idle machine.
	startTime = 60 * time.Second
	// stopTime bounds an orderly end.
	stopTime = 30 * time.Second
)

// process is a server in a process group of its own. It ends with the test
// binary, however that ends.
type process struct {
	dir     string // its files, and its working directory
	command []string
	env     []string
	// killed ends what a signal to the group does not reach; may be nil.
	killed func()

	pid  int
	done chan struct{} // closed when it has ended; nil before the first start
}

// start starts the server and waits until it is ready.
func (p *process) start(ready func() bool) error {
	log, err := os.OpenFile(p.logFile(), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer log.Close()
	cmd := exec.Command(p.command[0], p.command[1:]...)
	cmd.Dir, cmd.Env, cmd.Stdout, cmd.Stderr = p.dir, p.env, log, log
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	endWithParent(cmd.SysProcAttr)
	started, done := make(chan error), make(chan struct{})
	go func() {
		// The system takes the end of this thread for the end of the parent, so
		// the thread waits here as long as the server runs, and ends with it.
		runtime.LockOSThread()
		defer close(done)
		err := cmd.Start()
		started <- err
		if err == nil {
			_ = cmd.Wait() // ended by a signal, mostly
		}
	}()
	if err := <-started; err != nil {
		return err
	}
	p.pid, p.done = cmd.Process.Pid, done
	for deadline := time.Now().Add(startTime); ; {
		answered := ready()
		select {
		case <-done: // if there was an answer, it was somebody else's
			return errors.New("it ended at once")
		default:
		}
		if answered {
			return nil
		}
		if time.Now().After(deadline) {
			p.end(syscall.SIGKILL)
			return fmt.Errorf("it is not ready after %s", startTime)
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// running says whether the server was started and has not ended.
func (p *process) running() bool {
	if p.done == nil {
		return false
	}
	select {
	case <-p.done:
		return false
	default:
		return true
	}
}

// end sends the signal to the whole group and waits for the end, which it
// enforces in the end.
func (p *process) end(sig syscall.Signal) {
	if !p.running() {
		return
	}
	if sig == syscall.SIGKILL {
		p.enforce()
	} else {
		_ = syscall.Kill(-p.pid, sig)
	}
	select {
	case <-p.done:
	case <-time.After(stopTime):
		p.enforce()
		<-p.done
	}
}

func (p *process) enforce() {
	if p.killed != nil {
		p.killed()
	}
	_ = syscall.Kill(-p.pid, syscall.SIGKILL)
}

// log is the end of what the server has said.
func (p *process) log() string {
	text, err := os.ReadFile(p.logFile())
	if err != nil {
		return err.Error()
	}
	const enough = 8000
	return string(text[max(0, len(text)-enough):])
}

func (p *process) logFile() string { return filepath.Join(p.dir, "log") }

// environment is the one of the tests without what would change the settings
// of a server, and with a home of its own.
func environment(home string, without ...string) (env []string) {
	for _, e := range os.Environ() {
		if !slices.ContainsFunc(without, func(prefix string) bool { return strings.HasPrefix(e, prefix) }) {
			env = append(env, e)
		}
	}
	return append(env, "HOME="+home)
}
