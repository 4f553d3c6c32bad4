package reservoir

import (
	"math"
	"slices"

	"dwindle/forecast/drift"
)

// past is a reading with what was believed when it had been taken in: where a
// stretch that begins with it starts from.
type past struct {
	Reading
	state   Estimate
	unknown float64 // variance of the commanded volume so far, cm3^2
}

// changed is the stretch up to the newest reading in which delivery was not what
// it had been before.
type changed struct {
	at    int // index of the reading it begins after, -1 for the fill's start
	ratio Ratio
	low   bool
}

// belief is what an explanation of the levels says of the delivery factor.
type belief struct{ factor, sd float64 }

// suspects are the explanations that are weighed against the usual one, as
// multiples of it: blocked, half, a third less, a third more, a wrong setting,
// double. Their spreads meet, so that what lies between is not missed; found on
// simulated fleets.
var suspects = [...]belief{{0, 0.1}, {0.45, 0.1}, {0.72, 0.1}, {1.3, 0.1}, {1.6, 0.1}, {2.2, 0.1}}

const (
	// falseAlarms is the budget of one point: all explanations and both sides
	// together may blame a sound point so many times a year.
	falseAlarms = 0.02
	// usualSD is how far a sound pump may be from its baseline where its own
	// past does not say it better: small piston and cam pumps, a proposal.
	usualSD = 0.05
	// carriedSD is how far the same pump may have moved with the change of its
	// reservoir, beside the error of what was carried: a proposal.
	carriedSD = 0.02
	// leastBaseline and mostBaseline bound what a device's own past can excuse.
	leastBaseline = 0.90
	mostBaseline  = 1.10
	// mendedSD is how far from its baseline delivery may be when it is back.
	mendedSD = 0.07
	// mostEvidence bounds what one reading says for an explanation, as a
	// logarithm of the likelihood ratio: two together are needed for a verdict.
	mostEvidence = 4.0
	// backEvidence is the same sum's limit for taking a verdict off, far below
	// that for giving one: found by simulation as what hardly ever takes off one
	// that stands (see tests).
	backEvidence = 6.5
)

// account is one explanation of the levels: the state that follows from it, and
// the evidence for it and against the usual one.
type account struct {
	belief
	at    int      // step after which it would hold, -1 for the fill's start
	from  Estimate // what is believed then
	state Estimate
	sum   drift.Sum
}

// begin lets the explanation hold from a step on.
func (a *account) begin(at int, e Estimate) {
	a.at, a.from = at, e
	a.state = a.hold(e)
}

// hold puts the factor of a state to what is believed.
func (b belief) hold(e Estimate) Estimate {
	e.Factor, e.VarF, e.Cov = b.factor, b.sd*b.sd, 0
	return e
}

// usual is what is believed of a sound point: what its pump and line gave in the
// fill before, else what pumps are taken to give.
func (r *run) usual() belief {
	if c := r.p.Carried; c != nil && !c.bad() {
		sd := math.Sqrt(c.SD*c.SD + carriedSD*carriedSD)
		return belief{min(max(c.Factor, leastBaseline), mostBaseline), min(usualSD, sd)}
	}
	f := 1.0
	if r.p.Factor > 0 {
		f = min(max(r.p.Factor, leastBaseline), mostBaseline)
	}
	return belief{f, min(usualSD, r.p.FactorSD)}
}

// story is what the levels of a fill tell, in the order in which it was known:
// a verdict, once confirmed, stays until its end is.
type story struct {
	bad     bool    // delivery is not as usual now
	now     changed // how, where bad
	resumed int     // reading after which it was last back, -1 if never
	turns   []int   // readings after which it changed; steps until all is known
}

// watch weighs explanations of the levels while they come in.
//
// While delivery is as usual, each suspect begins anew, with what is believed of
// the level then, whenever the evidence since it began speaks against it: a
// cumulative sum of log likelihood ratios over the unknown time of a change (E.
// S. Page, Continuous inspection schemes, 1954; M. Basseville, I. V. Nikiforov,
// Detection of Abrupt Changes, 1993). It takes readings of any resolution and
// spacing. Once one is confirmed, that delivery is back is weighed in the same
// way against what is known of it since.
type watch struct {
	r     *run
	usual belief
	lim   Limits
	limit float64
	story

	state Estimate // usual, or free since the change
	list  [len(suspects)]account
	said  [len(suspects)]float64
	live  int  // accounts in list that are weighed now
	far   bool // the level before was passed over
	from  int  // first step of wrong delivery
}

