package results

import (
	"context"
	"encoding/binary"

	"dwindle/alerts/ledger"
	"dwindle/collector/influx/schema"
	"dwindle/collector/journal"
	"dwindle/config"
	"dwindle/config/civil"
)

// alarmsOnce bounds the transitions that are looked at in one step. Judgement.
const alarmsOnce = 2000

// alarm hands on alarms that moved, and once a day those that stand, whose values
// change without a move. Each is one row of the day on which it began, which is
// renewed: alarms are counted by when they began, and how long they lasted stands
// in the row.
func (f *Feeder) alarm(ctx context.Context, site *config.Site, today civil.Date) (more bool, err error) {
	before, err := f.marks(ctx, schema.Alarm, 0, 0)
	if err != nil {
		return false, err
	}
	after := int64(0)
	if len(before) > 0 {
		after = number(before[0].Body)
	}
	rows, upTo, err := f.opt.Ledger.Changed(ctx, after, alarmsOnce)
	if err != nil {
		return false, err
	}
	if upTo < after { // another ledger
		return true, f.mark(ctx, 0, journal.Mark{Measurement: schema.Alarm, Body: numberBody(0)})
	}
	more = upTo != after
	if f.alarms != today {
		standing, err := f.opt.Ledger.Rows(ctx, ledger.Filter{})
		if err != nil {
			return false, err
		}
		rows = append(rows, standing...)
	}
	if len(rows) == 0 {
		f.alarms = today
		return false, nil
	}
	for _, r := range rows {
		if err := f.put(ctx, f.row(schema.Alarm, r, site.Today(r.Since), site)); err != nil {
			return false, err
		}
	}
	if err := f.mark(ctx, 0, journal.Mark{Measurement: schema.Alarm, Body: numberBody(upTo)}); err != nil {
		return false, err
	}
	f.alarms = today
	return more, nil
}

func numberBody(n int64) []byte { return binary.LittleEndian.AppendUint64(nil, uint64(n)) }

// number reads what numberBody gave; of what is damaged nothing is known.
func number(body []byte) int64 {
	if len(body) != 8 {
		return 0
	}
	return int64(binary.LittleEndian.Uint64(body))
}
