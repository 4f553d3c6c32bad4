package duty

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"dwindle/config"
	"dwindle/forecast/depletion"
	"dwindle/forecast/internal/reference"
)

// diffuse brings a plain series into the filter's form with a prior so wide
// that it counts for nothing: the level is y/size, and the first day is what
// the prior expects, so that it does not pull. A ratio q of level to
// observation variance is a step variance of q/size^2.
func diffuse(y []float64, size, variance float64) []step {
	out := make([]step, len(y))
	for i := range y {
		out[i] = step{h: size, g: variance, y: y[i] - y[0] + size}
	}
	return out
}

// The Nile as a local level with variances 15099 and 1469.1, against the exact
// diffuse filter of statsmodels, year by year: predicted level and its variance
// for the years 2 to 101, the steady state and the log-likelihood from year 2.
func TestFilterAgainstExactDiffuse(t *testing.T) {
	const h, q, size = 15099.0, 1469.1, 1e5
	y := reference.Column(t, "nile.csv", "flow")
	require.Equal(t, nile, y)
	steps := diffuse(y, size, h)
	m := motion{1, q / (size * size)}
	rows := reference.Table(t, "nile_filter.csv")
	require.Len(t, rows, 100)
	for i, r := range rows {
		l := m.filter(steps[:i+1])
		require.Equal(t, i+2, int(r.Number("t")))
		require.InDelta(t, r.Number("a"), size*(l.mu+l.x)-size+y[0], 1e-5, "year %d", i+2)
		p := l.pmm + 2*l.pmx + l.pxx
		require.InEpsilon(t, r.Number("P"), size*size*p, 2e-7, "year %d", i+2)
	}
	l := m.filter(steps)
	want := reference.Quantities(t, "nile_level.csv")
	p := size * size * (l.pmm + 2*l.pmx + l.pxx)
	require.InEpsilon(t, want["P_steady"], p, 1e-8)
	require.InEpsilon(t, want["gain"], p/(p+h), 1e-8)
	n := float64(len(y))
	s2 := l.s2 * (n - spentDF) / n
	logs := -2*l.fit - n*math.Log(s2) - math.Log(levelPrior*size*size+h)
	require.InDelta(t, want["loglik_from_2"], -0.5*((n-1)*math.Log(2*math.Pi)+logs+n*s2), 1e-6)
}

// The fit is largest where R StructTS finds the variances of the Nile, and
// gives the scale found there.
func TestFitIsLargestAtTheMaximumLikelihood(t *testing.T) {
	want := reference.Quantities(t, "nile_structts.csv")
	const size = 1e4
	y := reference.Column(t, "nile.csv", "flow")
	steps := diffuse(y, size, 1)
	n := float64(len(y))
	at := func(ratio float64) (fit, s2 float64) {
		l := motion{1, ratio / (size * size)}.filter(steps)
		s2 = l.s2 * (n - spentDF) / n
		return l.fit + 0.5*math.Log(s2), s2 * n / (n - 1) // the first year says nothing
	}
	lo, hi := 0.02, 0.5
	for range 60 { // golden section
		a, b := hi-0.618034*(hi-lo), lo+0.618034*(hi-lo)
		if fa, _ := at(a); fa > func() float64 { f, _ := at(b); return f }() {
			hi = b
		} else {
			lo = a
		}
	}
	require.InEpsilon(t, want["Q"]/want["H"], lo, 2e-4)
	_, s2 := at(lo)
	require.InEpsilon(t, want["H"], s2, 2e-4)
}

// Seven members on a made-up series with a weekly pattern and missing days,
// against the general filter of statsmodels: state of tomorrow, scale, fit,
// and mean and variance of the sum of 30 days ahead.
func TestMembersAgainstGeneralFilter(t *testing.T) {
	var steps []step
	for _, r := range reference.Table(t, "level_days.csv") {
		steps = append(steps, step{h: r.Number("h"), g: r.Number("g"), y: r.Number("y")})
	}
	seen := 0.0
	for _, s := range steps {
		if s.g > 0 {
			seen++
		}
	}
	require.Equal(t, 114.0, seen, "six days are missing")
	week := steps[7:14]
	for _, r := range reference.Table(t, "level_members.csv") {
		m := motion{r.Number("phi"), r.Number("r")}
		l := m.filter(steps)
		want := map[string]float64{}
		for _, name := range []string{"mu", "x", "pmm", "pmx", "pxx", "s2", "fit"} {
			want[name] = r.Number(name)
		}
		if m.phi == 1 { // ours has no lasting part beside the drifting one
			want["mu"], want["x"] = want["mu"]+want["x"], 0
			want["pmm"], want["pmx"], want["pxx"] = want["pmm"]+2*want["pmx"]+want["pxx"], 0, 0
		}
		for name, got := range map[string]float64{
			"mu": l.mu, "x": l.x, "pmm": l.pmm, "pmx": l.pmx, "pxx": l.pxx, "s2": l.s2 * (seen - spentDF) / seen, "fit": l.fit,
		} {
			require.InDelta(t, want[name], got, 1e-9*math.Max(1, math.Abs(got)), "%+v %s", m, name)
		}
		// Its log-likelihood with the scale left at 1.
		s2 := l.s2 * (seen - spentDF) / seen
		logs := -2*l.fit - seen*math.Log(s2)
		require.InDelta(t, r.Number("loglik_at_1"), -0.5*(seen*math.Log(2*math.Pi)+logs+seen*s2), 1e-8)

		l.s2 = 1
		a := ahead{phi: m.phi, r: m.r, l: l, vx: l.pxx, fade: 1}
		var s sofar
		for d := range 30 {
			if d > 0 {
				a.tomorrow()
			}
			day := week[(len(steps)+d)%7]
			a.use(day.h, math.Inf(1))
			s.days += day.g
		}
		require.InEpsilon(t, r.Number("ahead_mean"), a.mean, 1e-9, "%+v", m)
		require.InEpsilon(t, r.Number("ahead_var"), a.variance(&s), 1e-9, "%+v", m)
	}
}

