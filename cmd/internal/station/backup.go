package station

import (
	"archive/tar"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"dwindle/alerts/ledger"
	"dwindle/collector/journal"
	"dwindle/config"
)

// The members of a backup, which is one gzipped tar file.
const (
	manifestName = "manifest.json"
	siteName     = "site.yaml"
)

// backupFormat is the version of the layout; a newer one is refused.
const backupFormat = 1

// Manifest is what a backup says of itself.
type Manifest struct {
	Format int               `json:"format"`
	Site   string            `json:"site"`
	Taken  time.Time         `json:"taken"`
	SHA256 map[string]string `json:"sha256"` // by member
	Bytes  map[string]int64  `json:"bytes"`
	// What the stores held, counted in the copies; nil in older backups.
	Journal *journal.Proof `json:"journal,omitempty"`
	Ledger  *ledger.Proof  `json:"ledger,omitempty"`
}

// Proved is what a restore has found in the stores before it put them in place.
type Proved struct {
	Journal journal.Proof
	Ledger  *ledger.Proof // nil: there is none
	// Compared says that the counts are those of the manifest; older backups
	// have none.
	Compared bool
}

// Backup writes everything of a site into one file: journal, ledger and site
// file. It reads beside a process that serves. The file appears under its name
// only when it is whole.
func Backup(ctx context.Context, site *config.Site, to string, now time.Time) (m Manifest, err error) {
	view, err := OpenView(ctx, site)
	if err != nil {
		return m, err
	}
	defer view.Close()
	work, err := os.MkdirTemp(filepath.Dir(to), ".backup-*")
	if err != nil {
		return m, fmt.Errorf("backup: %w", err)
	}
	defer os.RemoveAll(work)
	members := []string{journalFile}
	if err := view.Journal.Backup(ctx, filepath.Join(work, journalFile)); err != nil {
		return m, fmt.Errorf("backup the journal: %w", err)
	}
	if view.Ledger != nil {
		if err := view.Ledger.Backup(ctx, filepath.Join(work, ledgerFile)); err != nil {
			return m, fmt.Errorf("backup the ledger: %w", err)
		}
		members = append(members, ledgerFile)
	}
	if err := copyFile(site.Path(), filepath.Join(work, siteName)); err != nil {
		return m, fmt.Errorf("backup the site file: %w", err)
	}
	members = append(members, siteName)
	m = Manifest{Format: backupFormat, Site: site.ID, Taken: now.UTC().Truncate(time.Second), SHA256: map[string]string{}, Bytes: map[string]int64{}}
	p, err := prove(ctx, work)
	if err != nil {
		return m, fmt.Errorf("backup: the copy just made is not sound: %w", err)
	}
	m.Journal, m.Ledger = &p.Journal, p.Ledger
	for _, name := range members {
		if m.SHA256[name], m.Bytes[name], err = digest(filepath.Join(work, name)); err != nil {
			return m, fmt.Errorf("backup: %w", err)
		}
	}
	packed := filepath.Join(work, "packed")
	if err := pack(packed, work, m, members); err != nil {
		return m, fmt.Errorf("backup: %w", err)
	}
	if err := os.Rename(packed, to); err != nil {
		return m, fmt.Errorf("backup: %w", err)
	}
	return m, syncDir(filepath.Dir(to))
}

// Restore puts a backup in place of a site's data directory. It proves the
// backup first: every member's digest, both stores' integrity, and that they
// hold what the manifest says. A data directory that holds something is moved
// aside when replace is set, and refused otherwise. It returns the path of what
// was moved aside, if anything.
func Restore(ctx context.Context, site *config.Site, from string, replace bool, now time.Time) (m Manifest, p Proved, aside string, err error) {
	dir := site.DataDir()
	if err := os.MkdirAll(filepath.Dir(dir), 0o750); err != nil {
		return m, p, "", fmt.Errorf("restore: %w", err)
	}
	work, err := os.MkdirTemp(filepath.Dir(dir), ".restore-*")
	if err != nil {
		return m, p, "", fmt.Errorf("restore: %w", err)
	}
	defer os.RemoveAll(work)
	if m, err = unpack(from, work); err != nil {
		return m, p, "", fmt.Errorf("restore from %s: %w", from, err)
	}
	if m.Site != site.ID {
		return m, p, "", &Refusal{fmt.Sprintf("%s is a backup of site %q, the site file is of %q", from, m.Site, site.ID), "the site file of that site; the backup holds a copy, " + siteName}
	}
	if p, err = prove(ctx, work); err != nil {
		return m, p, "", fmt.Errorf("restore from %s: %w", from, err)
	}
	if p.Compared = m.Journal != nil; p.Compared {
		if !p.same(m) {
			return m, p, "", fmt.Errorf("restore from %s: the stores in it do not hold what its manifest says", from)
		}
	}
	aside, err = install(site, work, replace, now)
	return m, p, aside, err
}

