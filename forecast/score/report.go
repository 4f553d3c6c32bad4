package score

// Report is the result of `score`: what `score --json` prints.
type Report struct {
	Sets []Set `json:"sets"`
}

// Set is one group of series and how each model did on it.
type Set struct {
	Name     string `json:"name"`
	Series   int    `json:"series"` // that gave at least one case
	Units    int    `json:"units"`  // of these: machines, or series that stand alone
	Cases    int    `json:"cases"`
	LeftOut  int    `json:"left_out"` // cases whose truth is not known
	Followed int    `json:"followed"` // cases followed to their end, see [Path]
	Models   []Line `json:"models"`
	// BestBaseline has the least pinball_over_t of all models but ours, on
	// these same cases, which favours it a little.
	BestBaseline string `json:"best_baseline,omitempty"`
	// Paired compares our pinball_over_t with each baseline's.
	Paired []Paired `json:"paired,omitempty"`
	Each   []Each   `json:"each,omitempty"`
}

// Paired is our model against one baseline, in percent of the baseline's score;
// the interval is of 90 %, cluster-robust by unit: see [PairedDifference].
type Paired struct {
	Baseline string `json:"baseline"`
	Difference
}

// Each is what one series alone gives; its cases overlap in time, so its shares
// have no intervals.
type Each struct {
	Series string    `json:"series"`
	Cases  int       `json:"cases"`
	Models []Figures `json:"models"`
}

// Figures are a model's plain figures. All are means over cases; times are
// fractional days.
type Figures struct {
	Model        string  `json:"model"`
	PinballOverT float64 `json:"pinball_over_t"` // mean pinball loss of P10, P50, P90 over the true time
	MAEOverT     float64 `json:"mae_over_t"`     // |P50 - truth| over the true time
	Coverage80   float64 `json:"coverage80"`     // share of truths from P10 to P90
	BelowP10     float64 `json:"below_p10"`      // share earlier than P10
	AboveP90     float64 `json:"above_p90"`      // share later than P90
	BiasDays     float64 `json:"bias_days"`      // P50 - truth
}

// Line is one model's figures over the cases of a set.
type Line struct {
	Figures
	Tails
	CRPSOverT       float64 `json:"crps_over_t"`        // see [CRPS], over the true time
	WidthOverT      float64 `json:"width_over_t"`       // P90 - P10 over the true time
	MedianBiasOverT float64 `json:"median_bias_over_t"` // median of (P50 - truth) over the true time
	NewsvendorOverT float64 `json:"newsvendor_over_t"`  // cost of changing at P10, see [Newsvendor], over the true time

	// WithUnfinished are the shares with the cases that were left out, as far as
	// they are known, see [ProductLimit]; absent where none was.
	WithUnfinished *Shares `json:"with_unfinished,omitempty"`

	PIT          [pitBins]float64 `json:"pit"` // shares by tenths of chance, see [Histogram]
	PITChiSquare float64          `json:"pit_chi_square"`
	PITDesign    float64          `json:"pit_design_effect"`
	PITP         float64          `json:"pit_p"`

	Bins []Bin `json:"bins"`

	// Means over the followed cases, see [Prognosis]; absent where none was
	// followed.
	PrognosticHorizon      *float64 `json:"prognostic_horizon,omitempty"` // days
	PrognosticHorizonOverT *float64 `json:"prognostic_horizon_over_t,omitempty"`
	AlphaLambda            *float64 `json:"alpha_lambda,omitempty"`
	RelativeAccuracy       *float64 `json:"relative_accuracy,omitempty"`

	Calibration string `json:"calibration,omitempty"` // its version, where the model has one
}

// Shares are those of truths in, before and after the range P10 to P90.
type Shares struct {
	Coverage80 float64 `json:"coverage80"`
	BelowP10   float64 `json:"below_p10"`
	AboveP90   float64 `json:"above_p90"`
}

// Tails says how sure the three shares are, at 90 %: as if all cases were
// independent ([BinomialInterval]), and as units of dependent ones
// ([ClusteredInterval]; absent with one unit).
type Tails struct {
	CoverageInterval *Interval `json:"coverage80_interval,omitempty"`
	BelowInterval    *Interval `json:"below_p10_interval,omitempty"`
	AboveInterval    *Interval `json:"above_p90_interval,omitempty"`
	CoverageBinomial Interval  `json:"coverage80_binomial"`
	BelowBinomial    Interval  `json:"below_p10_binomial"`
	AboveBinomial    Interval  `json:"above_p90_binomial"`
}

// Bin is the cases whose own P50, in whole days, lies above one number and up to
// another (0: any later).
type Bin struct {
	AboveDays  float64 `json:"above_days"`
	UpToDays   float64 `json:"up_to_days,omitempty"`
	Cases      int     `json:"cases"`
	Coverage80 float64 `json:"coverage80"`
	BelowP10   float64 `json:"below_p10"`
	AboveP90   float64 `json:"above_p90"`
	Tails
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

// Against gives our model's difference to a baseline.
func (s Set) Against(baseline string) (Difference, bool) {
	for _, p := range s.Paired {
		if p.Baseline == baseline {
			return p.Difference, true
		}
	}
	return Difference{}, false
}
