package station

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"dwindle/alerts/alarm"
	"dwindle/alerts/ledger"
	"dwindle/collector"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/config"
)

// View is a site's stores opened for reading, beside a process that writes
// them or without one.
type View struct {
	Site    *config.Site
	Journal *journal.Journal
	History *collector.History
	// Ledger is nil where nothing has been decided yet.
	Ledger *ledger.Ledger
}

// OpenView opens the stores of a site for reading. Close must follow.
func OpenView(ctx context.Context, site *config.Site) (*View, error) {
	path := filepath.Join(site.DataDir(), journalFile)
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return nil, &Refusal{
			fmt.Sprintf("no readings yet: there is no journal in %s", site.DataDir()),
			fmt.Sprintf("dwindle serve -c %s to collect messages, or dwindle replay -c %s LOG", site.Path(), site.Path()),
		}
	}
	j, err := journal.OpenReader(ctx, path, journal.Options{})
	if err != nil {
		return nil, err
	}
	if err := isOf(ctx, j, site); err != nil {
		j.Close()
		return nil, err
	}
	v := &View{Site: site, Journal: j, History: collector.NewHistory(j, func() *config.Site { return site })}
	path = filepath.Join(site.DataDir(), ledgerFile)
	if _, err := os.Stat(path); err == nil {
		if v.Ledger, err = ledger.OpenReader(ctx, path); err != nil {
			j.Close()
			return nil, err
		}
	}
	return v, nil
}

// Close closes the stores.
func (v *View) Close() error {
	err := v.Journal.Close()
	if v.Ledger != nil {
		err = errors.Join(err, v.Ledger.Close())
	}
	return err
}

// DeviceAt gives the dispenser at a point at a time: the one last swapped or
// commissioned there, else the register's. Empty if there is none.
func DeviceAt(ctx context.Context, site *config.Site, point string, at time.Time) (string, error) {
	device := ""
	if d := site.DispenserAt(point); d != nil {
		device = d.ID
	}
	v, err := OpenView(ctx, site)
	var none *Refusal
	if errors.As(err, &none) {
		return device, nil
	}
	if err != nil {
		return "", err
	}
	defer v.Close()
	facts, err := v.History.Facts(ctx, at)
	if err != nil {
		return "", err
	}
	for _, f := range facts {
		if f.Point == point && f.Device != "" && (f.Kind == reading.FactSwap || f.Kind == reading.FactCommission) {
			device = f.Device
		}
	}
	return device, nil
}

// SeenSince says whether a dispenser, or the machine it serves where it does
// not report itself, has been heard of within its reporting rhythm before an
// instant.
func SeenSince(ctx context.Context, site *config.Site, d *config.Dispenser, at time.Time) (bool, error) {
	v, err := OpenView(ctx, site)
	var none *Refusal
	if errors.As(err, &none) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	defer v.Close()
	seen, every, ok, err := v.History.LastSeen(ctx, d.ID, at)
	if err != nil || !ok {
		return false, err
	}
	if every == 0 {
		every = d.Every
	}
	window := max(time.Duration(site.Limits.SilenceIntervals*float64(every)), site.Limits.SilenceMin, time.Hour)
	return at.Sub(seen) <= window, nil
}

// AlarmRows gives the alarm list, or with history also what has ended.
func (v *View) AlarmRows(ctx context.Context, history bool) ([]alarm.Row, error) {
	if v.Ledger == nil {
		return nil, nil
	}
	return v.Ledger.Rows(ctx, ledger.Filter{History: history})
}

// Serving says whether a process serves the site's data directory now.
func Serving(ctx context.Context, site *config.Site) bool {
	r, ok := reach(ctx, site.DataDir())
	if ok {
		r.Close()
	}
	return ok
}
