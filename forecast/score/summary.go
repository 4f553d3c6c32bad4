package score

import (
	"math"
	"slices"

	"dwindle/forecast/depletion"
)

// ours is the name of our own model; all others are baselines.
const ours = "dwindle"

// Set sums up the outcomes: one line per model. A model that could not forecast
// every case (no plan everywhere) has no line: its figures would be of other
// cases.
func (o Outcomes) Set() Set {
	groups := o.clusters()
	s := Set{Name: o.Name, Series: len(o.groups()), Units: groups.n, Cases: len(o.Cases), LeftOut: len(o.Unfinished), Followed: len(o.Paths)}
	mine, best := -1, -1
	for m, name := range o.Models {
		if !o.complete(m) {
			continue
		}
		l := Line{Figures: o.figures(m, o.Cases)}
		o.spread(m, groups, &l)
		o.unfinished(m, &l)
		o.prognosis(m, &l)
		if m < len(o.Calibrations) {
			l.Calibration = o.Calibrations[m]
		}
		s.Models = append(s.Models, l)
		if name == ours {
			mine = m
		} else if best < 0 || l.PinballOverT < s.pinball(o.Models[best]) {
			best = m
		}
	}
	if mine < 0 || best < 0 {
		return s
	}
	s.BestBaseline = o.Models[best]
	scores := o.sums(mine, groups, pinballOverT)
	for m, name := range o.Models {
		if m == mine || !o.complete(m) {
			continue
		}
		if d, ok := PairedDifference(scores, o.sums(m, groups, pinballOverT), confidence); ok {
			s.Paired = append(s.Paired, Paired{name, d})
		}
	}
	return s
}

func (s *Set) pinball(model string) float64 {
	l, _ := s.Line(model)
	return l.PinballOverT
}

// Each sums up every series that gave cases on its own.
func (o Outcomes) Each() []Each {
	var out []Each
	for _, g := range o.groups() {
		cases := o.Cases[g[0]:g[1]]
		e := Each{Series: o.Series[cases[0].Series], Cases: len(cases)}
		for m := range o.Models {
			if o.complete(m) {
				e.Models = append(e.Models, o.figures(m, cases))
			}
		}
		out = append(out, e)
	}
	return out
}

// groups are the bounds of the cases of each series that gave some.
func (o Outcomes) groups() [][2]int {
	var out [][2]int
	for i := range o.Cases {
		if i == 0 || o.Cases[i].Series != o.Cases[i-1].Series {
			out = append(out, [2]int{i, i})
		}
		out[len(out)-1][1] = i + 1
	}
	return out
}

// complete says whether a model forecast every case, of at least one.
func (o Outcomes) complete(model int) bool {
	for i := range o.Cases {
		if o.Cases[i].Said[model].None {
			return false
		}
	}
	return len(o.Cases) > 0
}

// edge forgives rounding where a forecast hits the truth exactly.
const edge = 1e-9

func below(r Range, t float64) bool { return t < r[0]-edge }
func above(r Range, t float64) bool { return t > r[2]+edge }

func (o Outcomes) figures(model int, cases []Outcome) Figures {
	f := Figures{Model: o.Models[model]}
	var early, late int
	for i := range cases {
		t, r := cases[i].Truth, cases[i].Said[model].Range
		f.PinballOverT += MeanPinball(r, t) / t
		f.MAEOverT += math.Abs(r[1]-t) / t
		f.BiasDays += r[1] - t
		if below(r, t) {
			early++
		}
		if above(r, t) {
			late++
		}
	}
	n := float64(len(cases))
	f.PinballOverT /= n
	f.MAEOverT /= n
	f.BiasDays /= n
	f.Coverage80 = float64(len(cases)-early-late) / n
	f.BelowP10, f.AboveP90 = float64(early)/n, float64(late)/n
	return f
}

// pinballOverT is a measure of one case.
func pinballOverT(t float64, s *Said) float64 { return MeanPinball(s.Range, t) / t }

// clusters number the units that cases belong to: cases of one unit are not
// independent of each other.
type clusters struct {
	of []int // by case
	n  int
}

func (o Outcomes) clusters() clusters {
	c := clusters{of: make([]int, len(o.Cases))}
	numbers := map[string]int{}
	last := int32(-1)
	for i := range o.Cases {
		switch s := o.Cases[i].Series; {
		case s == last:
			c.of[i] = c.of[i-1]
		case int(s) < len(o.Units) && o.Units[s] != "":
			n, ok := numbers[o.Units[s]]
			if !ok {
				n = c.n
				numbers[o.Units[s]] = n
				c.n++
			}
			c.of[i] = n
		default:
			c.of[i] = c.n
			c.n++
		}
		last = o.Cases[i].Series
	}
	return c
}