// prove reads the stores in a directory whole, and counts what is in them.
func prove(ctx context.Context, dir string) (p Proved, err error) {
	if p.Journal, err = journal.Verify(ctx, filepath.Join(dir, journalFile)); err != nil {
		return p, fmt.Errorf("the journal is not sound: %w", err)
	}
	path := filepath.Join(dir, ledgerFile)
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return p, nil
	}
	l, err := ledger.Verify(ctx, path)
	if err != nil {
		return p, fmt.Errorf("the ledger is not sound: %w", err)
	}
	p.Ledger = &l
	return p, nil
}

// same says that the stores hold what a manifest says.
func (p *Proved) same(m Manifest) bool {
	a, b := p.Journal, *m.Journal
	if !a.Received.Equal(b.Received) || (p.Ledger == nil) != (m.Ledger == nil) {
		return false
	}
	a.Received, b.Received = time.Time{}, time.Time{}
	return a == b && (p.Ledger == nil || *p.Ledger == *m.Ledger)
}

// install puts the stores of a directory in place of a site's.
func install(site *config.Site, work string, replace bool, now time.Time) (aside string, err error) {
	dir := site.DataDir()
	held, err := acquire(dir)
	if err != nil {
		return "", err
	}
	defer held.release()
	main, side, err := storesIn(dir)
	if err != nil {
		return "", fmt.Errorf("restore: %w", err)
	}
	if main && !replace {
		return "", &Refusal{dir + " holds a journal or ledger already", "--replace, which moves it aside and deletes nothing"}
	}
	if main || side {
		aside = filepath.Join(dir, "replaced-"+now.UTC().Format(stamp))
		if err := moveStores(dir, aside); err != nil {
			return "", fmt.Errorf("restore: move the old stores aside: %w", err)
		}
	}
	for _, s := range stores {
		err := os.Rename(filepath.Join(work, s.file), filepath.Join(dir, s.file))
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return aside, fmt.Errorf("restore: %w", err)
		}
	}
	return aside, syncDir(dir)
}

// RestoreBeforeUpgrade puts back what was kept before the newest upgrade that
// this program can still read, proved first. It returns its path, and that of
// what was moved aside.
func RestoreBeforeUpgrade(ctx context.Context, site *config.Site, replace bool, now time.Time) (from string, p Proved, aside string, err error) {
	list := upgradesIn(site.SnapshotDir())
	var failed []error
	for _, from := range list {
		if p, err = prove(ctx, from); err != nil {
			failed = append(failed, fmt.Errorf("%s: %w", from, err))
			continue
		}
		work, err := os.MkdirTemp(filepath.Dir(site.DataDir()), ".restore-*")
		if err != nil {
			return from, p, "", fmt.Errorf("restore: %w", err)
		}
		defer os.RemoveAll(work)
		for _, s := range stores {
			if size(filepath.Join(from, s.file)) == 0 {
				continue
			}
			if err := copyFile(filepath.Join(from, s.file), filepath.Join(work, s.file)); err != nil {
				return from, p, "", fmt.Errorf("restore: %w", err)
			}
		}
		aside, err := install(site, work, replace, now)
		return from, p, aside, err
	}
	if len(failed) > 0 {
		return "", p, "", fmt.Errorf("restore: no copy made before an upgrade can be used: %w", errors.Join(failed...))
	}
	return "", p, "", &Refusal{"there is no copy made before an upgrade in " + site.SnapshotDir(), "restore a backup"}
}

