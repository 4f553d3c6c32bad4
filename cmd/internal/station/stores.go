package station

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"dwindle/alerts/ledger"
	"dwindle/collector/health"
	"dwindle/collector/journal"
)

// store is one of the two files of a data directory, as far as copies of it
// are made and put in its place.
type store struct {
	name    string
	file    string
	damaged error
	copy    func(ctx context.Context, from, to string) error
	version func(ctx context.Context, path string) (have, want int, err error)
	// verify proves a copy and says when the newest of what is in it came, where
	// that is known.
	verify func(ctx context.Context, path string) (newest time.Time, err error)
}

var (
	journalStore = &store{
		name: "journal", file: journalFile, damaged: journal.ErrDamaged, copy: journal.Copy, version: journal.Version,
		verify: func(ctx context.Context, path string) (time.Time, error) {
			p, err := journal.Verify(ctx, path)
			return p.Received, err
		},
	}
	ledgerStore = &store{
		name: "ledger", file: ledgerFile, damaged: ledger.ErrDamaged, copy: ledger.Copy, version: ledger.Version,
		verify: func(ctx context.Context, path string) (time.Time, error) {
			_, err := ledger.Verify(ctx, path)
			return time.Time{}, err
		},
	}
	stores = []*store{journalStore, ledgerStore}
)

// tails are behind the names of the files of one store.
var tails = []string{"", "-wal", "-shm", "-journal"}

