// Package servertest is what helpers need that start real servers for tests: a
// port for one, and the repository, where its settings and scripts are. This is
// support for tests and imported by nothing else.
package servertest

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"syscall"
)

// FreePort finds a free port of the loopback address below those that systems
// give to outgoing connections, which would come in between. It may be taken by
// somebody else before the server asks for it.
func FreePort() (int, error) {
	const low, high = 20_000, 32_000
	for {
		port := low + rand.IntN(high-low)
		l, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", port))
		if errors.Is(err, syscall.EADDRINUSE) {
			continue
		}
		if err != nil {
			return 0, err
		}
		return port, l.Close()
	}
}

// Repository finds the repository from a test's working directory.
func Repository() (string, error) {
	dir, err := os.Getwd()
	if err != nil {
		return "", fmt.Errorf("find the repository: %w", err)
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir, nil
		}
		up := filepath.Dir(dir)
		if up == dir {
			return "", errors.New("find the repository: no go.mod above the test")
		}
		dir = up
	}
}
