// Package journal keeps what was observed: readings, dated facts, messages
// kept aside and unknown devices, in one SQLite file, with tables derived from
// them that can be rebuilt at any time.
//
// The promise of the collector rests on it: what [Journal.Commit] returned
// without an error is on disk. It decides nothing about what readings mean;
// it imports config/civil, collector/reading and collector/health only. Start
// with [Open] for the one writer, [OpenReader] for readers beside it.
package journal

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"sync"

	_ "modernc.org/sqlite" // the driver "sqlite"

	"dwindle/collector/health"
)

// Options of Open and OpenReader. The zero value is usable.
type Options struct {
	Health *health.Checks // nil: nothing is reported
	Log    *slog.Logger   // nil: discarded
	// Reserve is how much room to hold free for a full disk, bytes, or a part of
	// a small disk; 0: none.
	Reserve int64

	// RawBytes bounds the ring of messages as they came, packed; 0: none are
	// kept. See [Entry].
	RawBytes int64

	// KeptBytes bounds the ring of messages kept aside, and that of lines that a
	// receiver refused; 0: 64 MB.
	KeptBytes int64
}

// Journal is one open journal file. Safe for concurrent use.
type Journal struct {
	path   string
	reader *sql.DB
	links  *links // for snapshots
	health *health.Checks
	log    *slog.Logger
	writes bool // opened for writing; never changes

	// The rest is nil or empty in a journal opened for reading.
	db    *sql.DB
	mu    sync.Mutex // holds the one writing connection and what is below
	w     *sql.Conn
	stmts map[string]*sql.Stmt
	known cache

	file     os.FileInfo      // what was opened, to notice that it was taken away
	byDevice sync.Map         // channels of a device, []channelID; read without mu
	count    map[string]int64 // counters not yet written
	total    map[string]int64 // counters with what is not yet written, under counting as well
	counting sync.Mutex       // for who reads counters while a commit waits for the disk

	notesMu sync.Mutex
	notes   map[string]string // to be written with the counters

	keptLimit int64 // bytes of the kept-aside ring
	raw       rawRing
	marked    bool // the file says that it is open
	reserve   reserve

	behind func(device string) []string // see Behind

	fwd     *forwarding // nil: nobody is named to receive what is stored
	refused refusedRing // what the receiver did not take

	guard      guard
	background sync.WaitGroup
	bg         context.Context // ends with Close
	stop       context.CancelFunc
}

// Behind has the journal know which devices are behind a gateway: late news of
// whether that can be reached changes what is derived of them, too. It is
// called with each commit of such news and must be quick. Call it before the
// first commit.
func (j *Journal) Behind(of func(gateway string) []string) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.behind = of
}

// ErrReadOnly means that the journal was opened for reading.
var ErrReadOnly = errors.New("journal is open for reading only")

// Names under which the journal reports to health.
const (
	checkFile  = "journal file"
	checkPlace = "journal place"
)

// readers bounds the connections that read at the same time.
const readers = 8

// Open opens the journal for writing and makes it if there is none. One
// process only may hold it so; the caller sees to that. A damaged file is
// refused with ErrDamaged, a newer one with ErrNewer; neither is changed.
func Open(ctx context.Context, path string, opt Options) (_ *Journal, err error) {
	j := newJournal(path, opt)
	j.writes = true
	defer func() {
		if err != nil {
			err = fault(path, err)
			j.Close()
		}
	}()
	if err := makeDirectory(filepath.Dir(path)); err != nil {
		return nil, err
	}
	if err := whole(path); err != nil {
		return nil, err
	}
	j.bg, j.stop = context.WithCancel(context.WithoutCancel(ctx))
	j.lookAtPlace()
	if j.db, err = sql.Open("sqlite", dsn(path, "rwc", writerPragmas)); err != nil {
		return nil, fmt.Errorf("open %s: %w", path, err)
	}
	j.db.SetMaxOpenConns(1)
	if j.w, err = j.db.Conn(ctx); err != nil {
		return nil, fmt.Errorf("open %s: %w", path, err)
	}
	if err := checkLibrary(ctx, j.w); err != nil {
		return nil, err
	}
	if err := readBack(ctx, j.w, path, writerPragmas); err != nil {
		return nil, err
	}
	if err := migrate(ctx, j.w, path); err != nil {
		return nil, err
	}
	if err := j.prepare(ctx); err != nil {
		return nil, err
	}
	if err := j.openReaders(ctx); err != nil {
		return nil, err
	}
	if err := j.load(ctx); err != nil {
		return nil, err
	}
	if j.file, err = os.Stat(path); err != nil {
		return nil, fmt.Errorf("open %s: %w", path, err)
	}
	j.reserve.open(filepath.Dir(path), opt.Reserve)
	return j, j.markOpen(ctx)
}

// OpenReader opens an existing journal for reading; it works beside a running
// writer in another process, and without one.
func OpenReader(ctx context.Context, path string, opt Options) (_ *Journal, err error) {
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("there is no journal %s yet: %w", path, err)
	}
	j := newJournal(path, opt)
	defer func() {
		if err != nil {
			err = fault(path, err)
			j.Close()
		}
	}()
	return j, j.openReaders(ctx)
}

func newJournal(path string, opt Options) *Journal {
	if opt.Log == nil {
		opt.Log = slog.New(slog.DiscardHandler)
	}
	return &Journal{
		path: path, links: newLinks(dsn(path, "ro", readerPragmas)), health: opt.Health, log: opt.Log, stop: func() {},
		keptLimit: cmp.Or(opt.KeptBytes, keptBytes), raw: rawRing{limit: opt.RawBytes, held: -1}, refused: refusedRing{limit: cmp.Or(opt.KeptBytes, keptBytes), bytes: -1, counted: -1}, reserve: reserve{health: opt.Health, log: opt.Log},
		guard: guard{found: make(chan struct{})},
	}
}

