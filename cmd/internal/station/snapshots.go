package station

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"dwindle/collector/health"
	"dwindle/collector/journal"
	"dwindle/config"
)

// Snapshots are copies of the stores beside them, to go on from when one is
// found damaged. SQLite writes each whole, so they must not come too often:
// see due.

const (
	snapshotFirst = time.Minute // after the start
	snapshotLook  = 10 * time.Minute
	snapshotRoom  = 64 << 20            // bytes that a copy must leave free
	snapshotMost  = 30 * 24 * time.Hour // however large the journal is
)

const checkSnapshots = "snapshots"

// snapshot is one copy of one store.
type snapshot struct {
	path  string
	taken time.Time
}

// snapshotsOf lists the copies of a store, the newest first, and behind them
// those that a wrong clock has dated after now.
func snapshotsOf(dir string, s *store, now time.Time) (out []snapshot) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil // none yet; to make one will tell more
	}
	for _, e := range entries {
		text, ours := strings.CutPrefix(e.Name(), s.name+"-")
		text, whole := strings.CutSuffix(text, ".db")
		if !ours || !whole {
			continue
		}
		if taken, err := time.Parse(stamp, text); err == nil {
			out = append(out, snapshot{filepath.Join(dir, e.Name()), taken})
		}
	}
	ahead := func(x snapshot) int {
		if x.taken.After(now) {
			return 1
		}
		return 0
	}
	slices.SortFunc(out, func(a, b snapshot) int { return cmp.Or(ahead(a)-ahead(b), b.taken.Compare(a.taken)) })
	return out
}

// due says when the next snapshots are to be made after the last ones: when
// the site wants them, or later where the journal is so large that copies would
// write more a day than the site allows.
func due(site *config.Site, bytes int64) time.Duration {
	every, daily := site.Snapshots.Every, int64(site.Snapshots.DailyMB)
	if every <= 0 {
		every = config.DefaultSnapshotEvery
	}
	if daily <= 0 {
		daily = config.DefaultSnapshotDailyMB
	}
	days := float64(bytes) / float64(daily<<20)
	return max(every, min(snapshotMost, time.Duration(days*float64(24*time.Hour))))
}

// lead is the store whose snapshots say when the next are due: the journal, but
// where that is a working copy, which comes back by itself.
func (c *Station) lead() *store {
	if c.mirror != nil {
		return ledgerStore
	}
	return journalStore
}

// snapshots makes snapshots until ctx ends.
func (c *Station) snapshots(ctx context.Context) error {
	for wait := snapshotFirst; ; wait = snapshotLook {
		t := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			t.Stop()
			return ctx.Err()
		case <-t.C:
		}
		c.showDamage() // what was moved away meanwhile
		if err := c.snapshotIfDue(ctx); err != nil {
			return err
		}
	}
}

// snapshotIfDue makes snapshots where it is time for them and something came
// since the last ones. A failure is told in health; only a damaged store is an
// error.
func (c *Station) snapshotIfDue(ctx context.Context) error {
	now, ok := c.now()
	if !ok {
		return nil // its name would say nothing; the clock's own check tells
	}
	site, now := c.site.Load(), now.UTC()
	if site.SnapshotKeep() == 0 {
		c.health.Drop(checkSnapshots)
		return nil
	}
	every := due(site, size(c.journal.Path()))
	list := snapshotsOf(site.SnapshotDir(), c.lead(), now)
	unchanged := false
	if len(list) > 0 && now.Sub(list[0].taken) >= every && c.lead() == journalStore {
		p, err := journal.Verify(ctx, list[0].path) // and it is still sound
		n, e := c.journal.Counters(ctx)
		unchanged = err == nil && e == nil && p.Rows == n[journal.CountRows]
	}
	if len(list) == 0 || list[0].taken.After(now) || now.Sub(list[0].taken) >= every && !unchanged {
		err := c.Snapshot(ctx)
		var broken *brokenStore
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case errors.As(err, &broken):
			return err
		case err != nil:
			last := "none is there"
			if len(list) > 0 {
				last = "the newest is of " + list[0].taken.In(site.Location()).Format("2 Jan 2006 15:04")
			}
			c.health.Set(checkSnapshots, health.Warn, fmt.Sprintf("no snapshot could be made: %v; %s", err, last), "free space on that disk, or name another under snapshots.dir:")
			return nil
		}
		list = snapshotsOf(site.SnapshotDir(), c.lead(), now)
	}
	c.showSnapshots(site, list, unchanged)
	return nil
}

func (c *Station) showSnapshots(site *config.Site, list []snapshot, unchanged bool) {
	if len(list) == 0 {
		return
	}
	text := fmt.Sprintf("%d kept, the newest of %s", len(list), list[0].taken.In(site.Location()).Format("2 Jan 2006 15:04"))
	if unchanged {
		text += "; nothing came since"
	}
	c.health.Set(checkSnapshots, health.Ok, text, "")
}

