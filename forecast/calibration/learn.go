package calibration

import (
	"math"
	"slices"

	"dwindle/config/civil"
	"dwindle/forecast/depletion"
	"dwindle/forecast/duty"
)

// The constants of learning, here and in search.go, are proposals. They were
// tried on the simulator with seed 901 and on the airports: those at odd places
// for most of them, all for how old the reservoirs may be that the share of the
// last week is learned from.
const (
	// priorCases is how many cases the levels of the table before are worth:
	// with 99 ranks begin to name P10 and P90 (V. Vovk, A. Gammerman, G.
	// Shafer, Algorithmic learning in a random world, 2005; from memory).
	priorCases = 99
	// leastSeries and leastCases are what it takes to learn at all: a few series
	// say how they differ from the model, not how others of the site will.
	leastSeries = 5
	leastCases  = 100
)

// Learn makes a table of what was known at the start of a day. base stands
// behind it where there is little to learn from.
func (r *Record) Learn(until civil.Date, base *Table) *Table {
	t := *base
	t.Learned, t.Series, t.Cases = until, 0, 0
	var kinds [Kinds][]*drop
	var classes [duty.Classes][]*drop
	last := -1
	for i := range r.drops {
		d := &r.drops[i]
		if float64(until-d.from) < ample*d.size {
			continue
		}
		kinds[d.kind] = append(kinds[d.kind], d)
		if d.kind != Young {
			classes[d.kind/2] = append(classes[d.kind/2], d)
		}
		t.Cases++
		if d.series != last {
			t.Series++
			last = d.series
		}
	}
	t.Fleet.Stops = r.stops.at(until)
	for class, drops := range classes {
		if r.keepLean {
			break
		}
		stops := t.Fleet.Stops[class]
		all := func(*drop) bool { return true }
		if s := sampleOf(drops, until, all, stops, &base.Fleet.Lean[class]); s != nil {
			t.Fleet.Lean[class] = s.lean(base.Fleet.Lean[class])
		}
		// What the last week is worth changes with what a site does.
		lately := func(d *drop) bool {
			return d.size <= shareSize && float64(until-d.from)-d.truth <= shareDays
		}
		if s := sampleOf(drops, until, lately, stops, &t.Fleet.Lean[class]); s != nil {
			t.Week[class] = s.share(&t.Fleet.Lean[class])
		}
	}
	for kind, drops := range kinds {
		var lean [duty.Groups]float64
		var stops duty.StopPrior
		if kind != Young {
			lean, stops = t.Fleet.Lean[kind/2], t.Fleet.Stops[kind/2]
		}
		t.Levels[kind] = r.levels(drops, until, &lean, stops, t.WeekShare(kind), &base.Levels[kind])
	}
	return t.named()
}

// ended says whether a reservoir had ended by a day.
func (d *drop) ended(until civil.Date) bool { return d.truth <= float64(until-d.from) }

// weights of the parts of a drop under a lean, into w.
func (d *drop) weights(lean *[duty.Groups]float64, w []float64) []float64 {
	w = w[:0]
	best := math.Inf(-1)
	for i := range d.parts {
		best = max(best, d.parts[i].logWeight+lean[d.parts[i].group])
	}
	sum := 0.0
	for i := range d.parts {
		v := math.Exp(d.parts[i].logWeight + lean[d.parts[i].group] - best)
		if v < 0.01 { // as the mixture does
			v = 0
		}
		w = append(w, v)
		sum += v
	}
	for i := range w {
		w[i] /= sum
	}
	return w
}

// quantile is the time by which the end has a chance of p under weights; laws
// are those of the parts.
func quantile(laws []grid, w []float64, p float64) float64 {
	lo, hi := math.Inf(1), 0.0
	for i := range laws {
		if w[i] > 0 {
			lo, hi = min(lo, float64(laws[i][0])), max(hi, float64(laws[i][gridSize-1]))
		}
	}
	for range 15 {
		mid := (lo + hi) / 2
		if chance(laws, w, mid) >= p {
			hi = mid
		} else {
			lo = mid
		}
	}
	return hi
}

// chance of an end by t days under weights.
func chance(laws []grid, w []float64, t float64) float64 {
	sum := 0.0
	for i := range laws {
		if w[i] > 0 {
			sum += w[i] * laws[i].chance(t)
		}
	}
	return sum
}

