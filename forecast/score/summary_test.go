package score

import (
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "rewrite the golden files")

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.WriteFile(path, []byte(got), 0o600))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, string(want), got)
}

// made are outcomes of so many series with six cases each: truths of 7, 30 and
// 90 days, and laws about them that are normal on the log scale.
func made(name string, series int) Outcomes {
	r := rand.New(rand.NewPCG(2, 9))
	out := Outcomes{Name: name, Models: []string{"dwindle", "plan", "last28", "daytypes"}, Calibrations: []string{"2026-06", "", "", ""}}
	for s := range series {
		out.Series = append(out.Series, fmt.Sprintf("conveyor-%d", s+1))
		common := r.NormFloat64()
		for k := range 6 {
			c := Outcome{Series: int32(s), Origin: int32(28 + 7*(k/3)), Truth: [3]float64{7, 30, 90}[k%3]}
			for _, spread := range []float64{.1, .3, .14, .12} {
				// The truth is this many deviations late.
				z := .6*common + .8*r.NormFloat64()
				mid := c.Truth * math.Exp(-spread*z)
				c.Said = append(c.Said, Said{
					Range: Range{mid * math.Exp(-1.2816*spread), mid, mid * math.Exp(1.2816*spread)},
					PIT:   float32(normal{0, 1}.Chance(z)), CRPS: float32(.6 * spread * c.Truth),
				})
			}
			out.Cases = append(out.Cases, c)
		}
		if s%2 == 0 {
			out.Unfinished = append(out.Unfinished, Unfinished{Series: int32(s), Origin: 42, Size: 90, After: 80, Chance: []float32{.3, .2, .95, -1}})
		}
		p := Path{Series: int32(s), Origin: 28, Truth: 90}
		for m := range out.Models {
			p.Said = append(p.Said, Prognosis{Horizon: 30 + 10*float64((m+s)%5), Within: (m+s)%4 != 0, Relative: .8 + .02*float64(m)})
		}
		out.Paths = append(out.Paths, p)
	}
	return out
}

func TestReport(t *testing.T) {
	many, one := made("mills", 12), made("one mill", 1)
	// The plan of one case is not known: no line of other cases.
	one.Cases[3].Said[1].None = true
	one.Paths = nil
	r := Summarise(many, one, Outcomes{Name: "nothing", Models: many.Models})
	r.Sets[0].Each = many.Each()
	var short, long strings.Builder
	require.NoError(t, r.WriteText(&short, false))
	require.NoError(t, r.WriteText(&long, true))
	golden(t, "report.golden", short.String())
	golden(t, "report_detail.golden", long.String())
	for line := range strings.Lines(short.String() + long.String()) {
		require.LessOrEqual(t, utf8.RuneCountInString(strings.TrimSuffix(line, "\n")), 100, line)
	}
	j, err := json.MarshalIndent(r, "", "  ")
	require.NoError(t, err)
	golden(t, "report.json", string(j)+"\n")
}

