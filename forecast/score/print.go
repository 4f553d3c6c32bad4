package score

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"text/tabwriter"
)

// WriteText prints a report as aligned tables of at most 100 columns, one per
// set, with short lines below; detail adds the tables of everything else.
func (r Report) WriteText(w io.Writer, detail bool) error {
	scored := false
	for i, s := range r.Sets {
		scored = scored || s.Cases > 0
		var b strings.Builder
		if i > 0 {
			b.WriteByte('\n')
		}
		s.writeText(&b, detail)
		if _, err := io.WriteString(w, b.String()); err != nil {
			return fmt.Errorf("writing the score table of %s: %w", s.Name, err)
		}
	}
	if scored {
		if _, err := io.WriteString(w, "\n"+legend); err != nil {
			return fmt.Errorf("writing the score table: %w", err)
		}
	}
	return nil
}

const legend = "Less is better for pinball, CRPS, MAE and width, all over the true time T; 80 % of the truths belong\n" +
	"in P10-P90, 10 % on either side. Intervals are of 90 % and count machines, not cases.\n"

func (s Set) writeText(b *strings.Builder, detail bool) {
	of := ""
	if s.Units < s.Series {
		of = fmt.Sprintf(" of %d machines", s.Units)
	}
	fmt.Fprintf(b, "%s: %d cases from %d series%s, %d left out\n", s.Name, s.Cases, s.Series, of, s.LeftOut)
	if s.Cases == 0 {
		b.WriteString("  nothing to score: no reservoir was used up within the data\n")
		return
	}
	table(b, "model\tpinball/T\tCRPS/T\tMAE/T\twidth/T\tin P10-P90\tbelow P10\tabove P90\tbias, days", func(row rowWriter) {
		for _, l := range s.Models {
			row("%s\t%.4f\t%.4f\t%.3f\t%.3f\t%.1f %%\t%.1f %%\t%.1f %%\t%+.2f",
				l.Model, l.PinballOverT, l.CRPSOverT, l.MAEOverT, l.WidthOverT, 100*l.Coverage80, 100*l.BelowP10, 100*l.AboveP90, l.BiasDays)
		}
	})
	s.writeOurs(b)
	if detail {
		s.writeDetail(b)
	}
	s.writeEach(b)
}

type rowWriter func(format string, args ...any)

// table writes aligned rows under a head, cells divided by tabs.
func table(b *strings.Builder, head string, rows func(rowWriter)) {
	t := tabwriter.NewWriter(b, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, head+"\t")
	rows(func(format string, args ...any) { fmt.Fprintf(t, format+"\t\n", args...) })
	t.Flush() // a strings.Builder takes everything
}

// writeOurs says in short lines what the table means for our own model.
func (s Set) writeOurs(b *strings.Builder) {
	l, ok := s.Line(ours)
	if !ok {
		return
	}
	if d, ok := s.Against(s.BestBaseline); ok {
		fmt.Fprintf(b, "  against %s, the best baseline here: pinball/T %s\n", s.BestBaseline, d.text())
	}
	fmt.Fprintf(b, "  its 80 %% range held %s\n", share(l.Coverage80, l.CoverageInterval))
	if u := l.WithUnfinished; u != nil {
		fmt.Fprintf(b, "  with the %d left out, as far as they are known: %.0f %% in, %.0f %% below, %.0f %% above\n",
			s.LeftOut, 100*u.Coverage80, 100*u.BelowP10, 100*u.AboveP90)
	}
	if len(l.Bins) > 1 {
		parts := make([]string, len(l.Bins))
		for i, bin := range l.Bins {
			parts[i] = fmt.Sprintf("%s %.0f %% of %d", bin.text(), 100*bin.Coverage80, bin.Cases)
		}
		fmt.Fprintf(b, "  by its likely time: %s\n", strings.Join(parts, ", "))
	}
	fmt.Fprintf(b, "  PIT, %% of cases per tenth (10 each if chances are right): %s: %s\n", tenths(l.PIT), evenness(l))
	if l.Calibration != "" {
		fmt.Fprintf(b, "  calibration %s\n", l.Calibration)
	}
}

func (d Difference) text() string {
	if d.Interval == nil {
		return fmt.Sprintf("%+.1f %% (one machine: no interval)", d.Percent)
	}
	return fmt.Sprintf("%+.1f %% (90 %% interval %+.1f to %+.1f)", d.Percent, d.Interval.Low, d.Interval.High)
}

func share(p float64, i *Interval) string {
	if i == nil {
		return fmt.Sprintf("%.0f %%", 100*p)
	}
	return fmt.Sprintf("%.0f %% (%.0f to %.0f)", 100*p, 100*i.Low, 100*i.High)
}

func (b Bin) text() string {
	switch {
	case b.AboveDays == 0:
		return fmt.Sprintf("up to %.0f days", b.UpToDays)
	case b.UpToDays == 0:
		return fmt.Sprintf("over %.0f days", b.AboveDays)
	}
	return fmt.Sprintf("%.0f-%.0f days", b.AboveDays+1, b.UpToDays)
}

func tenths(p [pitBins]float64) string {
	out := make([]string, len(p))
	for i, v := range p {
		out[i] = fmt.Sprintf("%.0f", 100*v)
	}
	return strings.Join(out, " ")
}