// The mean of the Nile under correlation with Bartlett weights over 27 lags, as
// statsmodels has it: its squared standard error over that of independent years
// is what persistence finds, before that is damped for short histories.
func TestPersistenceAgainstHAC(t *testing.T) {
	y := reference.Column(t, "nile.csv", "flow")
	n := float64(len(y))
	mean, squares := 0.0, 0.0
	for _, v := range y {
		mean += v / n
	}
	var m Model
	kinds, seen := make([]config.DayType, len(y)), make([]float32, len(y))
	for i, v := range y {
		squares += (v - mean) * (v - mean)
		kinds[i], seen[i] = config.DayType(i%7), 1
	}
	for k := range m.mean {
		m.mean[k], m.noise[k] = mean, 1
	}
	found := false
	for _, r := range reference.Table(t, "nile_hac.csv") {
		if r.Number("lags") != persistenceDays-1 || r.Text("correction") != "plain" {
			continue
		}
		found = true
		ratio := r.Number("se") * r.Number("se") * n * n / squares
		require.Greater(t, ratio, 7.0, "the Nile is persistent")
		require.InEpsilon(t, 1+(ratio-1)*n/(n+30), persistence(kinds, y, seen, &m), 1e-12)
	}
	require.True(t, found)
}

// The one break of the Nile's mean, after 1898, where R strucchange has it, and
// the level since.
func TestChangeFindsTheBreakOfTheNile(t *testing.T) {
	want := reference.Quantities(t, "nile_break.csv")
	y := reference.Column(t, "nile.csv", "flow")
	steps := make([]step, len(y))
	for i, v := range y {
		steps[i] = step{h: 1, g: 1, y: v / 1000}
	}
	c := changed(steps)
	require.Equal(t, int(want["after"])-1, likeliest(steps), "years from 0; it left the window long ago")
	// Other days have some weight and the prior is worth 1/25 of a year.
	require.InDelta(t, want["mean_after"]/1000, c.mu, 0.002)
	require.Greater(t, c.fit, motion{}.filter(steps).fit+15)
	// The squares about two means are those of R, but for the prior.
	n := float64(len(y))
	require.InEpsilon(t, want["rss_one"]/1e6, c.s2*(n-spentDF-1), 0.02)
}

// Uptime of machines that stop for exponential times, simulated in NumPy over
// 2000 days and 20,000 runs.
func TestOutagesAgainstSimulation(t *testing.T) {
	for _, r := range reference.Table(t, "uptime_simulated.csv") {
		rate, length := 1/r.Number("up"), r.Number("down")
		// Runs begin running, which is worth part of a stop in 2000 days.
		require.InDelta(t, r.Number("mean_per_day"), 1/(1+rate*length), 0.002)
		require.InDelta(t, r.Number("variance_per_day"), depletion.RenewalVariance(rate, length), 3*r.Number("variance_se"))
	}
}

// Discounted weekday means of four weeks, shrunk by three pseudo-days: R
// weighted.mean.
func TestDayTypesAgainstR(t *testing.T) {
	var history []Day
	for _, r := range reference.Table(t, "discounted_days.csv") {
		history = append(history, Day{Type: config.DayType(r.Number("weekday") - 1), Amount: r.Number("amount"), Seen: 1})
	}
	var s sums
	for _, d := range history {
		s.add(d.Type, d.Amount, d.Seen, false)
	}
	s = s.now()
	m := Fit(history, nil)
	require.Equal(t, RungDayTypes, m.Rung())
	for _, r := range reference.Table(t, "discounted_means.csv") {
		k := config.DayType(r.Number("weekday") - 1)
		require.InEpsilon(t, r.Number("weight"), s.w[k], 1e-12)
		require.InEpsilon(t, r.Number("mean"), s.y[k]/s.w[k], 1e-12)
		require.InEpsilon(t, r.Number("n_eff"), s.w[k]*s.w[k]/s.q[k], 1e-12)
		require.InEpsilon(t, r.Number("shrunk"), m.Day(k), 1e-12)
	}
}
