package station

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"dwindle/collector/influx/mirror"
	"dwindle/collector/journal"
	"dwindle/config"
)

// A machine whose journal is in InfluxDB keeps a working copy of it in its data
// directory, under the name of a journal. It can be deleted at any time.

// noteOf is the name under which a copy remembers what it is a copy of.
const noteOf = "of"

// How a copy is kept up to date; the times are judgement.
const (
	syncLeast = time.Second      // at most so often, while serving
	syncAsk   = 30 * time.Second // how long whoever reads waits for a copy that is complete but old
	syncTell  = 10 * time.Second // how often whoever waits for the first copy hears of it
	// copyOld is the age from which a copy says so: several rounds were missed.
	copyOld = 15 * time.Minute
)

// copyOf names what a copy is made of, without secrets.
func copyOf(site *config.Site) string {
	return Target(site, site.Influx())
}

// errEntries refuses what belongs at the gateway.
var errEntries = &Refusal{
	"this machine works from what a gateway has forwarded to InfluxDB, and takes neither messages nor entries",
	"enter it on the gateway of the site; it comes here by itself",
}

// Enters says whether entries and messages can be handed in with this site file,
// and if not, where.
func Enters(site *config.Site) error {
	if site.JournalInInflux() {
		return errEntries
	}
	return nil
}

// openJournal opens the journal. A working copy is one of what the site file
// names, or it is begun anew: where it is found damaged as well, since all of it
// comes back.
func (c *Station) openJournal(ctx context.Context, anew bool) error {
	site := c.site.Load()
	path := filepath.Join(site.DataDir(), journalFile)
	opt := journal.Options{Health: c.health, Log: c.log, RawBytes: site.RawBytes(), Reserve: diskReserve}
	var j *journal.Journal
	var err error
	if !anew {
		j, err = journal.Open(ctx, path, opt)
	}
	if anew || site.JournalInInflux() && errors.Is(err, journal.ErrDamaged) {
		// A damaged file does not tell whether it is a copy. It may be the journal of
		// a machine whose site file was changed, so it is put aside, not removed.
		aside, moved := c.putAside(site.DataDir())
		if moved != nil {
			return errors.Join(err, moved)
		}
		c.log.Warn("the working copy is damaged and made anew; what was there can be deleted once nobody needs it", "file", path, "aside", aside, "err", err)
		j, err = journal.Open(ctx, path, opt)
	}
	if err != nil {
		return err
	}
	of, err := j.Noted(ctx, noteOf)
	if err == nil {
		j, err = c.claim(ctx, j, of, opt)
	}
	if err != nil {
		return errors.Join(err, j.Close())
	}
	c.journal = j
	return nil
}

// isOf says that a journal is what the site file says it is; one that is empty
// may become it.
func isOf(ctx context.Context, j *journal.Journal, site *config.Site) error {
	of, err := j.Noted(ctx, noteOf)
	if err != nil {
		return err
	}
	switch {
	case !site.JournalInInflux() && of != "":
		return &Refusal{
			fmt.Sprintf("%s is a working copy of %s, and no journal of this machine's own", j.Path(), of),
			"name another data directory, or delete " + j.Path() + ": what is in it is in InfluxDB",
		}
	case site.JournalInInflux() && of == "":
		empty, err := j.Empty(ctx)
		if err == nil && !empty {
			err = &Refusal{
				fmt.Sprintf("%s holds readings of this machine's own, and the site file says that its journal is in InfluxDB", j.Path()),
				"name another data directory; it will hold a working copy",
			}
		}
		return err
	case site.JournalInInflux() && of != copyOf(site):
		return &Refusal{
			fmt.Sprintf("%s is a working copy of something else: %s", j.Path(), of),
			"stop the process that serves, if one does, and start it again: the copy is then made anew",
		}
	}
	return nil
}

// claim makes sure that a journal is what the site file says it is.
func (c *Station) claim(ctx context.Context, j *journal.Journal, of string, opt journal.Options) (*journal.Journal, error) {
	site, path := c.site.Load(), j.Path()
	if of == "" || !site.JournalInInflux() || of == copyOf(site) {
		if err := isOf(ctx, j, site); err != nil || of != "" || !site.JournalInInflux() {
			return j, err
		}
	} else {
		c.log.Info("the working copy is of something else and made anew", "file", path, "of", of, "now", copyOf(site))
		if err := j.Close(); err != nil {
			return j, err
		}
		next, err := c.anew(ctx, path, opt)
		if err != nil {
			return j, err
		}
		j = next
	}
	_, err := j.TakeOver(ctx, journal.Copied{Notes: map[string]string{noteOf: copyOf(site)}})
	return j, err
}

// putAside moves the files of a damaged copy to a folder of their own.
func (c *Station) putAside(dir string) (aside string, err error) {
	aside, err = os.MkdirTemp(dir, "set-aside-"+c.opt.Now().UTC().Format(stamp)+"-")
	if err == nil {
		err = journalStore.move(dir, aside)
	}
	if err != nil {
		return "", fmt.Errorf("put the damaged working copy aside: %w", err)
	}
	return aside, nil
}

// anew removes a working copy and begins an empty one.
func (c *Station) anew(ctx context.Context, path string, opt journal.Options) (*journal.Journal, error) {
	for _, tail := range tails {
		if err := os.Remove(path + tail); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("remove the working copy: %w", err)
		}
	}
	return journal.Open(ctx, path, opt)
}

