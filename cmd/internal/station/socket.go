package station

import (
	"fmt"
	"net"
	"os"
	"path/filepath"
	"syscall"
)

// socketName is the local socket in the data directory through which writing
// verbs reach the process that holds it.
const socketName = "control.sock"

// A socket path may have 107 bytes on Linux; longer ones are reached through
// the directory's descriptor.
const longestSocketPath = 100

// socketPath gives a path of the socket short enough for the kernel. done
// frees what the path rests on and must be called after listening or dialling.
func socketPath(dir string) (path string, done func(), err error) {
	path = filepath.Join(dir, socketName)
	if len(path) <= longestSocketPath {
		return path, func() {}, nil
	}
	d, err := os.Open(dir)
	if err != nil {
		return "", nil, fmt.Errorf("open data directory: %w", err)
	}
	return fmt.Sprintf("/proc/self/fd/%d/%s", d.Fd(), socketName), func() { d.Close() }, nil
}

// listenSocket makes the control socket, readable by the owner and its group.
// The caller holds the lock, so a socket that is there already is a leftover.
func listenSocket(dir string) (net.Listener, error) {
	path, done, err := socketPath(dir)
	if err != nil {
		return nil, err
	}
	defer done()
	if err := os.Remove(path); err != nil && !os.IsNotExist(err) {
		return nil, fmt.Errorf("remove old control socket: %w", err)
	}
	old := syscall.Umask(0o117) // the socket must never be open to others, not even for a moment
	l, err := net.Listen("unix", path)
	syscall.Umask(old)
	if err != nil {
		return nil, fmt.Errorf("open control socket in %s: %w", dir, err)
	}
	// With a path through a descriptor that is closed by then, the listener
	// could not unlink it; the next start removes it.
	l.(*net.UnixListener).SetUnlinkOnClose(path == filepath.Join(dir, socketName))
	return l, nil
}

// dialSocket connects to the process that holds the data directory.
func dialSocket(dir string) (net.Conn, error) {
	path, done, err := socketPath(dir)
	if err != nil {
		return nil, err
	}
	defer done()
	return net.Dial("unix", path)
}