// mended and turned are the accounts that are weighed while delivery is bad.
const (
	mended = iota
	turned
	whileBad
)

// observe runs through the fill. former is what the fill before left, nil where
// there is none or it was sound.
func (r *run) observe(former *changed) story {
	w := watch{r: r, usual: r.usual(), lim: r.p.limits(), story: story{resumed: -1}}
	w.limit = drift.Budget{PerYear: falseAlarms, Samples: r.p.perYear()}.Evidence()
	if former != nil {
		x := former.ratio
		w.blame(-1, *former, belief{min(max(x.Value, 0), 3), math.Sqrt(x.SE*x.SE + changeWander*changeWander)}.hold(r.start))
	} else {
		w.trust(-1, w.usual.hold(r.start))
	}
	idle := 0
	for i := range r.steps {
		s := &r.steps[i]
		if s.Commanded > 0 || s.Unknown > 0 {
			r.told(&w.state, s)
			for j := range w.list[:w.live] {
				r.told(&w.list[j].state, s)
			}
		}
		if s.Commanded > 0 {
			idle = 0
		}
		if s.HasLevel {
			// Where nothing is commanded levels say nothing about delivery; but
			// the first one speaks of what was commanded before it.
			w.take(i, s, idle <= 1)
			idle++
		}
	}
	// From steps to readings.
	if w.resumed >= 0 {
		w.resumed = r.reading(w.resumed)
	}
	for i := range w.turns {
		w.turns[i] = r.reading(w.turns[i])
	}
	if w.bad {
		w.from = w.now.at + 1
		w.now.at = r.reading(w.now.at)
		x := Ratio{Value: w.state.Factor, SE: math.Sqrt(math.Max(0, w.state.VarF)), Readings: len(r.at) - 1 - w.now.at}
		for _, s := range r.steps[w.from:] {
			x.Commanded += s.Commanded
		}
		w.now.ratio = x
	}
	return w.story
}

// reading is the newest believed level up to a step, -1 for none.
func (r *run) reading(step int) int {
	n, _ := slices.BinarySearch(r.at, step+1)
	return n - 1
}

// trust begins a stretch of usual delivery.
func (w *watch) trust(step int, e Estimate) {
	w.bad, w.state, w.live = false, e, len(suspects)
	for i, s := range suspects {
		w.list[i] = account{belief: belief{s.factor * w.usual.factor, s.sd}}
		w.list[i].begin(step, e)
	}
}

// blame begins one of wrong delivery.
func (w *watch) blame(step int, c changed, e Estimate) {
	w.bad, w.now, w.state, w.live = true, c, e, whileBad
	other := belief{1.6, 0.3}
	if !c.low {
		other = belief{0.4, 0.3}
	}
	w.list[mended] = account{belief: belief{w.usual.factor, mendedSD}}
	w.list[turned] = account{belief: other}
	for j := range w.list[:w.live] {
		w.list[j].begin(step, e)
	}
}

// take weighs the level of a step.
func (w *watch) take(step int, s *Step, counts bool) {
	now := w.r.likely(&w.state, s)
	best := 0.0
	for j := range w.list[:w.live] {
		w.said[j] = w.r.likely(&w.list[j].state, s) - now
		best = math.Max(best, w.said[j])
	}
	far := w.r.far(&w.state, s)
	if far && best < 1 && !w.far {
		// No explanation foretells it: passed over, unless the next one agrees.
		w.far = true
		return
	}
	w.far = far && best < 1
	// What another explanation foretells and the present one does not is not
	// taken in by the present one: it would get used to it.
	if best <= mostEvidence {
		w.r.take(&w.state, s)
	}
	for j := range w.list[:w.live] {
		a := &w.list[j]
		if counts {
			a.sum.Add(min(w.said[j], mostEvidence), 0)
		}
		if a.sum.C <= 0 {
			a.begin(step, w.state)
		} else {
			w.r.take(&a.state, s)
		}
	}
	if w.bad {
		w.whether(step)
	} else {
		w.accuse(step)
	}
}

// accuse looks for the best confirmed suspect.
func (w *watch) accuse(step int) {
	most := 0.0
	var best changed
	var free Estimate
	for i := range w.list[:w.live] {
		a := &w.list[i]
		if !a.sum.Confirmed(w.limit) || a.sum.C < most {
			continue
		}
		low := a.factor < w.usual.factor
		e, x := w.r.since(a.at, step, a.from)
		if low && x.Value > w.lim.Under || !low && x.Value < w.lim.Over {
			continue
		}
		most, best, free = a.sum.C, changed{a.at, x, low}, e
	}
	if most > 0 {
		w.turns = append(w.turns, best.at)
		w.blame(step, best, free)
	}
}

