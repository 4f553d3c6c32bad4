package journal

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// space gives the size of the disk under a directory and what is free for us,
// bytes.
func space(dir string) (total, free int64, ok bool) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return 0, 0, false
	}
	unit := int64(s.Bsize) // the field's type differs between architectures
	return int64(s.Blocks) * unit, int64(s.Bavail) * unit, true
}

// allocate takes room for a file without writing it, where the file system can.
func allocate(f *os.File, bytes int64) error {
	err := unix.Fallocate(int(f.Fd()), 0, 0, bytes)
	if !errors.Is(err, unix.EOPNOTSUPP) {
		return err
	}
	zeros := make([]byte, 64<<10)
	for left := bytes; left > 0; left -= int64(len(zeros)) {
		if _, err := f.Write(zeros[:min(left, int64(len(zeros)))]); err != nil {
			return err
		}
	}
	return f.Sync()
}
