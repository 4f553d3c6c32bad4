package station

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
)

// ErrHeld says that another process holds the data directory.
var ErrHeld = errors.New("data directory is held by another dwindle")

// lock is the exclusive right to write a data directory. The kernel drops it
// when the process ends, however it ends, so a crash leaves nothing to clean.
type lock struct{ file *os.File }

// take is acquire; a test's is another.
var take = acquire

// acquire takes the lock of a data directory or returns an error that wraps
// [ErrHeld] and names the holder.
func acquire(dir string) (*lock, error) {
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, fmt.Errorf("make data directory: %w\ntry: %s", err, placeRemedy(err))
	}
	path := filepath.Join(dir, "lock")
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return nil, fmt.Errorf("take the data directory for writing: %w\ntry: %s", err, placeRemedy(err))
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		holder, _ := os.ReadFile(path)
		f.Close()
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, fmt.Errorf("%w (%s, process %s)", ErrHeld, dir, orUnknown(strings.TrimSpace(string(holder))))
		}
		return nil, fmt.Errorf("lock %s: %w", path, err)
	}
	if err := f.Truncate(0); err == nil {
		// The process id is for the message above only; the lock itself is the
		// kernel's, so a failure to write it does no harm.
		_, _ = f.WriteAt([]byte(fmt.Sprintln(os.Getpid())), 0)
	}
	return &lock{f}, nil
}

// placeRemedy says what to do about a data directory that cannot be written.
func placeRemedy(err error) string {
	switch {
	case errors.Is(err, syscall.EROFS):
		return "the disk is mounted read-only: name another directory under data:, or see in the system's log why it was turned read-only"
	case errors.Is(err, fs.ErrPermission):
		return "run this as the user that dwindle serve runs as, or give this user the directory"
	case errors.Is(err, syscall.ENOSPC):
		return "free space on this disk"
	}
	return "name a directory under data: that can be made and written"
}

func (l *lock) release() error {
	if l == nil {
		return nil
	}
	return l.file.Close()
}

func orUnknown(s string) string {
	if s == "" {
		return "unknown"
	}
	return s
}
