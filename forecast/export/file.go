package export

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// File is a file that comes to be under its name only once it is whole: until
// then it has another one beside it. Where the name is that of a device or a
// pipe, it is written to at once.
type File struct {
	*os.File
	path string // empty: nothing to rename
	temp string
}

// Create begins a file. Either [File.Commit] or [File.Discard] must follow.
func Create(path string) (*File, error) {
	if real, err := filepath.EvalSymlinks(path); err == nil {
		path = real // a link stays one
	}
	switch info, err := os.Stat(path); {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return nil, err
	case info.IsDir():
		return nil, fmt.Errorf("%s is a directory: want a file", path)
	case !info.Mode().IsRegular():
		f, err := os.OpenFile(path, os.O_WRONLY, 0)
		if err != nil {
			return nil, err
		}
		return &File{File: f}, nil
	}
	temp := filepath.Join(filepath.Dir(path), "."+filepath.Base(path)+"."+rand.Text()[:8]+".part")
	f, err := os.OpenFile(temp, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return nil, err
	}
	return &File{File: f, path: path, temp: temp}, nil
}

// Commit puts the file under its name, in place of one that was there.
func (f *File) Commit() error {
	if f.path == "" {
		return f.Close()
	}
	err := errors.Join(f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.temp, f.path)
	}
	if err != nil {
		os.Remove(f.temp)
	}
	return err
}

// Discard takes away what was written.
func (f *File) Discard() {
	f.Close()
	if f.temp != "" {
		os.Remove(f.temp)
	}
}
