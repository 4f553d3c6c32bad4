package journal

import (
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"

	"dwindle/collector/health"
)

// reserve is a file that holds room on the disk. When the disk is full it is
// given up, so that what must be written then can be: the alarm that says so, and
// what people decide about it. Messages do not get that room: the journal takes
// no more until there is enough for the reserve again.
type reserve struct {
	path   string
	bytes  int64 // 0: none is kept
	given  bool  // given up for now
	health *health.Checks
	log    *slog.Logger
}

const checkReserve = "disk reserve"

// On a small disk the reserve is this part of it at most.
const reserveShare = 16

// open makes the reserve, or takes the one that is there.
func (r *reserve) open(dir string, most int64) {
	total, _, ok := space(dir)
	if most <= 0 || !ok {
		return // where room cannot be asked for, a full disk shows by its errors alone
	}
	r.path, r.bytes = filepath.Join(dir, "reserve"), min(most, total/reserveShare)
	if info, err := os.Stat(r.path); err == nil && info.Size() == r.bytes {
		r.health.Set(checkReserve, health.Ok, "", "")
		return
	}
	if err := r.make(); err != nil {
		// Without it the program works as any other does on a full disk.
		r.bytes = 0
		r.health.Set(checkReserve, health.Warn, fmt.Sprintf("no room could be set aside for a full disk: %v", err), "free space on the disk of the data directory, then restart")
		return
	}
	r.health.Set(checkReserve, health.Ok, "", "")
}

// needs is what must be free for the reserve to be made, and a little more.
func (r *reserve) needs() int64 { return r.bytes + max(r.bytes/4, 64<<10) }

func (r *reserve) make() error {
	dir := filepath.Dir(r.path)
	if _, free, ok := space(dir); !ok || free < r.needs() {
		return fmt.Errorf("%d MB are wanted and %d MB are free", r.needs()>>20, free>>20)
	}
	f, err := os.OpenFile(r.path, os.O_CREATE|os.O_RDWR|os.O_TRUNC, 0o640)
	if err != nil {
		return err
	}
	if err := errors.Join(allocate(f, r.bytes), f.Close()); err != nil {
		return errors.Join(err, os.Remove(r.path))
	}
	return nil
}

// giveUp frees the room.
func (r *reserve) giveUp() {
	if r.bytes == 0 || r.given {
		return
	}
	if err := os.Remove(r.path); err != nil && !errors.Is(err, os.ErrNotExist) {
		r.log.Error("the room set aside for a full disk cannot be freed", "file", r.path, "err", err)
		return
	}
	r.given = true
	r.health.Set(checkReserve, health.Warn, "the disk is full: what was set aside for that is in use", "free space on the disk of the data directory; it is set aside again by itself")
}

// room says whether messages may be written.
func (r *reserve) room() error {
	if !r.given {
		return nil
	}
	_, free, ok := space(filepath.Dir(r.path))
	if !ok || free >= r.needs() {
		return nil
	}
	return fmt.Errorf("%w: disk full: what is free, %d KB, is kept for alarms and decisions\ntry: free space on the disk of the data directory, %d MB at least", ErrUnwritable, free>>10, r.needs()>>20+1)
}

// takeBack sets the room aside again once there is enough.
func (r *reserve) takeBack() {
	if !r.given {
		return
	}
	if err := r.make(); err != nil {
		return // told already, and tried again with the next commit
	}
	r.given = false
	r.health.Set(checkReserve, health.Ok, "", "")
}
