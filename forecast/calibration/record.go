package calibration

import (
	"context"
	"fmt"
	"math"
	"runtime"

	"gonum.org/v1/gonum/mathext"

	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/depletion"
	"dwindle/forecast/duty"
	"dwindle/forecast/internal/parallel"
	"dwindle/forecast/virtual"
)

// Options say which virtual reservoirs are started. The zero value is what a
// fleet is calibrated with.
type Options struct {
	// Tau sizes reservoirs: tau x mean duty of the 28 days before. nil means
	// 7, 14, 30, 60 and 120 days.
	Tau []float64
	// Every is the number of days between origins; 0 means 7.
	Every int
	// HalfLife is the age in days at which a reservoir counts half where levels
	// are found; 0 means 120.
	HalfLife float64
	// KeepLean leaves the lean as it is in the table before: that of one fleet
	// need not suit another.
	KeepLean bool
	// Workers bounds parallelism over series; 0 means one per processor. The
	// record does not depend on it.
	Workers int
}

func (o Options) withDefaults() Options {
	if o.Tau == nil {
		o.Tau = []float64{7, 14, 30, 60, 120}
	}
	if o.Every <= 0 {
		o.Every = 7
	}
	if o.HalfLife <= 0 {
		o.HalfLife = 120
	}
	if o.Workers <= 0 {
		o.Workers = runtime.GOMAXPROCS(0)
	}
	return o
}

// Record holds a fleet's virtual reservoirs with what was said of each.
type Record struct {
	drops []drop // in the order of series, origin, size
	stops stopHistory
	// halfLife is that of the options.
	halfLife float64
	keepLean bool
}

// drop is one virtual reservoir.
type drop struct {
	series  int
	kind    int
	from    civil.Date
	truth   float64 // days it lasted, +Inf where it had not ended with the data
	size    float64 // in days of the duty before
	every   float64 // days between origins
	stopped duty.StopRecord
	parts   []part
	week    grid // what "last week repeated" said
}

// part is what one member said of a reservoir.
type part struct {
	group     duty.Group
	logWeight float64
	at        grid
}

// grid is a law without stops: the days by which the chance of the end is that
// of gridZ.
type grid [gridSize]float32

// gridZ are normal quantiles from 1 in 700 to its mirror: between them a law
// is taken for a straight line.
var gridZ = [gridSize]float64{-3, -2, -1.5, -1, -0.5, 0, 0.5, 1, 1.5, 2, 3}

const gridSize = 11

// gridP are the levels of gridZ.
var gridP = func() (p [gridSize]float64) {
	for i, z := range gridZ {
		p[i] = depletion.TCDF(z, 0)
	}
	return p
}()

// horizon bounds how long a virtual reservoir may last, in days.
const horizon = 400

// ample is how many times its size a reservoir must have had to be learned
// from, ended or not: taking those that happened to end would prefer the fast.
const ample = 1.7

// Run starts virtual reservoirs all over the days of a fleet. It returns the
// context's error when stopped.
func Run(ctx context.Context, series []virtual.Series, o Options) (*Record, error) {
	o = o.withDefaults()
	seen, parts := make([][]stopCount, len(series)), make([][]drop, len(series))
	err := parallel.Do(ctx, len(series), o.Workers, func(i int) { parts[i], seen[i] = run(&series[i], i, o) })
	if err != nil {
		return nil, fmt.Errorf("running virtual reservoirs: %w", err)
	}
	r := &Record{stops: sumStops(seen), halfLife: o.HalfLife, keepLean: o.KeepLean}
	for _, p := range parts {
		r.drops = append(r.drops, p...)
	}
	return r, nil
}

// knownPart is a series up to its own origin, if it has one: what comes after
// is what others are scored on.
func knownPart(s *virtual.Series) virtual.Series {
	known := *s
	if s.Origin > 0 {
		known.Days = s.Days[:min(s.Origin, len(s.Days))]
		known.After, known.AfterScales = s.Ahead(len(known.Days), horizon), s.Scales(len(known.Days), horizon)
	}
	return known
}

// run starts one series' reservoirs and counts its stops.
func run(s *virtual.Series, number int, o Options) ([]drop, []stopCount) {
	known := knownPart(s)
	var out []drop
	var stops []stopCount
	state := duty.Rules{MaxPerDay: s.MaxPerDay}.State()
	for origin := 0; origin <= len(known.Days); origin++ {
		if origin >= duty.MinDays && origin%o.Every == 0 || origin == len(known.Days) {
			m := state.Model(s.Plan, duty.Fleet{})
			if m.Rung() == duty.RungMixture {
				stops = append(stops, stopCount{s.First + civil.Date(origin), m.Class(), m.Stopped()})
			}
			out = append(out, start(&known, number, origin, &m, o)...)
		}
		if origin < len(known.Days) {
			state.Add(known.Days[origin])
		}
	}
	return out, stops
}

