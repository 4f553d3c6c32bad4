// Package disktest puts a layer between SQLite and the files of tests, so that
// they can ask what only a bad day shows: what is left after the power went,
// what is done on a disk that is slow, full or broken, and what it costs a disk
// to be written to.
//
// The layer is a file system of SQLite's own kind (a VFS) around the usual one;
// nothing of the program knows of it. It sees each write, cut, sync, making and
// removal of a file before it happens: a hook may wait, fail it or end the
// process, and a record of them says which contents a disk may hold after a
// power cut. [Small] mounts a disk that is soon full.
//
// It is for tests only. Start with [Watch].
package disktest

import (
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"unsafe"

	"modernc.org/libc"
	sqlite3 "modernc.org/sqlite/lib"
)

// Op is what is done to a file.
type Op int

// The operations that change what a disk holds.
const (
	Make     Op = iota // a file that may not have been there is opened
	Write              // bytes at an offset
	Truncate           // the file gets a size
	Sync               // all before it is on the disk when it returns
	Remove             // the name is taken away
)

// String names the operation.
func (o Op) String() string {
	return [...]string{"make", "write", "truncate", "sync", "remove"}[o]
}

// Kind is what a file is to SQLite.
type Kind int

// The kinds of files.
const (
	Main    Kind = iota // the database
	Log                 // the write-ahead log
	Journal             // of a rollback
	Other
)

// Call is one operation, as a hook sees it.
type Call struct {
	Op     Op
	Kind   Kind
	File   string // path
	Offset int64
	Bytes  int // of a write
}

// Fault is an error that a hook gives SQLite, by SQLite's own number.
type Fault int32

// The faults that disks have.
const (
	Full     Fault = sqlite3.SQLITE_FULL
	ReadOnly Fault = sqlite3.SQLITE_READONLY
	Broken   Fault = sqlite3.SQLITE_IOERR_WRITE
	Unsynced Fault = sqlite3.SQLITE_IOERR_FSYNC
)

// Error says which.
func (f Fault) Error() string { return fmt.Sprintf("disk fault %d", int32(f)) }

// Disk is the layer under one directory.
type Disk struct {
	dir string

	mu     sync.Mutex
	hook   func(Call) error
	wants  bool    // a record
	log    []event // the record
	counts Counts
}

// Counts are what was done to the disk so far.
type Counts struct {
	Writes, Syncs int64
	LogBytes      int64 // written to write-ahead logs
	MainBytes     int64 // written to databases
}

// layer is the one VFS of the process.
var layer struct {
	once    sync.Once
	err     error
	mu      sync.RWMutex
	disks   []*Disk
	files   map[uintptr]*file   // open files by their address
	methods map[uintptr]uintptr // ours for the usual ones
	usual   uintptr             // the VFS that does the work
}

// file is an open file under a disk.
type file struct {
	disk    *Disk
	path    string
	kind    Kind
	methods *sqlite3.Tsqlite3_io_methods // the usual ones
	making  bool                         // its name is not known to be on the disk
}