func TestSummaryByHand(t *testing.T) {
	said := func(lo, mid, hi, pit, crps float64) Said {
		return Said{Range: Range{lo, mid, hi}, PIT: float32(pit), CRPS: float32(crps)}
	}
	o := Outcomes{
		Name: "two", Series: []string{"idle", "a", "b"}, Models: []string{"dwindle", "last28", "line"}, Calibrations: []string{"v1", "", ""},
		Cases: []Outcome{
			// Scored by the likely date of the model: 16 days is not short
			// although the truth is.
			{Series: 1, Truth: 10, Said: []Said{said(12, 16, 20, .05, 4), said(8, 10, 12, .5, 1), said(1, 2, 3, 1, 8)}},
			{Series: 1, Truth: 20, Said: []Said{said(8, 12, 18, .95, 6), said(18, 20, 22, .5, 2), said(1, 2, 3, 1, 18)}},
			{Series: 2, Truth: 100, Said: []Said{said(90, 110, 130, .3, 10), said(80, 100, 120, .5, 10), said(1, 2, 3, 1, 98)}},
		},
	}
	s := o.Set()
	require.Equal(t, 2, s.Series)
	require.Equal(t, "last28", s.BestBaseline)
	l, _ := s.Line("dwindle")
	require.InDelta(t, (.4+.3+.1)/3, l.CRPSOverT, 1e-7)
	require.InDelta(t, (.8+.5+.4)/3, l.WidthOverT, 1e-12)
	require.InDelta(t, .1, l.MedianBiasOverT, 1e-12)            // of .6, -.4 and .1
	require.InDelta(t, (1.8+.6+.1)/3, l.NewsvendorOverT, 1e-12) // 9 x 2 days late, 12 and 10 early
	require.InDelta(t, 1.0/3, l.Coverage80, 1e-12)
	require.InDelta(t, 1.0/3, l.BelowP10, 1e-12)
	require.Equal(t, "v1", l.Calibration)
	require.Equal(t, BinomialInterval(1, 3, .9), l.CoverageBinomial)
	require.Equal(t, [pitBins]float64{1.0 / 3, 0, 0, 1.0 / 3, 0, 0, 0, 0, 0, 1.0 / 3}, l.PIT)
	require.Nil(t, l.PrognosticHorizon)
	require.Len(t, l.Bins, 3)
	for i, want := range []Bin{{UpToDays: 14, Cases: 1, AboveP90: 1}, {AboveDays: 14, UpToDays: 60, Cases: 1, BelowP10: 1}, {AboveDays: 60, Cases: 1, Coverage80: 1}} {
		got := l.Bins[i]
		got.Tails = Tails{}
		require.Equal(t, want, got)
	}
	// Pinball of the cases over T: dwindle by hand (1.8 + 3 + 1)/3/10 and so
	// on; per series the sums are what the difference is made of.
	ours := []float64{(1.8+3+1)/30 + (1.2+4+1.8)/60, (1 + 5 + 3.0) / 300}
	theirs := []float64{.4/30 + .4/60, 4.0 / 300}
	want, _ := PairedDifference(ours, theirs, .9)
	got, ok := s.Against("last28")
	require.True(t, ok)
	require.InDelta(t, want.Percent, got.Percent, 1e-9)
	require.InDelta(t, want.Interval.High, got.Interval.High, 1e-9)
	require.Len(t, s.Paired, 2)
	each := o.Each()
	require.Len(t, each, 2)
	require.Equal(t, "b", each[1].Series)
	require.InDelta(t, 10, each[1].Models[0].BiasDays, 1e-12)
}

func TestJoinKeepsSeriesApart(t *testing.T) {
	a, b := made("a", 2), made("b", 3)
	all := join("all", []Outcomes{a, b})
	require.Equal(t, 5, all.Set().Series)
	require.Len(t, all.Cases, 30)
	require.Equal(t, int32(2), all.Cases[12].Series)
	require.Equal(t, int32(2), all.Paths[2].Series)
	require.Len(t, all.Unfinished, 3)
	require.Equal(t, int32(2), all.Unfinished[1].Series)
	require.Zero(t, b.Cases[0].Series, "the parts stay as they were")
}

// The hours of a machine and the pulses that they pace are one unit, wherever
// they stand; series without a unit stand alone.
func TestSeriesOfOneMachineAreOneUnit(t *testing.T) {
	o := made("a", 5)
	o.Units = []string{"mill", "", "fan", "mill", ""}
	s := o.Set()
	require.Equal(t, 5, s.Series)
	require.Equal(t, 4, s.Units)
	c := o.clusters()
	require.Equal(t, []int{0, 1, 2, 0, 3}, []int{c.of[0], c.of[6], c.of[12], c.of[18], c.of[29]})
	// The same series again, as another of the same machine: no more is known.
	twice := join("twice", []Outcomes{o, o})
	twice.Units = append([]string{"mill", "x", "fan", "mill", "y"}, "mill", "x", "fan", "mill", "y")
	more := twice.Set()
	require.Equal(t, 10, more.Series)
	require.Equal(t, 4, more.Units)
	for i, p := range s.Paired {
		require.InDelta(t, p.Percent, more.Paired[i].Percent, 1e-9)
		require.InDelta(t, p.Interval.High, more.Paired[i].Interval.High, 1e-9)
	}
}

func TestEvenness(t *testing.T) {
	even := [pitBins]float64{.09, .09, .1, .11, .11, .11, .1, .09, .1, .1}
	require.Equal(t, "even (p 0.050)", evenness(Line{PIT: even, PITP: .05}))
	require.Equal(t, "nearly even (p 0.001)", evenness(Line{PIT: even, PITP: .0012}))
	steep := [pitBins]float64{.07, .1, .1, .1, .1, .1, .1, .1, .1, .13}
	require.Equal(t, "not even (p < 0.001)", evenness(Line{PIT: steep, PITP: 1e-9}))
}