func (j *Journal) openReaders(ctx context.Context) (err error) {
	if j.reader, err = sql.Open("sqlite", dsn(j.path, "ro", readerPragmas)); err != nil {
		return fmt.Errorf("open %s for reading: %w", j.path, err)
	}
	j.reader.SetMaxOpenConns(readers)
	j.reader.SetMaxIdleConns(2)
	c, err := j.reader.Conn(ctx)
	if err != nil {
		return fmt.Errorf("open %s for reading: %w", j.path, err)
	}
	defer c.Close()
	if err := readBack(ctx, c, j.path, readerPragmas); err != nil {
		return err
	}
	have, err := version(ctx, c, j.path)
	if err != nil {
		return err
	}
	if want := schemaVersion(); have < want {
		return fmt.Errorf("%s has version %d, this program needs %d: start `dwindle serve` once, it brings the file up to date", j.path, have, want)
	}
	return nil
}

// lookAtPlace warns of file systems on which databases get lost.
func (j *Journal) lookAtPlace() {
	kind, network := place(j.path)
	switch {
	case network:
		j.health.Set(checkPlace, health.Warn, fmt.Sprintf("the journal %s lies on a network file system (%s), which can damage it", j.path, kind), "name a data directory on a local disk")
	case kind != "":
		j.log.Warn("the journal lies on a file system that may not survive the machine or the container", "file", j.path, "kind", kind)
	}
}

// metaUnclean is "1" while the file is open, and stays where it was not closed in
// order.
const metaUnclean = "unclean"

// markOpen remembers in the file that it is open, so that the next start knows
// whether this one ended well, and checks the file in the background if the
// last one did not.
func (j *Journal) markOpen(ctx context.Context) error {
	was, err := metaOf(ctx, j.w, metaUnclean)
	if err != nil {
		return fmt.Errorf("read how %s was closed: %w", j.path, err)
	}
	if err := j.setMeta(ctx, metaUnclean, "1"); err != nil {
		return fmt.Errorf("mark %s as open: %w", j.path, err)
	}
	j.marked = true
	if was != "1" {
		j.health.Set(checkFile, health.Ok, "", "")
		return nil
	}
	j.log.Info("the journal was not closed in order; it is being checked", "file", j.path)
	j.background.Go(func() { j.check(j.bg, "quick_check") })
	return nil
}

// Path is the file's path.
func (j *Journal) Path() string { return j.path }

// Close writes what is held back, and closes the file.
func (j *Journal) Close() error {
	j.guard.mu.Lock()
	j.guard.closing = true
	j.guard.mu.Unlock()
	j.stop()
	j.background.Wait()
	var errs []error
	errs = append(errs, j.links.close())
	if j.reader != nil {
		errs = append(errs, j.reader.Close())
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.w != nil {
		if j.stmts != nil { // fully open
			ctx := context.Background()
			err := inTx(ctx, j.w, func() error {
				if err := errors.Join(j.writeCounters(ctx), j.writeRaw(ctx), j.closePlaces(ctx)); err != nil {
					return err
				}
				if !j.marked {
					return nil
				}
				_, err := j.w.ExecContext(ctx, "DELETE FROM meta WHERE name = ?", metaUnclean)
				return err
			})
			if err != nil {
				errs = append(errs, fmt.Errorf("close %s: %w", j.path, j.fault(err)))
			}
			for _, s := range j.stmts {
				errs = append(errs, s.Close())
			}
			j.stmts = nil
		}
		errs = append(errs, j.w.Close())
		j.w = nil
	}
	if j.db != nil {
		errs = append(errs, j.db.Close())
		j.db = nil
	}
	return errors.Join(errs...)
}

// hold takes the writing connection for the caller alone, who must release it;
// a reader and a closed journal have none.
func (j *Journal) hold() (release func(), err error) {
	if !j.writes {
		return nil, ErrReadOnly
	}
	j.mu.Lock()
	if j.w == nil {
		j.mu.Unlock()
		return nil, fmt.Errorf("%s: %w", j.path, errClosed)
	}
	if err := j.reserve.room(); err != nil {
		j.mu.Unlock()
		return nil, err
	}
	return j.mu.Unlock, nil
}

// write does something in one transaction, to its end once it has begun; what
// names it in the error.
func (j *Journal) write(ctx context.Context, what string, do func(ctx context.Context) error) error {
	release, err := j.hold()
	if err != nil {
		return err
	}
	defer release()
	ctx = context.WithoutCancel(ctx)
	if err := inTx(ctx, j.w, func() error { return do(ctx) }); err != nil {
		return fmt.Errorf("%s: %w", what, j.fault(err))
	}
	return nil
}

// Limit bounds the size of the file, in bytes; 0 lifts the bound. A journal
// that has reached it behaves as on a full disk: commits fail with
// ErrUnwritable until there is room. The bound holds until Close.
func (j *Journal) Limit(ctx context.Context, bytes int64) error {
	release, err := j.hold()
	if err != nil {
		return err
	}
	defer release()
	var pageBytes int64 // fixed when the file was made
	if err := j.w.QueryRowContext(ctx, "PRAGMA page_size").Scan(&pageBytes); err != nil {
		return fmt.Errorf("limit %s: %w", j.path, err)
	}
	const most = 1<<32 - 2           // SQLite's own bound, pages
	pages := max(1, bytes/pageBytes) // below what is in use, SQLite takes that
	if bytes == 0 {
		pages = most
	}
	if _, err := j.w.ExecContext(ctx, fmt.Sprintf("PRAGMA max_page_count = %d", pages)); err != nil {
		return fmt.Errorf("bound the size of %s: %w", j.path, err)
	}
	return nil
}