// Watch puts the layer under dir until the test ends. Connections must be
// opened after it.
func Watch(t testing.TB, dir string) *Disk {
	t.Helper()
	d, stop, err := Under(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(stop)
	return d
}

// Under is Watch for a process that is no test, such as the child of one.
func Under(dir string) (d *Disk, stop func(), err error) {
	layer.once.Do(register)
	if layer.err != nil {
		return nil, nil, layer.err
	}
	if dir, err = filepath.Abs(dir); err != nil {
		return nil, nil, err
	}
	if real, err := filepath.EvalSymlinks(dir); err == nil {
		dir = real // as SQLite names files
	}
	d = &Disk{dir: dir + string(filepath.Separator)}
	layer.mu.Lock()
	layer.disks = append(layer.disks, d)
	layer.mu.Unlock()
	return d, func() {
		layer.mu.Lock()
		defer layer.mu.Unlock()
		for i, x := range layer.disks {
			if x == d {
				layer.disks = append(layer.disks[:i:i], layer.disks[i+1:]...)
			}
		}
	}, nil
}

// Hook has do called before each operation from now on, by one goroutine or
// many; what it returns fails the operation. Nil: no hook.
func (d *Disk) Hook(do func(Call) error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.hook = do
}

// Counts gives what was done so far.
func (d *Disk) Counts() Counts {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.counts
}

// before asks the hook.
func (d *Disk) before(c Call) int32 {
	d.mu.Lock()
	hook := d.hook
	d.mu.Unlock()
	if hook == nil {
		return sqlite3.SQLITE_OK
	}
	switch err := hook(c).(type) {
	case nil:
		return sqlite3.SQLITE_OK
	case Fault:
		return int32(err)
	default:
		return sqlite3.SQLITE_IOERR
	}
}

// under finds the disk of a path.
func under(path string) *Disk {
	layer.mu.RLock()
	defer layer.mu.RUnlock()
	for _, d := range layer.disks {
		if strings.HasPrefix(path, d.dir) {
			return d
		}
	}
	return nil
}

func known(address uintptr) *file {
	layer.mu.RLock()
	defer layer.mu.RUnlock()
	return layer.files[address]
}

// at looks at memory that is not Go's.
func at[T any](address uintptr) *T { return *(**T)(unsafe.Pointer(&address)) }

// function gives a C function of the library its Go type, and address the way
// back; f must be a function of this package and no closure.
func function[F any](address uintptr) F {
	box := struct{ p uintptr }{address}
	return *(*F)(unsafe.Pointer(&box))
}

func address[F any](f F) uintptr { return *(*uintptr)(unsafe.Pointer(&f)) }

// The C functions that are replaced.
type (
	openFn     = func(tls *libc.TLS, vfs, name, file uintptr, flags int32, outFlags uintptr) int32
	deleteFn   = func(tls *libc.TLS, vfs, name uintptr, syncDir int32) int32
	closeFn    = func(tls *libc.TLS, file uintptr) int32
	writeFn    = func(tls *libc.TLS, file, data uintptr, n int32, offset int64) int32
	truncateFn = func(tls *libc.TLS, file uintptr, size int64) int32
	syncFn     = func(tls *libc.TLS, file uintptr, flags int32) int32
)

// register makes the layer the file system that SQLite uses.
func register() {
	tls := libc.NewTLS()
	defer tls.Close()
	if rc := sqlite3.Xsqlite3_initialize(tls); rc != sqlite3.SQLITE_OK {
		layer.err = fmt.Errorf("start SQLite: error %d", rc)
		return
	}
	layer.files, layer.methods = map[uintptr]*file{}, map[uintptr]uintptr{}
	layer.usual = sqlite3.Xsqlite3_vfs_find(tls, 0)
	ours := libc.Xcalloc(tls, 1, libc.Tsize_t(unsafe.Sizeof(sqlite3.Tsqlite3_vfs{})))
	if layer.usual == 0 || ours == 0 {
		layer.err = fmt.Errorf("SQLite has no file system")
		return
	}
	v := at[sqlite3.Tsqlite3_vfs](ours)
	*v = *at[sqlite3.Tsqlite3_vfs](layer.usual)
	name, err := libc.CString("disktest")
	if err != nil {
		layer.err = err
		return
	}
	v.FpNext, v.FzName = 0, name
	v.FxOpen, v.FxDelete = address(openFn(openFile)), address(deleteFn(deleteFile))
	if rc := sqlite3.Xsqlite3_vfs_register(tls, ours, 1); rc != sqlite3.SQLITE_OK {
		layer.err = fmt.Errorf("register the layer: error %d", rc)
	}
}

func openFile(tls *libc.TLS, vfs, name, f uintptr, flags int32, outFlags uintptr) int32 {
	usual := function[openFn](at[sqlite3.Tsqlite3_vfs](layer.usual).FxOpen)
	open := func() int32 { return usual(tls, layer.usual, name, f, flags, outFlags) }
	if name == 0 {
		return open() // a temporary file
	}
	path := libc.GoString(name)
	d := under(path)
	if d == nil {
		return open()
	}
	x := &file{disk: d, path: path, kind: Other}
	switch {
	case flags&sqlite3.SQLITE_OPEN_MAIN_DB != 0:
		x.kind = Main
	case flags&sqlite3.SQLITE_OPEN_WAL != 0:
		x.kind = Log
	case flags&sqlite3.SQLITE_OPEN_MAIN_JOURNAL != 0:
		x.kind = Journal
	}
	makes := flags&sqlite3.SQLITE_OPEN_CREATE != 0
	if makes {
		if rc := d.before(Call{Op: Make, Kind: x.kind, File: path}); rc != sqlite3.SQLITE_OK {
			return rc
		}
	}
	rc := open()
	if rc != sqlite3.SQLITE_OK {
		return rc
	}
	// SQLite syncs the directory with the first sync of a log or journal that
	// it has made, and of no other file.
	x.making = makes && (x.kind == Log || x.kind == Journal)
	if makes {
		d.note(event{Op: Make, file: path})
	}
	base := at[sqlite3.Tsqlite3_file](f)
	layer.mu.Lock()
	defer layer.mu.Unlock()
	ours := layer.methods[base.FpMethods]
	if ours == 0 {
		ours = libc.Xcalloc(tls, 1, libc.Tsize_t(unsafe.Sizeof(sqlite3.Tsqlite3_io_methods{})))
		m := at[sqlite3.Tsqlite3_io_methods](ours)
		*m = *at[sqlite3.Tsqlite3_io_methods](base.FpMethods)
		m.FxClose, m.FxWrite = address(closeFn(closeFile)), address(writeFn(writeFile))
		m.FxTruncate, m.FxSync = address(truncateFn(truncateFile)), address(syncFn(syncFile))
		layer.methods[base.FpMethods] = ours
	}
	x.methods = at[sqlite3.Tsqlite3_io_methods](base.FpMethods)
	base.FpMethods = ours
	layer.files[f] = x
	return rc
}

func closeFile(tls *libc.TLS, f uintptr) int32 {
	layer.mu.Lock()
	x := layer.files[f]
	delete(layer.files, f)
	layer.mu.Unlock()
	return function[closeFn](x.methods.FxClose)(tls, f)
}

func writeFile(tls *libc.TLS, f, data uintptr, n int32, offset int64) int32 {
	x := known(f)
	if rc := x.disk.before(Call{Op: Write, Kind: x.kind, File: x.path, Offset: offset, Bytes: int(n)}); rc != sqlite3.SQLITE_OK {
		return rc
	}
	rc := function[writeFn](x.methods.FxWrite)(tls, f, data, n, offset)
	if rc == sqlite3.SQLITE_OK {
		x.disk.note(event{Op: Write, file: x.path, kind: x.kind, offset: offset, data: unsafe.Slice(at[byte](data), n)})
	}
	return rc
}

func truncateFile(tls *libc.TLS, f uintptr, size int64) int32 {
	x := known(f)
	if rc := x.disk.before(Call{Op: Truncate, Kind: x.kind, File: x.path, Offset: size}); rc != sqlite3.SQLITE_OK {
		return rc
	}
	rc := function[truncateFn](x.methods.FxTruncate)(tls, f, size)
	if rc == sqlite3.SQLITE_OK {
		x.disk.note(event{Op: Truncate, file: x.path, offset: size})
	}
	return rc
}

func syncFile(tls *libc.TLS, f uintptr, flags int32) int32 {
	x := known(f)
	if rc := x.disk.before(Call{Op: Sync, Kind: x.kind, File: x.path}); rc != sqlite3.SQLITE_OK {
		return rc
	}
	// What another connection writes while this sync runs may not be in it.
	covered := int64(x.disk.Events())
	rc := function[syncFn](x.methods.FxSync)(tls, f, flags)
	if rc == sqlite3.SQLITE_OK {
		x.disk.note(event{Op: Sync, file: x.path, offset: covered, names: x.making})
		x.making = false
	}
	return rc
}

func deleteFile(tls *libc.TLS, vfs, name uintptr, syncDir int32) int32 {
	usual := function[deleteFn](at[sqlite3.Tsqlite3_vfs](layer.usual).FxDelete)
	path := libc.GoString(name)
	d := under(path)
	if d == nil {
		return usual(tls, layer.usual, name, syncDir)
	}
	if rc := d.before(Call{Op: Remove, Kind: Other, File: path}); rc != sqlite3.SQLITE_OK {
		return rc
	}
	rc := usual(tls, layer.usual, name, syncDir)
	if rc == sqlite3.SQLITE_OK {
		d.note(event{Op: Remove, file: path, names: syncDir != 0})
	}
	return rc
}
