package forecast

import (
	"context"
	"fmt"
	"hash/fnv"
	"math"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/duty"
)

// A model follows from the state that the days of a history leave behind one by
// one ([duty.State]). The state of some day not long ago is kept with the daily
// figures, so that a pass reads and folds in what came since, some weeks at
// most, however long the history is. It gives what the whole history would, bit
// for bit: a kept state is used only while no day in it has changed.
const (
	// historyDays is how far back duty is learned from at least.
	historyDays = 400
	// historyGrid is how often the first day moves on: at each move all states
	// are made anew from history.
	historyGrid = 182
	// digestGrid is how many days lie between those whose states are kept. It
	// divides time as the bundles of daily figures do.
	digestGrid = 28
	// digestRest is how many days are waited for before a state is kept: most
	// of what comes late comes by then.
	digestRest = 3
)

// floor is the last day of a grid that is not after another.
func floor(d civil.Date, grid int64) civil.Date {
	r := int64(d) % grid
	if r < 0 {
		r += grid
	}
	return d - civil.Date(r)
}

// origin is the first day that duty is learned from.
func origin(today civil.Date) civil.Date { return floor(today-historyDays, historyGrid) }

// digestDay is the day whose states are kept.
func digestDay(today civil.Date) civil.Date { return floor(today-digestRest, digestGrid) - 1 }

// marks tell apart what else a state rests on than daily figures: at each place
// of the tables that of the day types from the origin up to there.
func marks(types []config.DayType, from int, origin civil.Date) []uint64 {
	out := make([]uint64, len(types))
	h := fnv.New64a()
	fmt.Fprintf(h, "%d %d", origin, historyGrid)
	for i := from; i < len(types); i++ {
		_, _ = h.Write([]byte{byte(types[i])})
		out[i] = h.Sum64()
	}
	return out
}

// mark is that of a state of a machine's days up to one.
func (p *pass) mark(machine string, day civil.Date, maxPerDay float64) uint64 {
	return p.calendar(machine).marks[p.index(day)] ^ math.Float64bits(maxPerDay)
}

// past folds the history of a duty up to yesterday; today is not over. The state
// lasts until the next call.
func (p *pass) past(ctx context.Context, s source, machine string, maxPerDay float64) (*duty.State, error) {
	from, begun := p.origin, false
	kept, ok, err := p.src.Digest(ctx, s.device, s.kind, p.today)
	if err != nil {
		return nil, fmt.Errorf("read what is kept of %s of %s: %w", s.kind, s.device, err)
	}
	if ok && kept.Day >= p.origin && kept.Day < p.today && kept.Mark == p.mark(machine, kept.Day, maxPerDay) && p.state.UnmarshalBinary(kept.Body) == nil {
		from, begun = kept.Day+1, true
	} else {
		p.state = duty.Rules{MaxPerDay: maxPerDay}.State()
	}
	days, err := p.since(ctx, s, from)
	if err != nil {
		return nil, err
	}
	if days == nil && !begun {
		return &p.state, nil
	}
	keep := digestDay(p.today)
	types := p.behind(machine)
	for d := from; d < p.today; d++ {
		i := p.index(d)
		x := dayOf(days, i)
		if begun = begun || x.Known > 0; !begun {
			continue
		}
		p.state.Add(duty.Day{Type: types[i], Amount: x.Amount, Seen: x.Known})
		if d != keep {
			continue
		}
		if p.body, err = p.state.AppendBinary(p.body[:0]); err == nil {
			err = p.src.KeepDigest(ctx, s.device, s.kind, p.today, reading.Digest{Day: d, Mark: p.mark(machine, d, maxPerDay), Body: p.body})
		}
		if err != nil {
			return nil, fmt.Errorf("keep what was made of %s of %s: %w", s.kind, s.device, err)
		}
	}
	return &p.state, nil
}

// historyOf is what a model learns from, and the place of its first day in the
// tables. It lasts until the next call.
func (p *pass) historyOf(days []reading.Day, machine string) ([]duty.Day, int) {
	types := p.behind(machine)
	n := max(len(days)-1, 0)
	from := min(p.index(p.origin), n)
	for from < n && days[from].Known <= 0 {
		from++
	}
	history := p.history[:0]
	for i := from; i < n; i++ {
		history = append(history, duty.Day{Type: types[i], Amount: days[i].Amount, Seen: days[i].Known})
	}
	p.history = history
	return history, from
}