// storesIn says whether a data directory holds stores, or side files of stores.
// A write-ahead log that was left behind would be played into the restored file
// and ruin it.
func storesIn(dir string) (main, side bool, err error) {
	for _, s := range stores {
		for _, tail := range tails {
			_, err := os.Lstat(filepath.Join(dir, s.file+tail))
			switch {
			case errors.Is(err, fs.ErrNotExist):
			case err != nil:
				return false, false, err
			case tail == "":
				main = true
			default:
				side = true
			}
		}
	}
	return main, side, nil
}

// moveStores moves the stores and their side files out of a data directory.
func moveStores(dir, aside string) error {
	if err := os.MkdirAll(aside, 0o750); err != nil {
		return err
	}
	for _, s := range stores {
		if err := s.move(dir, aside); err != nil {
			return err
		}
	}
	return nil
}

func pack(to, dir string, m Manifest, members []string) (err error) {
	f, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	zip := gzip.NewWriter(f)
	out := tar.NewWriter(zip)
	head, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return err
	}
	if err := out.WriteHeader(&tar.Header{Name: manifestName, Mode: 0o640, Size: int64(len(head)), ModTime: m.Taken}); err != nil {
		return err
	}
	if _, err := out.Write(head); err != nil {
		return err
	}
	for _, name := range members {
		if err := out.WriteHeader(&tar.Header{Name: name, Mode: 0o640, Size: m.Bytes[name], ModTime: m.Taken}); err != nil {
			return err
		}
		if err := copyInto(out, filepath.Join(dir, name)); err != nil {
			return err
		}
	}
	return errors.Join(out.Close(), zip.Close(), f.Sync())
}

// unpack writes a backup's members to dir and checks each against the
// manifest, which must come first.
func unpack(from, dir string) (m Manifest, err error) {
	f, err := os.Open(from)
	if err != nil {
		return m, err
	}
	defer f.Close()
	zip, err := gzip.NewReader(f)
	if err != nil {
		return m, fmt.Errorf("no backup of ours: %w", err)
	}
	in := tar.NewReader(zip)
	head, err := in.Next()
	if err != nil || head.Name != manifestName {
		return m, errors.New("no backup of ours: it does not begin with a manifest")
	}
	if err := json.NewDecoder(io.LimitReader(in, 1<<20)).Decode(&m); err != nil {
		return m, fmt.Errorf("read the manifest: %w", err)
	}
	if m.Format > backupFormat {
		return m, fmt.Errorf("the backup has format %d, this program knows up to %d; use a newer dwindle", m.Format, backupFormat)
	}
	if _, ok := m.SHA256[journalFile]; !ok {
		return m, errors.New("the manifest lists no journal")
	}
	for range m.SHA256 {
		head, err := in.Next()
		if err != nil {
			return m, fmt.Errorf("the backup is cut off: %w", err)
		}
		want, known := m.SHA256[head.Name]
		if !known || head.Name != filepath.Base(head.Name) {
			return m, fmt.Errorf("member %q is not in the manifest", head.Name)
		}
		path := filepath.Join(dir, head.Name)
		if err := writeFile(path, io.LimitReader(in, m.Bytes[head.Name]+1)); err != nil {
			return m, fmt.Errorf("unpack %s: %w", head.Name, err)
		}
		got, _, err := digest(path)
		if err != nil {
			return m, err
		}
		if got != want {
			return m, fmt.Errorf("member %s is damaged: its digest is not the one in the manifest", head.Name)
		}
	}
	return m, nil
}

func digest(path string) (hash string, size int64, err error) {
	f, err := os.Open(path)
	if err != nil {
		return "", 0, err
	}
	defer f.Close()
	sum := sha256.New()
	if size, err = io.Copy(sum, f); err != nil {
		return "", 0, err
	}
	return hex.EncodeToString(sum.Sum(nil)), size, nil
}

func copyFile(from, to string) error {
	f, err := os.Open(from)
	if err != nil {
		return err
	}
	defer f.Close()
	return writeFile(to, f)
}

func copyInto(w io.Writer, path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	_, err = io.Copy(w, f)
	return err
}

func writeFile(path string, r io.Reader) (err error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	if _, err := io.Copy(f, r); err != nil {
		return err
	}
	return f.Sync()
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}
