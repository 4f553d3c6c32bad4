package journal

import (
	"fmt"
	"os"
	"path/filepath"
)

// makeDirectory makes the directory of the journal and puts its name, and those
// above it, on the disk. SQLite syncs the directory that its files are in and
// none further up: a power cut could take a new one with all that is in it.
func makeDirectory(dir string) error {
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return fmt.Errorf("make the data directory: %w", err)
	}
	dir, err := filepath.Abs(dir)
	if err != nil {
		return fmt.Errorf("find the data directory: %w", err)
	}
	for above := filepath.Dir(dir); ; above = filepath.Dir(above) {
		// What this user may not open was not made by it; some file systems
		// cannot sync a directory and need not.
		if f, err := os.Open(above); err == nil {
			_ = f.Sync()
			_ = f.Close()
		}
		if above == filepath.Dir(above) {
			return nil
		}
	}
}