// copies prepares the filling of the working copy, if there is one.
func (c *Station) copies(ctx context.Context) error {
	site := c.site.Load()
	if !site.JournalInInflux() {
		return nil
	}
	open := c.opt.Source
	if open == nil {
		open = influxSource
	}
	source, err := open(site)
	if err != nil {
		return err
	}
	c.mirror = mirror.New(mirror.Options{
		Source: source, Journal: c.journal, Commit: c.intake.TakeOver, Health: c.health, Now: c.opt.Now,
		Gathers: site.Influx().Every, Devices: func() []string { return registered(c.site.Load()) },
	})
	return c.mirror.Resume(ctx)
}

// registered lists the devices of the register.
func registered(site *config.Site) []string {
	var out []string
	for i := range site.Gateways {
		out = append(out, site.Gateways[i].ID)
	}
	for i := range site.Machines {
		out = append(out, site.Machines[i].ID)
	}
	for i := range site.Dispensers {
		out = append(out, site.Dispensers[i].ID)
	}
	return out
}

// asOf is the time for which a pass can be made: with a working copy no later
// than that it shows all up to. To what came after, every device would seem
// silent, for one cause that is none of theirs.
func (c *Station) asOf(now time.Time) (time.Time, bool) {
	if c.mirror == nil {
		return now, true
	}
	upto := c.mirror.State().AsOf()
	if upto.IsZero() {
		return now, false
	}
	if upto.Before(now) {
		return upto, true
	}
	return now, true
}

// Refresh brings the working copy up to date before it is read, where this
// machine has one and nobody serves. What is worth knowing of its age is told.
func Refresh(ctx context.Context, site *config.Site, opt Options, tell func(text string)) error {
	if !site.JournalInInflux() {
		return nil
	}
	now := opt.Now
	if now == nil {
		now = time.Now
	}
	c, err := New(ctx, site, opt)
	if errors.Is(err, ErrHeld) || mayOnlyRead(site, err) { // whoever serves does it
		return copyAge(ctx, site, now(), nil, tell)
	}
	if err != nil {
		return err
	}
	defer c.Close()
	before, err := mirror.Noted(ctx, c.journal)
	if err != nil {
		return err
	}
	complete := before.Complete
	wait, cancel := context.WithCancel(ctx)
	defer cancel()
	if complete.IsZero() {
		defer c.tellWaiting(wait, tell)()
	} else {
		wait, cancel = context.WithTimeout(ctx, syncAsk)
		defer cancel()
	}
	_, err = c.mirror.Sync(wait)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if err != nil && complete.IsZero() {
		return &Refusal{"the working copy is not complete yet: " + mirror.Why(err), "see that InfluxDB runs and that the token may read the bucket, then the same again: what was read stays"}
	}
	if err := c.intake.Flush(ctx); err != nil {
		return err
	}
	return copyAge(ctx, site, now(), err, tell)
}

// mayOnlyRead says that a copy is there, and that the person may read it and not
// write it, as those in the group of the service do.
func mayOnlyRead(site *config.Site, err error) bool {
	if !errors.Is(err, fs.ErrPermission) && !errors.Is(err, syscall.EROFS) {
		return false
	}
	_, err = os.Stat(filepath.Join(site.DataDir(), journalFile))
	return err == nil
}

// tellWaiting tells now and then how far the first copy is.
func (c *Station) tellWaiting(ctx context.Context, tell func(text string)) (end func()) {
	ctx, cancel := context.WithCancel(ctx)
	ended := make(chan struct{})
	began := time.Now()
	go func() {
		defer close(ended)
		tick := time.NewTicker(syncTell)
		defer tick.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
				n, of := c.mirror.Progress()
				tell(fmt.Sprintf("the working copy is being made for the first time: %d of %d devices after %s", n, of, time.Since(began).Round(time.Second)))
			}
		}
	}()
	return func() { cancel(); <-ended }
}

// copyAge tells of a copy that is old, and why.
func copyAge(ctx context.Context, site *config.Site, now time.Time, why error, tell func(text string)) error {
	j, err := journal.OpenReader(ctx, filepath.Join(site.DataDir(), journalFile), journal.Options{})
	if errors.Is(err, fs.ErrNotExist) {
		return nil // the reader will say so
	}
	if err != nil {
		return err
	}
	defer j.Close()
	state, err := mirror.Noted(ctx, j)
	if err != nil {
		return err
	}
	complete, upto := state.Complete, state.AsOf().In(site.Location()).Format(copyTime)
	switch {
	case complete.IsZero():
		return &Refusal{"the working copy is not complete yet; a process that serves is making it", "a moment later again; the health page says how far it is"}
	case state.AsOf().IsZero():
		tell("the gateway has not forwarded yet all that it has, and what is shown is of what has come so far\ntry:  dwindle forward on the gateway, which says what waits")
	case why != nil:
		tell(fmt.Sprintf("the working copy is as of %s: %s\ntry:  see that InfluxDB runs and that the token may read the bucket; what is missing comes with the next call", upto, mirror.Why(why)))
	case now.Sub(complete) > copyOld:
		tell(fmt.Sprintf("the working copy is as of %s; nobody has brought it up to date since\ntry:  see that dwindle serve runs here, and what its check %s says", upto, mirror.CheckName))
	case state.Late(site.Influx().Every):
		tell(fmt.Sprintf("the gateway has forwarded nothing since %s", upto))
	}
	return nil
}

const copyTime = "2 Jan 2006 15:04"