// evenness judges a histogram at the usual 5 %. With thousands of cases the
// test finds departures that matter to nobody: none above 2 points is nearly
// even.
func evenness(l Line) string {
	word := "not even"
	if l.PITP >= 0.05 {
		word = "even"
	} else if most := slices.MaxFunc(l.PIT[:], func(a, b float64) int {
		return cmp.Compare(math.Abs(a-0.1), math.Abs(b-0.1))
	}); math.Abs(most-0.1) <= 0.02 {
		word = "nearly even"
	}
	return word + " (p " + chance(l.PITP) + ")"
}

func chance(p float64) string {
	if p < 0.001 {
		return "< 0.001"
	}
	return fmt.Sprintf("%.3f", p)
}

// writeDetail prints everything that the JSON holds of a set.
func (s Set) writeDetail(b *strings.Builder) {
	if len(s.Paired) > 0 {
		b.WriteString("\n  pinball/T of dwindle against each, in percent of the other's; 90 % interval by machine\n")
		table(b, "baseline\tdifference\tfrom\tto", func(row rowWriter) {
			for _, p := range s.Paired {
				from, to := "-", "-"
				if p.Interval != nil {
					from, to = fmt.Sprintf("%+.1f %%", p.Interval.Low), fmt.Sprintf("%+.1f %%", p.Interval.High)
				}
				row("%s\t%+.1f %%\t%s\t%s", p.Baseline, p.Percent, from, to)
			}
		})
	}
	b.WriteString("\n  bias, cost of changing at P10 (a day late 9, a day early 1), and PIT: % of cases by tenths\n" +
		"  of the chance that the model gave to the truth or earlier\n")
	table(b, "model\tmedian bias/T\tcost/T\tPIT, %\tchi2\tdesign effect\tp", func(row rowWriter) {
		for _, l := range s.Models {
			row("%s\t%+.3f\t%.3f\t%s\t%.0f\t%.1f\t%s", l.Model, l.MedianBiasOverT, l.NewsvendorOverT, tenths(l.PIT), l.PITChiSquare, l.PITDesign, chance(l.PITP))
		}
	})
	b.WriteString("\n  by the model's own likely time; 90 % intervals, by machine\n")
	table(b, "model\tP50\tcases\tin P10-P90\tbelow P10\tabove P90", func(row rowWriter) {
		for _, l := range s.Models {
			line := func(when string, n int, c, lo, hi float64, t Tails) {
				row("%s\t%s\t%d\t%s\t%s\t%s", l.Model, when, n, share(c, t.CoverageInterval), share(lo, t.BelowInterval), share(hi, t.AboveInterval))
			}
			line("any", s.Cases, l.Coverage80, l.BelowP10, l.AboveP90, l.Tails)
			if len(l.Bins) < 2 {
				continue
			}
			for _, bin := range l.Bins {
				line(bin.text(), bin.Cases, bin.Coverage80, bin.BelowP10, bin.AboveP90, bin.Tails)
			}
		}
	})
	if s.Followed == 0 {
		return
	}
	fmt.Fprintf(b, "\n  %d cases followed to their end, forecast again every week: days before the end from which the\n"+
		"  forecasts stay good (half of the chance within 20 %% of the life), the same over T; at half-time,\n"+
		"  share with half of the chance within 20 %% of what is left, and relative accuracy of P50\n", s.Followed)
	table(b, "model\tgood from, days\tover T\twithin 20 %\taccuracy", func(row rowWriter) {
		for _, l := range s.Models {
			if l.AlphaLambda != nil {
				row("%s\t%.1f\t%.2f\t%.0f %%\t%.3f", l.Model, *l.PrognosticHorizon, *l.PrognosticHorizonOverT, 100**l.AlphaLambda, *l.RelativeAccuracy)
			}
		}
	})
}

// writeEach lists the series, ours beside the set's best baseline.
func (s Set) writeEach(b *strings.Builder) {
	if len(s.Each) == 0 {
		return
	}
	head := "series\tcases\tpinball/T\tin P10-P90\tbelow P10\tabove P90\tbias, days"
	if s.BestBaseline != "" {
		head += "\t" + s.BestBaseline
	}
	b.WriteString("\n  each series, dwindle")
	if s.BestBaseline != "" {
		fmt.Fprintf(b, "; in the last column the pinball/T of %s", s.BestBaseline)
	}
	b.WriteByte('\n')
	table(b, head, func(row rowWriter) {
		for _, e := range s.Each {
			f, ok := e.model(ours)
			if !ok {
				continue
			}
			last := ""
			if o, ok := e.model(s.BestBaseline); ok {
				last = fmt.Sprintf("\t%.4f", o.PinballOverT)
			}
			row("%s\t%d\t%.4f\t%.0f %%\t%.0f %%\t%.0f %%\t%+.2f%s",
				e.Series, e.Cases, f.PinballOverT, 100*f.Coverage80, 100*f.BelowP10, 100*f.AboveP90, f.BiasDays, last)
		}
	})
}

func (e Each) model(name string) (Figures, bool) {
	for _, f := range e.Models {
		if f.Model == name {
			return f, true
		}
	}
	return Figures{}, false
}
