package meter

import (
	"math"
	"slices"
	"time"

	"dwindle/collector/reading"
)

// state takes a run state message. A repeated state is a heartbeat.
func (f *Fold) state(t int64, on bool) {
	s := &f.s.State
	if s.Has && t <= s.Last {
		return
	}
	if s.Has {
		f.advance(t)
		// A chattering contact says nothing of the reporting interval.
		if t-s.Last >= f.rules.Debounce.Milliseconds() {
			s.Steps.add(t - s.Last)
		}
	} else {
		s.Covered = t
	}
	s.Has, s.On, s.Last = true, on, t
	if f.counting(t) {
		return // the counter's next reading places what was collected
	}
	f.release(t, f.rules.Debounce.Milliseconds())
}

// counting says that a counter of run time speaks for the present.
func (f *Fold) counting(t int64) bool {
	return f.live(&f.s.Lead, t) || f.live(&f.s.Second, t)
}

// advance turns the state into pieces up to a time. The stretch behind a
// message belongs to its state; it is believed for a few intervals, then
// nobody knows.
func (f *Fold) advance(to int64) {
	s := &f.s.State
	if !s.Has || to <= s.Covered {
		return
	}
	every := s.Steps.expected()
	if f.rules.Every > 0 {
		every = f.rules.Every.Milliseconds()
	}
	debounce := f.rules.Debounce.Milliseconds()
	end := min(to, max(s.Covered, s.Last+CreditIntervals*every))
	believed := piece{From: s.Covered, To: end, Known: end - s.Covered}
	if s.On {
		believed.Ran = believed.Known
	}
	f.shape = f.shape.push(believed, debounce)
	f.shape = f.shape.push(piece{From: end, To: to}, debounce)
	s.Covered = to
}

// release emits the collected pieces up to a time by the state alone. A last
// piece shorter than keep waits for its neighbour.
func (f *Fold) release(to, keep int64) {
	for len(f.shape) > 0 {
		p := f.shape[0]
		if p.From >= to || len(f.shape) == 1 && p.length() < keep {
			return
		}
		before, after := p.cut(to)
		f.emitPiece(before)
		if after.length() > 0 {
			f.shape[0] = after
			return
		}
		f.shape = append(f.shape[:0], f.shape[1:]...)
	}
}

// emitPiece emits one piece by its own word: the known part, then the rest.
func (f *Fold) emitPiece(p piece) {
	if p.From < f.s.Until {
		_, p = p.cut(f.s.Until)
	}
	if p.length() <= 0 {
		return
	}
	middle := p.From + p.Known
	if p.Known > 0 {
		amount := float64(p.Ran) / msPerHour
		f.append(p.From, middle, amount, true, true, 0)
		if f.s.Lead.Has || f.s.Second.Has {
			f.s.ByState += amount
		}
	}
	if middle < p.To {
		f.append(middle, p.To, 0, false, false, 0)
	}
}

// emit emits a counter's booking, placed by the run state where there is one.
func (f *Fold) emit(b booking, gap bool) {
	from := max(b.from, f.s.Until)
	if gap {
		b.flags |= reading.Gap
	}
	if f.group != Run || !f.s.State.Has {
		if f.group == Run && from > b.from { // partly covered by another source
			b.amount = min(b.amount, float64(max(0, b.to-from))/msPerHour+f.res())
		}
		// What was held while another source went on has no room left of its
		// own; its amount counts where that source has got to.
		if to := max(b.to, from); from < to || b.amount > 0 {
			f.append(from, to, b.amount, b.known && !gap, b.known, b.flags)
		}
		return
	}
	f.advance(b.to)
	if !b.known {
		mark := len(f.out)
		f.release(b.to, 0)
		for i := mark; i < len(f.out); i++ {
			f.out[i].Flags |= b.flags
		}
		if f.s.Until < b.to {
			f.append(f.s.Until, b.to, 0, false, false, b.flags)
		}
		return
	}
	f.release(from, 0) // pieces before the counter's stretch
	f.place(from, b, gap)
}

