package results

import (
	"context"
	"time"

	"dwindle/collector/influx/schema"
	"dwindle/collector/journal"
	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast"
	"dwindle/forecast/export"
)

// Usage is worked out in blocks of days that lie fast in the calendar, each with
// the same days before and after for context: which falls of a level stand out of
// its noise depends on the days that are looked at, and a day must not change
// because another day looks at it. How many days is judgement.
const (
	blockDays = 28
	leadDays  = 28
	lagDays   = 2
)

const (
	// usageEvery is how often the newest blocks are looked through for what came
	// late, with a day at least in each.
	usageEvery = time.Hour
	// sweepEvery is how often all blocks are. Both are judgement.
	sweepEvery = 7 // days
)

// usage looks through the newest blocks, and sweeps the older ones.
func (f *Feeder) usage(ctx context.Context, site *config.Site, today civil.Date, now time.Time) (more bool, err error) {
	room := f.room()
	newest := blockOf(today - 1)
	past := now.Sub(f.usageAt)
	if past < 0 || past >= usageEvery || site.Today(f.usageAt) != today || f.behind && room > 0 {
		f.behind = false
		// The one before, too: what came late for a day of this month.
		for _, block := range []civil.Date{newest, newest - blockDays} {
			whole, err := f.usageOf(ctx, site, block, today, &room)
			if err != nil {
				return false, err
			}
			f.behind = f.behind || !whole
		}
		f.usageAt = now
	}
	if f.swept == 0 || today-f.swept >= sweepEvery || today < f.swept {
		f.swept, f.block = today, newest-2*blockDays
	}
	switch {
	case f.behind:
		return true, nil
	case f.block == 0:
		return false, nil
	case f.block < today-reachDays:
		f.block = 0
		return false, nil
	case room == 0:
		return true, nil
	}
	whole, err := f.usageOf(ctx, site, f.block, today, &room)
	if whole {
		f.block -= blockDays
	}
	return true, err
}

// usageOf hands on what has changed of the complete days of a block: of the last
// two days all, and of older ones as much as there is room for; whole says that
// nothing is left.
func (f *Feeder) usageOf(ctx context.Context, site *config.Site, block, today civil.Date, room *int) (whole bool, err error) {
	last := min(block+blockDays-1, today-1)
	before, err := f.marks(ctx, schema.Usage, block, last)
	if err != nil {
		return false, err
	}
	known, now := make([]handed, blockDays), make([]handed, blockDays)
	for _, m := range before {
		known[m.Day-block] = decode(m.Body)
	}
	changed := make([]bool, blockDays)
	whole = true
	// write hands on the row of a device and day, if it has changed.
	write := func(device string, day civil.Date, row any) error {
		if day < block || day > last {
			return nil
		}
		line := f.row(schema.Usage, row, day, site)
		k, mark := day-block, handedLine{hash([]byte(device)), hash(line)}
		seen := known[k].has(mark)
		if !seen && day < today-2 && *room == 0 || line == nil {
			f.takeBack(line)
			whole = whole && line == nil
			return nil
		}
		now[k] = append(now[k], mark)
		if seen {
			f.takeBack(line)
			return nil
		}
		*room = max(*room-1, 0)
		changed[k] = true
		return f.put(ctx, line)
	}
	err = forecast.MachineDays(ctx, site, f.opt.History, block, last, func(row export.MachineDay) error {
		return write("machine/"+row.Machine, row.Date, machineDay{MachineDay: row})
	})
	if err != nil {
		return false, err
	}
	// A day on which the setting changed comes in two rows, one after the other.
	var held export.Usage
	put := func() error {
		if held.Dispenser == "" {
			return nil
		}
		return write("dispenser/"+held.Dispenser, held.Date, dispenserDay{Usage: held})
	}
	err = forecast.Usage(ctx, site, f.opt.History, block-leadDays, min(last+lagDays, today), func(row export.Usage) error {
		if held.Dispenser == row.Dispenser && held.Point == row.Point && held.Date == row.Date {
			held = together(held, row)
			return nil
		}
		err := put()
		held = row
		return err
	})
	if err == nil {
		err = put()
	}
	if err != nil {
		return false, err
	}
	var marks []journal.Mark
	for k := range now {
		if changed[k] {
			now[k].sort()
			marks = append(marks, journal.Mark{Measurement: schema.Usage, Day: block + civil.Date(k), Body: now[k].encode()})
		}
	}
	if len(marks) == 0 {
		return whole, nil
	}
	return whole, f.mark(ctx, today, marks...)
}

// blockOf gives the first day of the block that a day lies in.
func blockOf(d civil.Date) civil.Date { return d - d%blockDays }

// The rows of usage without the zone, in which they are written.
type (
	dispenserDay struct {
		export.Usage
		Zone *string `json:"zone,omitempty"` // takes the other's place
	}
	machineDay struct {
		export.MachineDay
		Zone *string `json:"zone,omitempty"`
	}
)

// together makes one row of what a dispenser did before and after its setting
// changed within a day: amounts add up where both are known, and of what was seen
// the smaller share counts, since the length of each part is not told.
func together(a, b export.Usage) export.Usage {
	a.RunHours, a.Pulses = sum(a.RunHours, b.RunHours), sum(a.Pulses, b.Pulses)
	a.CommandedCM3, a.DeliveredCM3 = sum(a.CommandedCM3, b.CommandedCM3), sum(a.DeliveredCM3, b.DeliveredCM3)
	a.Seen = min(a.Seen, b.Seen)
	a.Flags = export.Flags(flags(a.Flags) | flags(b.Flags))
	return a
}

// sum is known where both are.
func sum(a, b *float64) *float64 {
	if a == nil || b == nil {
		return nil
	}
	s := *a + *b
	return &s
}

func flags(words string) reading.Flags {
	f, err := reading.ParseFlags(words)
	if err != nil {
		return reading.Suspect // they were written by this program: cannot happen
	}
	return f
}
