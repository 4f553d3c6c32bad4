package reservoir

import (
	"math"
	"slices"
)

// unknownStart is the variance of what a fill began with where nobody said it
// (cm3^2): the first level tells.
const unknownStart = 1e6

// run is a filter's way through a stretch of a fill. The first way decides
// which levels are believed; later ones take the same.
type run struct {
	p     Params
	steps []Step
	sc    scale

	start    Estimate
	state    Estimate
	swapped  bool // the stretch begins with its first step's swap
	past     []past
	at       []int // step of each believed level
	believed []bool
	loud     float64 // times the declared variance of levels
	jumps    []Jump  // where the filter was opened for three levels alike
}

func (r *run) readings() []Reading {
	out := make([]Reading, len(r.past))
	for i := range r.past {
		out[i] = r.past[i].Reading
	}
	return out
}

// first runs through the steps with a checkpoint until the stretch ends: cut is
// the first step that is no longer of it. Where another fill that nobody
// recorded ends it, next is the checkpoint at the level that shows it, which is
// that of the last step.
func (r *run) first(c *Checkpoint) (cut int, next *Checkpoint) {
	r.believed = make([]bool, len(r.steps))
	if r.past == nil {
		n := 0
		for i := range r.steps {
			if r.steps[i].HasLevel {
				n++
			}
		}
		r.past, r.at = make([]past, 0, n), make([]int, 0, n)
	}
	var told, unknown float64
	var waiting []past // levels in a row that did not fit and are alike
	var waitingAt []int
	doubt, doubtAt := *c, 0
	believe := func(now past, i int) {
		r.past, r.at, r.believed[i] = append(r.past, now), append(r.at, i), true
	}
	for i := range r.steps {
		s := r.steps[i]
		if s.Swapped && (i > 0 || !r.swapped) {
			r.state = c.Estimate
			return i, nil
		}
		expected := c.Remaining
		outcome := c.Add(r.p, s)
		told, unknown = told+s.Commanded, unknown+s.Unknown
		if outcome == Believed || outcome == Passed && c.Run == 1 {
			waiting, waitingAt = waiting[:0], waitingAt[:0]
		}
		now := past{Reading: Reading{Commanded: told, Level: s.Level}, state: c.Estimate, unknown: unknown}
		switch outcome {
		case Believed:
			believe(now, i)
		case Passed:
			if c.Doubt {
				doubt, doubtAt = *c, i
			}
			now.state.VarR += unknownStart // nothing begins here
			waiting, waitingAt = append(waiting, now), append(waitingAt, i)
		case Reopened:
			jump := Jump{i, c.Remaining - expected + s.Commanded*c.Factor}
			for k := range waiting {
				believe(waiting[k], waitingAt[k])
				jump.Step = min(jump.Step, waitingAt[k])
			}
			waiting, waitingAt = waiting[:0], waitingAt[:0]
			believe(now, i)
			r.jumps = append(r.jumps, jump)
		case Rose:
			r.state = doubt.Estimate
			return doubtAt + 1, &doubt
		}
	}
	r.state = c.Estimate
	return len(r.steps), nil
}

// filter runs through the stretch again, with the factor opened after the given
// readings, -1 for the stretch's start.
func (r *run) filter(opened []int) {
	e := r.start
	if slices.Contains(opened, -1) {
		e.VarF += reopened * reopened
	}
	list := make([]past, 0, len(r.past))
	var told, unknown float64
	for i := range r.steps {
		s := r.steps[i]
		advance(&e, r.p, s)
		told, unknown = told+s.Commanded, unknown+s.Unknown
		if !r.believed[i] {
			continue
		}
		if slices.ContainsFunc(r.jumps, func(j Jump) bool { return j.Step == i }) {
			v := s.Level - e.Remaining
			e.VarR += v * v
		}
		e.level(r.p, s)
		list = append(list, past{Reading: Reading{Commanded: told, Level: s.Level}, state: e, unknown: unknown})
		if slices.Contains(opened, len(list)-1) {
			e.VarF += reopened * reopened
		}
	}
	r.state, r.past = e, list
}

// judged looks for changes of the delivery in the stretch.
func (r *run) judged() Track {
	p := r.p
	t := Track{Since: -1, Resumed: -1}
	for i := range r.steps {
		if s := &r.steps[i]; s.HasLevel {
			r.sc.step, r.sc.noise = math.Max(r.sc.step, s.Scale), math.Max(r.sc.noise, s.Noise)
			r.sc.rough = r.sc.rough || coarse(p, *s)
		}
	}
	t.Readings, t.Steps = r.readings(), slices.Clone(r.at)
	if c := p.Carried; c.bad() && c.Factor != r.start.Factor {
		// What hindsight knew of the fill before.
		r.start.Factor, r.start.VarF = c.Factor, c.SD*c.SD+changeWander*changeWander
		r.filter(nil)
	}
	r.loud = loudness(p, r.steps)
	t.loud = r.loud
	told := r.observe(nil)
	if former := p.Carried; former.bad() {
		since := r.observe(&changed{at: -1, ratio: former.Ratio, low: former.Low()})
		switch {
		case len(since.turns) > 0:
			// Opened, so that a change that put things right shows at once.
			told = since
			told.turns = append([]int{-1}, told.turns...)
		case !told.bad:
			t.Kept, t.Ratio = true, former.with(r.whole(len(r.past)-1))
		}
	}
	t.Resumed = told.resumed
	if told.bad {
		t.Since, t.Ratio, t.Low, t.High = told.now.at, told.now.ratio, told.now.low, !told.now.low
	}
	if len(told.turns) > 0 {
		r.filter(told.turns)
	}
	t.Estimate, t.past, t.start, t.sc = r.state, r.past, r.start, r.sc
	return t
}

// closed makes the record of a fill that ended without one, from its track and
// the checkpoint at the first level of the next.
func (r *run) closed(t Track, step int, next *Checkpoint) Rise {
	out := Rise{
		Step: step, Level: next.New.Remaining, LevelSD: math.Sqrt(math.Max(0, next.New.VarR)),
		Full: next.NewFull, Residual: t.Estimate.Remaining, Delivered: r.start.Remaining - t.Estimate.Remaining,
	}
	for i := range r.steps {
		out.Commanded += r.steps[i].Commanded
	}
	if out.Commanded > 0 {
		out.Factor = out.Delivered / out.Commanded
	}
	return out
}

// whole is the ratio of the whole fill up to a reading.
func (r *run) whole(last int) (Ratio, bool) {
	if last < 0 {
		return Ratio{}, false
	}
	from := past0(r.past, r.start, -1)
	if r.sc.rough {
		x, _, ok := bounded(r.p, from, r.past[last], r.sc, 1, 2, 2, Limits{Under: math.Inf(1)})
		return x, ok
	}
	var sum sums
	for _, p := range r.past[:last+1] {
		sum.add(p.Reading)
	}
	return sum.line(r.p, from, r.past[last].unknown, r.past[last].Commanded, r.sc)
}
