package score

import (
	"fmt"
	"io"
	"math"
	"text/tabwriter"
)

// Report is the result of `score`: what `score --json` prints.
type Report struct {
	Sets []Set `json:"sets"`
}

// Set is one group of series and how each model did on it.
type Set struct {
	Name    string `json:"name"`
	Series  int    `json:"series"` // that gave at least one case
	Cases   int    `json:"cases"`
	LeftOut int    `json:"left_out"` // cases whose truth is not known
	Models  []Line `json:"models"`
}

// Line is one model's figures over the cases of a set. All are means over
// cases; times are fractional days.
type Line struct {
	Model        string  `json:"model"`
	PinballOverT float64 `json:"pinball_over_t"` // mean pinball loss of P10, P50, P90 over the true time
	MAEOverT     float64 `json:"mae_over_t"`     // |P50 - truth| over the true time
	Coverage80   float64 `json:"coverage80"`     // share of truths from P10 to P90
	BelowP10     float64 `json:"below_p10"`      // share earlier than P10
	AboveP90     float64 `json:"above_p90"`      // share later than P90
	BiasDays     float64 `json:"bias_days"`      // P50 - truth
}

// Line gives a model's line of a set.
func (s Set) Line(model string) (Line, bool) {
	for _, l := range s.Models {
		if l.Model == model {
			return l, true
		}
	}
	return Line{}, false
}

// WriteText prints a report as aligned tables, one per set.
func (r Report) WriteText(w io.Writer) error {
	for i, s := range r.Sets {
		if i > 0 {
			if _, err := fmt.Fprintln(w); err != nil {
				return fmt.Errorf("writing the score table: %w", err)
			}
		}
		if err := s.writeText(w); err != nil {
			return fmt.Errorf("writing the score table of %s: %w", s.Name, err)
		}
	}
	return nil
}

func (s Set) writeText(w io.Writer) error {
	if _, err := fmt.Fprintf(w, "%s: %d cases from %d series, %d left out\n", s.Name, s.Cases, s.Series, s.LeftOut); err != nil {
		return err
	}
	if s.Cases == 0 {
		_, err := fmt.Fprintln(w, "  nothing to score: no reservoir was used up within the data")
		return err
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "model\tpinball/T\tMAE/T\tin P10-P90\tbelow P10\tabove P90\tbias, days\t")
	for _, l := range s.Models {
		fmt.Fprintf(t, "%s\t%.4f\t%.3f\t%.1f %%\t%.1f %%\t%.1f %%\t%+.2f\t\n",
			l.Model, l.PinballOverT, l.MAEOverT, 100*l.Coverage80, 100*l.BelowP10, 100*l.AboveP90, l.BiasDays)
	}
	return t.Flush()
}

// tally sums the figures of cases.
type tally struct {
	cases, leftOut int
	models         []modelTally
}

type modelTally struct {
	n, below, above    int
	pinball, mae, bias float64
}

func newTally(models int) tally { return tally{models: make([]modelTally, models)} }

// edge forgives rounding where a forecast hits the truth exactly.
const edge = 1e-9

func (m *modelTally) add(r Range, t float64) {
	m.n++
	m.pinball += MeanPinball(r, t) / t
	m.mae += math.Abs(r[1]-t) / t
	m.bias += r[1] - t
	if t < r[0]-edge {
		m.below++
	}
	if t > r[2]+edge {
		m.above++
	}
}

func (t *tally) merge(o *tally) {
	t.cases += o.cases
	t.leftOut += o.leftOut
	for i := range o.models {
		a, b := &t.models[i], &o.models[i]
		a.n += b.n
		a.below += b.below
		a.above += b.above
		a.pinball += b.pinball
		a.mae += b.mae
		a.bias += b.bias
	}
}

// set turns sums into means. A model that could not forecast every case (no
// plan everywhere) has no line: its figures would be of other cases.
func (t *tally) set(name string, series int, models []Forecaster) Set {
	s := Set{Name: name, Series: series, Cases: t.cases, LeftOut: t.leftOut}
	for i, m := range t.models {
		if m.n == 0 || m.n < t.cases {
			continue
		}
		n := float64(m.n)
		s.Models = append(s.Models, Line{
			Model:        models[i].Name(),
			PinballOverT: m.pinball / n,
			MAEOverT:     m.mae / n,
			Coverage80:   float64(m.n-m.below-m.above) / n,
			BelowP10:     float64(m.below) / n,
			AboveP90:     float64(m.above) / n,
			BiasDays:     m.bias / n,
		})
	}
	return s
}