// start starts the reservoirs of one day; m is the model of the days before it.
func start(s *virtual.Series, number, origin int, m *duty.Model, o Options) []drop {
	trailing := s.Trailing(origin)
	if !(trailing > 0) {
		return nil
	}
	kind, ok := KindOf(m)
	if !ok {
		return nil
	}
	from := s.First + civil.Date(origin)
	var out []drop
	var said []duty.Part
	var week depletion.Curve
	for _, tau := range o.Tau {
		if ample*tau > float64(len(s.Days)-origin) {
			break
		}
		d := drop{series: number, kind: kind, size: tau, from: from, every: float64(o.Every)}
		if kind != Young {
			d.stopped = m.Stopped()
		}
		if !d.end(s, origin, tau*trailing) {
			continue
		}
		if said == nil {
			ahead, scales := s.Ahead(origin, horizon), s.Scales(origin, horizon)
			said, week = m.Parts(ahead, 1, scales...), m.LastWeek(ahead, 1, scales...)
			if kind == Young {
				said = []duty.Part{{Curve: m.Curve(ahead, 1, scales...)}}
			}
		}
		d.judge(said, week, tau*trailing)
		out = append(out, d)
	}
	return out
}

// end finds when the reservoir ended; false where days on the way were not
// seen.
func (d *drop) end(s *virtual.Series, origin int, budget float64) bool {
	if t, ok := s.Passage(origin, budget); ok && t > 0 {
		d.truth = t
		return true
	}
	for _, day := range s.Days[origin:] {
		if day.Seen < 0.5 && day.Type != config.ShutdownType {
			return false
		}
	}
	d.truth = math.Inf(1)
	return true
}

// judge keeps what the members said.
func (d *drop) judge(said []duty.Part, week depletion.Curve, budget float64) {
	b := depletion.Budget{Mean: budget}
	d.parts = make([]part, len(said))
	var times []float64
	for i, s := range said {
		p := part{group: s.Group, logWeight: s.LogWeight}
		law := depletion.Mixture{Curves: []depletion.Curve{s.Curve}, Weights: []float64{1}}
		times = law.Times(gridP[:], b, times)
		p.at.keep(times)
		d.parts[i] = p
	}
	law := depletion.Mixture{Curves: []depletion.Curve{week}, Weights: []float64{1}}
	d.week.keep(law.Times(gridP[:], b, times))
}

// edgeZ bounds normal quantiles: beyond it a chance is 0 or 1.
const edgeZ = 6

func zOf(p float64) float64 {
	if !(p > 0) {
		return -edgeZ
	}
	if p >= 1 {
		return edgeZ
	}
	return min(edgeZ, max(-edgeZ, mathext.NormalQuantile(p)))
}

func (at *grid) keep(times []float64) {
	for g, t := range times {
		at[g] = float32(math.Min(t, horizon))
	}
}

// chance of an end by t, by straight lines in z.
func (at *grid) chance(t float64) float64 {
	i := 0
	for i < gridSize-2 && float64(at[i+1]) < t {
		i++
	}
	a, b := float64(at[i]), float64(at[i+1])
	if b <= a {
		if t >= a {
			return 1
		}
		return 0
	}
	z := gridZ[i] + (t-a)/(b-a)*(gridZ[i+1]-gridZ[i])
	return depletion.TCDF(z, 0)
}

// time is the time by which the chance of the end is that of z.
func (at *grid) time(z float64) float64 {
	i := 0
	for i < gridSize-2 && gridZ[i+1] < z {
		i++
	}
	part := (z - gridZ[i]) / (gridZ[i+1] - gridZ[i])
	return float64(at[i]) + min(1, max(0, part))*float64(at[i+1]-at[i])
}

// with gives the law with days lost.
func (at *grid) with(lost []float64) grid {
	var out grid
	from := float64(at[0])
	for g, p := range gridP {
		lo, hi := from, float64(at[gridSize-1])+float64(len(lost))
		for range 14 {
			mid := (lo + hi) / 2
			sum := 0.0
			for d, share := range lost {
				t := mid - float64(d)
				if t < float64(at[0])-1 || sum >= p {
					break
				}
				sum += share * at.chance(t)
			}
			if sum >= p {
				hi = mid
			} else {
				lo = mid
			}
		}
		from = lo
		out[g] = float32(min(hi, horizon))
	}
	return out
}