// sums adds a measure up by unit.
func (o Outcomes) sums(model int, groups clusters, measure func(truth float64, s *Said) float64) []float64 {
	out := make([]float64, groups.n)
	for i := range o.Cases {
		out[groups.of[i]] += measure(o.Cases[i].Truth, &o.Cases[i].Said[model])
	}
	return out
}

// spread fills in what needs the whole law, and how sure the shares are.
func (o Outcomes) spread(model int, groups clusters, l *Line) {
	n := float64(len(o.Cases))
	bias := make([]float64, len(o.Cases))
	for i := range o.Cases {
		t, s := o.Cases[i].Truth, &o.Cases[i].Said[model]
		l.CRPSOverT += float64(s.CRPS) / t / n
		l.WidthOverT += (s.Range[2] - s.Range[0]) / t / n
		l.NewsvendorOverT += Newsvendor(s.Range[0], t) / t / n
		bias[i] = (s.Range[1] - t) / t
	}
	slices.Sort(bias)
	l.MedianBiasOverT = sample(bias).Quantile(0.5)
	l.Tails = o.tails(model, groups, -1).Tails
	for h := range depletion.Horizons {
		if b := o.tails(model, groups, h); b.Cases > 0 {
			l.Bins = append(l.Bins, b)
		}
	}
	counts := make([][pitBins]float64, groups.n)
	for i := range o.Cases {
		counts[groups.of[i]][pitBin(float64(o.Cases[i].Said[model].PIT))]++
	}
	h := PITHistogram(counts)
	l.PIT, l.PITChiSquare, l.PITDesign, l.PITP = h.Shares, h.ChiSquare, h.Design, h.P
}

// horizons are the edges, in whole days, between near, middle and far forecasts
// (see [depletion.HorizonOf]); the last has no end. They are edges of what the
// model itself calls likely: binning by the truth would pick, among the short
// ones, those that came early.
var horizons = [depletion.Horizons + 1]float64{0, 14, 60, 0}

// tails counts the cases of one bin of the horizon, or, below 0, of all.
func (o Outcomes) tails(model int, groups clusters, horizon int) Bin {
	cases, in := make([]float64, groups.n), make([]float64, groups.n)
	early, late := make([]float64, groups.n), make([]float64, groups.n)
	var n, e, a float64
	for i := range o.Cases {
		t, r, g := o.Cases[i].Truth, o.Cases[i].Said[model].Range, groups.of[i]
		if horizon >= 0 && depletion.HorizonOf(r[1]) != horizon {
			continue
		}
		n++
		cases[g]++
		switch {
		case below(r, t):
			e++
			early[g]++
		case above(r, t):
			a++
			late[g]++
		default:
			in[g]++
		}
	}
	b := Bin{Cases: int(n)}
	if horizon >= 0 {
		b.AboveDays, b.UpToDays = horizons[horizon], horizons[horizon+1]
	}
	if n == 0 {
		return b
	}
	b.Coverage80, b.BelowP10, b.AboveP90 = (n-e-a)/n, e/n, a/n
	b.Tails = Tails{
		CoverageBinomial: BinomialInterval(n-e-a, n, confidence),
		BelowBinomial:    BinomialInterval(e, n, confidence),
		AboveBinomial:    BinomialInterval(a, n, confidence),
		CoverageInterval: clustered(in, cases),
		BelowInterval:    clustered(early, cases),
		AboveInterval:    clustered(late, cases),
	}
	return b
}

// clustered leaves out units without a case in the bin.
func clustered(hits, cases []float64) *Interval {
	var k, n []float64
	for i := range cases {
		if cases[i] > 0 {
			k, n = append(k, hits[i]), append(n, cases[i])
		}
	}
	if i, ok := ClusteredInterval(k, n, confidence); ok {
		return &i
	}
	return nil
}

// prognosis fills in the means over the paths.
func (o Outcomes) prognosis(model int, l *Line) {
	if len(o.Paths) == 0 {
		return
	}
	n := float64(len(o.Paths))
	var days, share, within, relative float64
	for _, p := range o.Paths {
		said := p.Said[model]
		days += said.Horizon / n
		share += said.Horizon / p.Truth / n
		relative += said.Relative / n
		if said.Within {
			within += 1 / n
		}
	}
	l.PrognosticHorizon, l.PrognosticHorizonOverT, l.AlphaLambda, l.RelativeAccuracy = &days, &share, &within, &relative
}