// move moves the files of a store to another directory, as far as they are
// there.
func (s *store) move(from, to string) error {
	for _, tail := range tails {
		err := os.Rename(filepath.Join(from, s.file+tail), filepath.Join(to, s.file+tail))
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return nil
}

// stamp is how times stand in names of files: in the order of time.
const stamp = "20060102T150405Z"

// brokenStore is a store that was found damaged while it was in use.
type brokenStore struct {
	*store
	cause error
}

func (e *brokenStore) Error() string { return e.cause.Error() }

// Unwrap gives the cause.
func (e *brokenStore) Unwrap() error { return e.cause }

// openStores opens journal and ledger. One that is damaged is put aside, and
// the newest sound snapshot takes its place, or else an empty one: devices go
// on sending, and what cannot be stored is lost sooner or later.
func (c *Station) openStores(ctx context.Context, broken *brokenStore) error {
	site := c.site.Load()
	if broken == nil {
		if err := c.beforeUpgrade(ctx); err != nil {
			return err
		}
	}
	if site.JournalInInflux() {
		if err := c.openJournal(ctx, broken != nil && broken.store == journalStore); err != nil {
			return err
		}
		return c.openLedger(ctx, broken)
	}
	if err := c.open(ctx, journalStore, broken, func(string) error { return c.openJournal(ctx, false) }); err != nil {
		return err
	}
	return c.openLedger(ctx, broken)
}

func (c *Station) openLedger(ctx context.Context, broken *brokenStore) error {
	return c.open(ctx, ledgerStore, broken, func(path string) (err error) {
		c.ledger, err = ledger.Open(ctx, path)
		return err
	})
}

func (c *Station) open(ctx context.Context, s *store, broken *brokenStore, open func(path string) error) error {
	const tries = 3 // the snapshot that took its place may be as bad
	cause := c.absent(s)
	if broken != nil && broken.store == s {
		cause = broken.cause
	}
	if cause == nil {
		cause = c.logDamage(s)
	}
	for n := 0; ; n++ {
		if cause != nil {
			if err := c.replace(ctx, s, cause); err != nil {
				return fmt.Errorf("put the damaged %s aside: %w", s.name, err)
			}
		}
		err := open(filepath.Join(c.site.Load().DataDir(), s.file))
		if n == tries || !errors.Is(err, s.damaged) {
			return err
		}
		cause = err
	}
}

// absent says that a store is missing, or empty, that was there before: with
// its write-ahead log left behind, or with snapshots of it.
func (c *Station) absent(s *store) error {
	site := c.site.Load()
	path := filepath.Join(site.DataDir(), s.file)
	if size(path) > 0 {
		return nil
	}
	if size(path+"-wal") == 0 && len(snapshotsOf(site.SnapshotDir(), s, c.opt.Now())) == 0 {
		return nil
	}
	return fmt.Errorf("%w: %s is missing or empty, and it was not before", s.damaged, path)
}

// logDamage says that commits are in a store's write-ahead log that SQLite would
// pass over.
func (c *Station) logDamage(s *store) error {
	err := journal.LogDamage(filepath.Join(c.site.Load().DataDir(), s.file))
	if err == nil || errors.Is(err, s.damaged) {
		return err
	}
	return fmt.Errorf("%w: %w", s.damaged, err)
}

func size(path string) int64 {
	info, err := os.Stat(path)
	if err != nil {
		return 0
	}
	return info.Size()
}

// Damage tells of a store that was found damaged. It lies with what was put
// aside, and is shown until somebody has moved that away.
type Damage struct {
	Store string    `json:"store"`
	Found time.Time `json:"found"`
	Cause string    `json:"cause"`
	// Snapshot is the copy that took its place, of this moment; empty: none was
	// sound, an empty store did.
	Snapshot string    `json:"snapshot,omitempty"`
	Taken    time.Time `json:"taken,omitzero"`
	Refused  []string  `json:"refused,omitempty"` // copies that were not sound
	// What of the damaged file could be read and was stored again.
	Saved    int64     `json:"saved"`    // readings and facts that were missing
	Lost     int       `json:"lost"`     // stretches that cannot be read
	Searched time.Time `json:"searched"` // when that ended; zero: not yet
	Failed   string    `json:"failed,omitempty"`

	dir string
}

const (
	damagedPrefix = "damaged-"
	aboutDamage   = "about.json"
)

// replace puts a store aside and the newest sound snapshot in its place.
func (c *Station) replace(ctx context.Context, s *store, cause error) error {
	site := c.site.Load()
	dir, now := site.DataDir(), c.opt.Now().UTC()
	what, _, _ := strings.Cut(cause.Error(), "\ntry: ")
	d := Damage{Store: s.name, Found: now.Truncate(time.Second), Cause: what, dir: filepath.Join(dir, damagedPrefix+s.name+"-"+now.Format(stamp))}
	for n := 2; size(d.dir) > 0; n++ {
		d.dir = filepath.Join(dir, fmt.Sprintf("%s%s-%s-%d", damagedPrefix, s.name, now.Format(stamp), n))
	}
	if err := os.MkdirAll(d.dir, 0o750); err != nil {
		return err
	}
	if err := s.move(dir, d.dir); err != nil {
		return err
	}
	for _, x := range snapshotsOf(site.SnapshotDir(), s, c.opt.Now()) {
		if _, err := s.verify(ctx, x.path); err != nil {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			d.Refused = append(d.Refused, filepath.Base(x.path))
			continue
		}
		if err := putInPlace(x.path, filepath.Join(dir, s.file)); err != nil {
			return err
		}
		d.Snapshot, d.Taken = filepath.Base(x.path), x.taken
		break
	}
	c.log.Error("a store was found damaged and put aside", "store", s.name, "cause", what, "aside", d.dir, "snapshot", d.Snapshot)
	if err := d.write(); err != nil {
		return err
	}
	return syncDir(dir)
}

// putInPlace copies a file under a name, or moves it where there is no room
// for a copy.
func putInPlace(from, to string) error {
	part := to + ".partial"
	_ = os.Remove(part) // of an earlier try
	if err := copyFile(from, part); err != nil {
		_ = os.Remove(part)
		return os.Rename(from, to)
	}
	return os.Rename(part, to)
}

func (d *Damage) write() error {
	text, err := json.MarshalIndent(d, "", "  ")
	if err != nil {
		return err
	}
	path := filepath.Join(d.dir, aboutDamage)
	if err := os.WriteFile(path+".partial", append(text, '\n'), 0o640); err != nil {
		return err
	}
	return os.Rename(path+".partial", path)
}

// damages lists what was put aside and is still there, the oldest first.
func damages(dir string) (out []Damage) {
	found, err := filepath.Glob(filepath.Join(dir, damagedPrefix+"*", aboutDamage))
	if err != nil {
		return nil // the pattern is constant
	}
	slices.Sort(found)
	for _, path := range found {
		d := Damage{dir: filepath.Dir(path)}
		text, err := os.ReadFile(path)
		if err == nil {
			err = json.Unmarshal(text, &d)
		}
		if err != nil {
			d.Failed = err.Error()
		}
		out = append(out, d)
	}
	slices.SortStableFunc(out, func(a, b Damage) int { return a.Found.Compare(b.Found) })
	return out
}

const checkDamage = "damaged stores"

// showDamage has health say what was put aside, until that is moved away.
func (c *Station) showDamage() {
	site := c.site.Load()
	list := damages(site.DataDir())
	if len(list) == 0 {
		c.health.Set(checkDamage, health.Ok, "", "")
		return
	}
	level, texts := health.Warn, []string(nil)
	for _, d := range list {
		text, lost := d.describe(site.Location())
		if lost {
			level = health.Bad
		}
		texts = append(texts, text)
	}
	c.health.Set(checkDamage, level, strings.Join(texts, "; "), "see what is missing, and the disk; then move "+list[0].dir+" elsewhere: this notice stays until it is gone")
}

// describe says what happened; lost, that something is known to be missing.
func (d *Damage) describe(loc *time.Location) (text string, lost bool) {
	const form = "2 Jan 2006 15:04"
	text = fmt.Sprintf("the %s was found damaged on %s and put aside in %s", d.Store, d.Found.In(loc).Format(form), d.dir)
	if d.Snapshot != "" {
		text += fmt.Sprintf("; it went on from the snapshot of %s", d.Taken.In(loc).Format(form))
	} else {
		text += "; there was no sound snapshot, so it began empty"
	}
	switch {
	case d.Store != journalStore.name:
		return text + "; what was decided after that is missing", d.Snapshot == ""
	case d.Failed != "":
		return text + "; nothing could be read from the damaged file: " + d.Failed, true
	case d.Searched.IsZero():
		return text + "; what came after that is being looked for in the damaged file", false
	case d.Lost > 0:
		return text + fmt.Sprintf("; %d readings and facts were saved from the damaged file, %d stretches of it cannot be read", d.Saved, d.Lost), true
	}
	return text + fmt.Sprintf("; %d readings and facts were saved from the damaged file, all of which could be read", d.Saved), false
}

// salvage stores again what can be read in damaged journals and is missing.
// Readings are known by their keys, so that it may be done over.
func (c *Station) salvage(ctx context.Context) error {
	for _, d := range damages(c.site.Load().DataDir()) {
		if d.Store != journalStore.name || !d.Searched.IsZero() {
			continue
		}
		c.salvageOne(ctx, &d)
		if ctx.Err() != nil {
			return ctx.Err()
		}
		d.Searched = c.opt.Now().UTC().Truncate(time.Second)
		if err := d.write(); err != nil {
			c.log.Warn("what was saved of a damaged journal is not noted; it is looked through again at the next start", "err", err)
		}
		c.log.Info("a damaged journal was looked through", "aside", d.dir, "saved", d.Saved, "lost", d.Lost, "failed", d.Failed)
		c.showDamage()
	}
	return nil
}

func (c *Station) salvageOne(ctx context.Context, d *Damage) {
	path := filepath.Join(d.dir, journalFile)
	if size(path) == 0 {
		d.Failed = "the file is missing or empty"
		return
	}
	w, err := journal.OpenWreck(path)
	if err != nil {
		d.Failed = err.Error()
		return
	}
	defer w.Close()
	if err := c.journal.RaiseCounters(ctx, w.Counters(ctx)); err != nil {
		c.log.Warn("counters do not go on from the damaged journal", "err", err)
	}
	err = w.Entries(ctx, c.journal, func(b journal.Batch) error {
		n, err := c.intake.StoreAgain(ctx, b)
		d.Saved += int64(n)
		return err
	})
	if err == nil {
		// Last, and once: what is in the snapshot is there already.
		err = w.KeptAside(ctx, d.Taken, func(b journal.Batch) error {
			_, err := c.intake.StoreAgain(ctx, b)
			return err
		})
	}
	d.Lost = w.Lost
	if err != nil {
		d.Failed = err.Error()
	}
}

// storesLive ends the serving when a store is found damaged; it is then put
// aside, and serving begins anew.
func (c *Station) storesLive(ctx context.Context) error {
	if err := c.ledger.Check(ctx); errors.Is(err, ledger.ErrDamaged) {
		return &brokenStore{ledgerStore, err}
	}
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-c.journal.Damaged():
		return &brokenStore{journalStore, c.journal.Damage()}
	}
}