// laws without stops, into out.
func (d *drop) laws(out []grid) []grid {
	out = out[:0]
	for i := range d.parts {
		out = append(out, d.parts[i].at)
	}
	return out
}

// averaged makes the laws one: the average of the mixture's times and those of
// "last week repeated" of the same chance.
func (d *drop) averaged(laws []grid, w []float64, share float64) ([]grid, []float64) {
	var one grid
	for g, p := range gridP {
		one[g] = float32((1-share)*quantile(laws, w, p) + share*float64(d.week[g]))
	}
	return append(laws[:0], one), append(w[:0], 1)
}

// lost is the law of days lost until the end of a reservoir that lasts so long
// without stops, with what is known of stops today: a fleet learns of them
// slowly, and what it did not know then says nothing about today's ranges.
func (d *drop) lost(median float64, prior duty.StopPrior) []float64 {
	stops := d.stopped.Law(horizon, prior)
	return stops.Lost(median)
}

type ranked struct{ pit, weight float64 }

// levels finds what the names P10, P50 and P90 deserve, by horizon.
func (r *Record) levels(drops []*drop, until civil.Date, lean *[duty.Groups]float64, stops duty.StopPrior, share float64, base *[depletion.Horizons]Cell) [depletion.Horizons]Cell {
	if seriesIn(drops) < leastSeries {
		out := *base
		for h := range out {
			out[h].Cases = 0
		}
		return out
	}
	var bins [depletion.Horizons][]ranked
	var w []float64
	var laws []grid
	for _, d := range drops {
		w, laws = d.weights(lean, w), d.laws(laws)
		median := quantile(laws, w, 0.5)
		if share > 0 {
			laws, w = d.averaged(laws, w, share)
			median = (1-share)*median + share*float64(d.week[gridSize/2])
		}
		end, pit := min(d.truth, float64(until-d.from)), 0.0
		for lost, share := range d.lost(median, stops) {
			if float64(lost) > end {
				break
			}
			pit += share * chance(laws, w, end-float64(lost))
		}
		if !d.ended(until) {
			pit = (1 + min(1, pit)) / 2 // half-way to certainty
		}
		// Reservoirs of one series that overlap say one thing together, and
		// those of long ago less of today.
		h := depletion.HorizonOf(median)
		age := float64(until-d.from) - ample*d.size
		bins[h] = append(bins[h], ranked{pit, min(1, d.every/median) * math.Exp2(-age/r.halfLife)})
	}
	var out [depletion.Horizons]Cell
	for h, list := range bins {
		was := base[h].Levels
		if was == (depletion.Levels{}) {
			was = depletion.Plain
		}
		own, n := ranks(list)
		blend := func(own, was, least, most float64) float64 {
			z := (n*zOf(own) + priorCases*zOf(was)) / (n + priorCases)
			return min(max(depletion.TCDF(z, 0), least), most)
		}
		out[h].Cases = math.Round(n*10) / 10
		out[h].Levels = depletion.Levels{
			Low:  blend(own.Low, was.Low, 0.01, 0.40),
			Mid:  blend(own.Mid, was.Mid, 0.41, 0.59),
			High: blend(own.High, was.High, 0.60, 0.99),
		}
	}
	return out
}

// ranks gives the levels that came true as often as 10, 50 and 90 % should, by
// the conformal ranks floor((n+1) 0.1) and ceil((n+1) 0.9), 10 and 90 of 99 (see priorCases), and the
// sum of weights.
func ranks(list []ranked) (depletion.Levels, float64) {
	slices.SortFunc(list, func(a, b ranked) int {
		switch {
		case a.pit < b.pit:
			return -1
		case a.pit > b.pit:
			return 1
		}
		return 0
	})
	n := 0.0
	for _, r := range list {
		n += r.weight
	}
	out := depletion.Levels{Low: 0, Mid: 0.5, High: 1}
	if n == 0 {
		return depletion.Plain, 0
	}
	const slack = 1e-9
	sum, high, mid := 0.0, false, false
	for _, r := range list {
		sum += r.weight
		if sum <= (n+1)*0.1+slack {
			out.Low = r.pit
		}
		if !mid && sum >= n/2 {
			out.Mid, mid = r.pit, true
		}
		if !high && sum >= (n+1)*0.9-slack {
			out.High, high = r.pit, true
		}
	}
	return out, n
}