// take moves the pieces between two times out of the shape, with unseen
// fillers where no piece covers.
func (f *Fold) take(from, to int64) []piece {
	in, at, rest := f.stretch[:0], from, 0
	for ; rest < len(f.shape) && f.shape[rest].From < to; rest++ {
		_, p := f.shape[rest].cut(at)
		before, after := p.cut(to)
		if before.From > at {
			in = append(in, piece{From: at, To: before.From})
		}
		if before.length() > 0 {
			in = append(in, before)
			at = before.To
		}
		if after.length() > 0 {
			f.shape[rest] = after
			break
		}
	}
	f.shape = append(f.shape[:0], f.shape[rest:]...)
	if at < to {
		in = append(in, piece{From: at, To: to})
	}
	f.stretch = in
	return in
}

// place spreads a counter's amount over the pieces of its stretch: running
// time first, then unseen time, then time that the state calls stopped.
func (f *Fold) place(from int64, b booking, gap bool) {
	if from >= b.to {
		return
	}
	in := f.take(from, b.to)
	var ranMs, knownMs int64
	for _, p := range in {
		ranMs += p.Ran
		knownMs += p.Known
	}
	total := float64(b.to-from) / msPerHour
	ran := float64(ranMs) / msPerHour
	stopped := float64(knownMs-ranMs) / msPerHour
	unseen := float64(b.to-from-knownMs) / msPerHour
	placed := unseen <= 0.01*total
	step := f.res()
	if placed {
		f.s.Agree.compare(ran, b.amount, total, max(hour, step))
	}
	if f.s.Agree.Off {
		b.flags |= reading.Disagreement
	}

	// A display of whole hours stands still for most of its readings and then
	// shows an hour at once. Over stretches shorter than its step the state
	// gives the amount, and the counter corrects it as soon as both are apart
	// by more than the step. Over longer ones the counter gives the amount.
	due := f.s.Balance + b.amount
	amount := due
	if placed && total < 2*step {
		amount = ran
		if off := due - ran; off > step {
			amount += off - step
		} else if off < -step {
			amount += off + step
		}
	}
	amount = min(max(amount, 0), total)
	// What finds no room in a short stretch goes into the next ones. More than
	// an hour of it does not come from a display but from a source that already
	// gave the time to something else: it cannot have happened.
	most := hour + 2*step
	f.s.Balance = due - amount
	if f.s.Balance > most {
		b.flags |= reading.Capped
	}
	f.s.Balance = min(max(f.s.Balance, -most), most)

	onRun, onUnseen, onStopped := share(amount, ran), 0.0, 0.0
	if amount > ran {
		onRun = 1
		onUnseen = share(amount-ran, unseen)
		onStopped = share(amount-ran-onUnseen*unseen, stopped)
	}
	for _, p := range in {
		part := onRun*float64(p.Ran) + onUnseen*float64(p.length()-p.Known) + onStopped*float64(p.Known-p.Ran)
		f.append(p.From, p.To, part/msPerHour, !gap || placed, true, b.flags)
	}
}

// share is how much of a part an amount takes, 0 to 1.
func share(amount, part float64) float64 {
	if part <= 0 || amount <= 0 {
		return 0
	}
	return min(1, amount/part)
}

// res is the display step of the counter in use, h.
func (f *Fold) res() float64 {
	if f.s.Lead.Has {
		return f.s.Lead.Res * f.lead.scale
	}
	return f.s.Second.Res * f.second.scale
}

// compare adds one stretch and judges once a day of them is together.
// Disagreement is lasting when over such a day state and counter differ by
// more than the counter's step or an hour, and a tenth.
func (a *agreement) compare(state, counter, hours, least float64) {
	a.State += state
	a.Counter += counter
	a.Hours += hours
	if a.Hours < 24 {
		return
	}
	apart := math.Abs(a.State - a.Counter)
	a.Off = apart > max(least, 0.1*max(a.State, a.Counter))
	a.State, a.Counter, a.Hours = a.State/2, a.Counter/2, a.Hours/2
}

// Flush gives, without changing the fold, what can be said provisionally up to
// an instant beyond the settled intervals: run time by the last known state,
// as long as it is believed. A held reading or a counter's amount that its
// next reading will settle is not anticipated.
func (f *Fold) Flush(at time.Time) []Interval {
	if f.group != Run || !f.s.State.Has {
		return nil
	}
	g := &Fold{group: f.group, rules: f.rules, lead: f.lead, second: f.second, s: f.s, shape: slices.Clone(f.shape)}
	g.advance(at.UnixMilli())
	g.release(at.UnixMilli(), 0)
	for n := len(g.out); n > 0 && !g.out[n-1].Known; n-- {
		g.out = g.out[:n-1]
	}
	return g.out
}
