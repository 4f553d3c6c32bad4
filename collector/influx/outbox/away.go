package outbox

import (
	"context"
	"fmt"
	"strings"
	"time"

	"dwindle/collector/influx/schema"
)

// takeAway deletes a range at the receiver. One that has no such call keeps it,
// which is counted and said.
func (s *Sender) takeAway(ctx context.Context, r *Range) error {
	from, to := bounds(r)
	to = to.Add(time.Millisecond - time.Nanosecond) // what has ids stands between milliseconds
	if r.Fact != "" && r.Device == "" {
		// Predicates have no word for a tag that is missing; but a fact has a
		// nanosecond of its own.
		if r.ID == "" {
			s.stats.undeleted.Add(1)
			return nil
		}
		from = from.Add(schema.Slot(r.ID))
		to = from
	}
	predicate := s.predicate(r)
	for try := 0; ; try++ {
		if err := ctx.Err(); err != nil {
			return err
		}
		a := s.to.delete(s.hard, from, to, predicate)
		switch {
		case a.reaction() == written:
			s.stats.deleted.Add(1)
			s.recovered()
			return nil
		case a.cannotDelete():
			s.stats.undeleted.Add(1)
			if !s.cannotDelete.Swap(true) {
				s.opt.Log.Warn("the receiver cannot delete: readings that were taken back here stay there; they are counted",
					"receiver", s.to.host, "status", a.status, "says", a.words())
			}
			return nil
		}
		if err := s.later(ctx, a, try); err != nil {
			return err
		}
	}
}

// bounds are those of a range, in whole milliseconds, within what can be written.
func bounds(r *Range) (from, to time.Time) {
	first, last := time.Unix(0, 0), time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC)
	within := func(t time.Time) time.Time {
		if t.Before(first) {
			t = first
		}
		if t.After(last) {
			t = last
		}
		return t.UTC().Truncate(time.Millisecond)
	}
	return within(r.From), within(r.To)
}

// cannotDelete says that an answer is none that time would change: the call is
// not known there, or is not understood.
func (a answer) cannotDelete() bool {
	switch a.status {
	case 400, 405, 422, 501:
		return true
	case 404:
		// InfluxDB says it about the bucket or the organisation, in JSON.
		return a.code == ""
	}
	return false
}

// predicate selects one channel, or the facts of a kind of one device.
func (s *Sender) predicate(r *Range) string {
	measurement, channel, _ := strings.Cut(string(r.Quantity), ".")
	if r.Fact != "" {
		measurement, channel = schema.Fact, string(r.Fact)
	}
	quote := strings.NewReplacer(`\`, `\\`, `"`, `\"`)
	if r.Device == "" {
		return fmt.Sprintf(`_measurement="%s" AND channel="%s" AND site="%s"`, quote.Replace(measurement), quote.Replace(channel), quote.Replace(s.opt.Site))
	}
	return fmt.Sprintf(`_measurement="%s" AND channel="%s" AND device="%s" AND site="%s"`,
		quote.Replace(measurement), quote.Replace(channel), quote.Replace(r.Device), quote.Replace(s.opt.Site))
}
