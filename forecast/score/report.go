package score

import (
	"fmt"
	"io"
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

// Summarise makes the report of sets.
func Summarise(sets ...Outcomes) Report {
	var r Report
	for _, s := range sets {
		r.Sets = append(r.Sets, s.Set())
	}
	return r
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