// Snapshot makes copies of both stores now, proves them, and removes those
// that are too many. A copy appears under its name only when it is proved and
// on disk.
func (c *Station) Snapshot(ctx context.Context) error {
	site := c.site.Load()
	now, _ := c.now()
	dir, now := site.SnapshotDir(), now.UTC()
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return err
	}
	if left, err := filepath.Glob(filepath.Join(dir, "*.partial*")); err == nil {
		for _, path := range left { // of a process that was ended
			_ = os.RemoveAll(path)
		}
	}
	if err := room(dir, size(c.journal.Path())+size(c.ledger.Path())); err != nil {
		return err
	}
	for _, s := range stores {
		if s == journalStore && c.lead() != s {
			continue
		}
		path := filepath.Join(dir, fmt.Sprintf("%s-%s.db", s.name, now.Format(stamp)))
		copied := c.journal.Backup
		if s == ledgerStore {
			copied = c.ledger.Backup
		}
		if err := copied(ctx, path+".partial"); err != nil {
			if s == ledgerStore && errors.Is(err, s.damaged) { // the journal looks for itself
				return &brokenStore{s, err}
			}
			return err
		}
		if _, err := s.verify(ctx, path+".partial"); err != nil {
			return errors.Join(fmt.Errorf("the copy just made is not sound: %w", err), os.Remove(path+".partial"))
		}
		if err := os.Rename(path+".partial", path); err != nil {
			return err
		}
	}
	if err := syncDir(dir); err != nil {
		return err
	}
	c.log.Info("snapshots made", "dir", dir)
	for _, s := range stores {
		list := snapshotsOf(dir, s, now)
		for _, old := range list[min(len(list), max(1, site.SnapshotKeep())):] {
			if err := os.Remove(old.path); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return err
			}
		}
	}
	return nil
}

// room says that so many bytes can be written to a directory's disk.
func room(dir string, bytes int64) error {
	var s syscall.Statfs_t
	if err := syscall.Statfs(dir, &s); err != nil {
		return nil // writing will tell
	}
	free := int64(s.Bavail) * int64(s.Bsize)
	if free < bytes+snapshotRoom {
		return fmt.Errorf("%d MB are free at %s, a copy takes %d MB and must leave %d MB", free>>20, dir, bytes>>20, int64(snapshotRoom)>>20)
	}
	return nil
}

// upgradePrefix begins the names of what is kept before an upgrade.
const (
	upgradePrefix = "before-upgrade-"
	upgradeKeep   = 2
)

// beforeUpgrade copies both stores before one of them is brought to a newer
// form: that cannot be undone otherwise.
func (c *Station) beforeUpgrade(ctx context.Context) error {
	site := c.site.Load()
	name := ""
	for _, s := range stores {
		path := filepath.Join(site.DataDir(), s.file)
		if size(path) == 0 || c.logDamage(s) != nil {
			continue // to read it would bring its log to an end
		}
		have, want, err := s.version(ctx, path)
		if err != nil || have == 0 || have >= want {
			continue // opening it says what is wrong
		}
		if s != journalStore {
			name += s.name + "-"
		}
		name += fmt.Sprintf("v%d-to-v%d-", have, want)
	}
	if name == "" {
		return nil
	}
	dir := filepath.Join(site.SnapshotDir(), upgradePrefix+name+c.opt.Now().UTC().Format(stamp))
	err := copyStores(ctx, site.DataDir(), dir)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	for _, s := range stores {
		if errors.Is(err, s.damaged) {
			return nil // opening it finds that, too
		}
	}
	if err != nil {
		// The upgrade is one transaction and has been tried; to collect nothing
		// would be worse.
		c.health.Set("upgrade", health.Warn, fmt.Sprintf("the stores were brought to a newer form without a copy of the old one: %v", err), "to go back to the older dwindle, restore a backup")
		return nil
	}
	c.log.Info("stores copied before they are brought to a newer form", "copy", dir)
	for i, old := range upgradesIn(site.SnapshotDir()) {
		if i >= upgradeKeep {
			if err := os.RemoveAll(old); err != nil {
				return err
			}
		}
	}
	return nil
}

// copyStores copies the stores of one directory into a new one, each proved;
// the directory appears only when it is whole.
func copyStores(ctx context.Context, from, to string) error {
	part := to + ".partial"
	if err := os.MkdirAll(part, 0o750); err != nil {
		return err
	}
	bytes := int64(0)
	for _, s := range stores {
		bytes += size(filepath.Join(from, s.file))
	}
	err := room(part, bytes)
	for _, s := range stores {
		if err != nil {
			break
		}
		if size(filepath.Join(from, s.file)) == 0 {
			continue
		}
		if err = s.copy(ctx, filepath.Join(from, s.file), filepath.Join(part, s.file)); err == nil {
			_, err = s.verify(ctx, filepath.Join(part, s.file))
		}
	}
	if err != nil {
		return errors.Join(err, os.RemoveAll(part))
	}
	if err := errors.Join(syncDir(part), os.Rename(part, to)); err != nil {
		return err
	}
	return syncDir(filepath.Dir(to))
}

// upgradesIn lists the copies made before upgrades, the newest first.
func upgradesIn(dir string) []string {
	found, err := filepath.Glob(filepath.Join(dir, upgradePrefix+"*Z"))
	if err != nil {
		return nil // the pattern is constant
	}
	slices.SortFunc(found, func(a, b string) int {
		return strings.Compare(b[strings.LastIndexByte(b, '-'):], a[strings.LastIndexByte(a, '-'):])
	})
	return found
}
