package disktest

import (
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"testing"
)

// Small mounts a file system of some megabytes until the test ends, and gives
// its folder. Without the right to do so it skips the test, or fails it where
// CI=true.
func Small(t testing.TB, megabytes int) (dir string) {
	t.Helper()
	dir = t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, fmt.Sprintf("size=%dm", megabytes)); err != nil {
		missing := "a small file system cannot be mounted here (needs root): " + err.Error()
		if os.Getenv("CI") == "true" {
			t.Fatal(missing)
		}
		t.Skip(missing)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, 0); err != nil {
			t.Error(err)
		}
	})
	return dir
}

// Fill takes all the room that a file system has left, by a file in its folder;
// free gives it back.
func Fill(t testing.TB, dir string) (free func()) {
	t.Helper()
	path := filepath.Join(dir, "ballast")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	for block := make([]byte, 4096); err == nil; {
		_, err = f.Write(block)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	return func() {
		t.Helper()
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
	}
}