// whether looks for delivery that is back, or wrong the other way.
func (w *watch) whether(step int) {
	m, t := &w.list[mended], &w.list[turned]
	if m.sum.Confirmed(backEvidence) && m.sum.C > t.sum.C-w.limit/2 {
		if _, x := w.r.since(m.at, step, m.from); x.Value+x.SE > w.lim.Under && x.Value-x.SE < w.lim.Over && (x.Value > w.lim.Under || !w.now.low) && (x.Value < w.lim.Over || w.now.low) {
			w.turns, w.resumed = append(w.turns, m.at), m.at
			w.trust(step, m.state)
			return
		}
	}
	if t.sum.Confirmed(w.limit) && t.sum.C > m.sum.C+w.limit/2 {
		e, x := w.r.since(t.at, step, t.from)
		if low := t.factor < 1; low && x.Value <= w.lim.Under || !low && x.Value >= w.lim.Over {
			w.turns = append(w.turns, t.at)
			w.blame(step, changed{t.at, x, low}, e)
			return
		}
	}
	// What is known since may come to agree with the command, as after a change
	// for the better too small to stand out.
	f, se := w.state.Factor, math.Sqrt(math.Max(0, w.state.VarF))
	if f-2*se > w.lim.Under && f+2*se < w.lim.Over {
		w.turns, w.resumed = append(w.turns, w.now.at), w.now.at
		w.trust(step, w.usual.hold(w.state))
	}
}

// told predicts a state over a step by its command alone, whatever dose was
// measured: the ratio is to the command. The factor stands still.
func (r *run) told(e *Estimate, s *Step) {
	e.Predict(s.Commanded, r.p.Scatter*s.Commanded+s.Unknown, 0)
}

// likely is the log likelihood of a step's level, up to a constant that is the
// same for all explanations.
func (r *run) likely(e *Estimate, s *Step) float64 {
	v := s.Level - e.Remaining
	if coarse(r.p, *s) {
		sd := math.Sqrt(e.VarR + r.loud*s.Noise*s.Noise)
		return math.Log(math.Max(leastMass, between((v-s.Scale/2)/sd, (v+s.Scale/2)/sd)))
	}
	variance := e.VarR + r.loud*s.noise()
	variance = math.Max(variance, 1e-12)
	return -(math.Log(variance) + math.Min(v*v/variance, leastTail)) / 2
}

// leastMass and leastTail bound how unlikely a level can be: all explanations
// are wrong about it then.
const (
	leastMass = 1e-9
	leastTail = 40.0
)

// far says that a level is far beyond what a state expects.
func (r *run) far(e *Estimate, s *Step) bool {
	v := s.Level - e.Remaining
	if coarse(r.p, *s) {
		v = math.Max(0, math.Abs(v)-s.Scale/2)
		return v*v > 25*(e.VarR+r.loud*s.Noise*s.Noise)
	}
	return v*v > 25*(e.VarR+r.loud*s.noise())
}

// take updates a state with a step's level. One that is far beyond what it
// expects also makes it unsure of what is left.
func (r *run) take(e *Estimate, s *Step) {
	v := s.Level - e.Remaining
	rough := coarse(r.p, *s)
	if rough && e.UpdateWithin(s.Level-s.Scale/2, s.Level+s.Scale/2, r.loud*s.Noise*s.Noise) {
		return
	}
	if rough || r.far(e, s) {
		e.VarR += v * v
	}
	e.Update(s.Level, r.loud*s.noise())
}

// since is the ratio from a step to another, from what was believed of the level
// then and nothing of the factor, and the state that it comes with.
func (r *run) since(from, to int, e Estimate) (Estimate, Ratio) {
	e = belief{1, 1}.hold(e)
	told, n := 0.0, 0
	for i := from + 1; i <= to; i++ {
		s := &r.steps[i]
		r.told(&e, s)
		told += s.Commanded
		if s.HasLevel {
			r.take(&e, s)
			n++
		}
	}
	return e, Ratio{Value: e.Factor, SE: math.Sqrt(math.Max(0, e.VarF)), Commanded: told, Readings: n}
}
