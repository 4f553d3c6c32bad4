package duty

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dwindle/config"
)

// The Nile at Aswan, 1871-1970 (R datasets::Nile).
var nile = []float64{
	1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
	1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969,
	831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759,
	781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890,
	744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
}

// filter is one filter over a whole history, in units of the mean day.
func (m motion) filter(days []step) level {
	tracks := []track{m.start(1)}
	if m.phi == 1 || m.r == 0 {
		drift(tracks, []float64{m.r}, days)
	} else {
		swing(tracks, []motion{m}, days)
	}
	n := 0.0
	for _, d := range days {
		if d.g > 0 {
			n++
		}
	}
	return tracks[0].level(n, 1)
}

// A drifting level with the variances of the textbook (H 15099, Q 1469.1;
// Durbin and Koopman, 2012): a(101) 798.370292608, P(101) 5501.25794181,
// gain .2670480126. The prior of the lasting part leaves a trace of 1e-9.
func TestFilterFollowsTheNile(t *testing.T) {
	const h, q = 15099.0, 1469.1
	steps := make([]step, len(nile))
	for i, y := range nile {
		steps[i] = step{h: 1, g: 1, y: y / 1000}
	}
	l := motion{1, q / h}.filter(steps)
	require.InDelta(t, 798.370292608, 1000*(l.mu+l.x), 1e-5)
	p := l.pmm + 2*l.pmx + l.pxx
	require.InDelta(t, 5501.25794181, h*p, 1e-5)
	require.InDelta(t, 0.2670480126, p/(p+1), 1e-9)
}

// The concentrated log-likelihood is that of the exact diffuse filter with the
// scale taken out: at H 15099, Q 1469.1 the log-likelihood without the first
// day is -632.545625116 (R KFAS and statsmodels), and
//
//	-0.5 (n-1) ln 2pi - 0.5 sum ln(H F) - 0.5 sum v^2/(H F).
func TestFilterLikelihoodOfTheNile(t *testing.T) {
	const h, q = 15099.0, 1469.1
	steps := make([]step, len(nile))
	for i, y := range nile {
		steps[i] = step{h: 1, g: 1, y: y}
	}
	// Start at the first day, so that its innovation is 0 and the prior does
	// not pull.
	for i := range steps {
		steps[i].y += 1 - nile[0]
	}
	l := motion{1, q / h}.filter(steps)
	n := float64(len(nile))
	s2 := l.s2 * (n - spentDF) / n
	logs := -2*l.fit - n*math.Log(s2) - math.Log(levelPrior+1) // sum ln F, days 2 to n
	got := -0.5*(n-1)*math.Log(2*math.Pi*h) - 0.5*logs - 0.5*n*s2/h
	// The first level has variance 25/26 of a day's instead of 1.
	require.InDelta(t, -632.545625116, got, 0.02)
}

// A level known with variance P = 0.5 that drifts with q = 0.025 (both in
// s2 = 4): the sum of 30 days has variance s2 (P t^2 + q (t-1) t (2t-1)/6 + t)
// = 2775.5.
func TestDriftVarianceOfTheSum(t *testing.T) {
	a := ahead{phi: 1, l: level{mu: 1, pxx: 0.5, s2: 4}, r: 0.025, vx: 0.5, fade: 1}
	var s sofar
	for d := range 30 {
		if d > 0 {
			a.tomorrow()
		}
		a.use(1, math.Inf(1))
		s.days++
	}
	require.InDelta(t, 2775.5, a.variance(&s), 1e-9)
	require.InDelta(t, 30, a.mean, 1e-12)
	// The lasting part counts in the same way.
	b := ahead{l: level{mu: 1, pmm: 0.5, s2: 4}, fade: 1}
	for range 30 {
		b.use(1, math.Inf(1))
	}
	require.InDelta(t, 4*(0.5*900+30), b.variance(&s), 1e-9)
}

// Equal to exponential smoothing in the steady state: r = K^2/(1-K).
func TestDriftIsExponentialSmoothing(t *testing.T) {
	const gain = 0.2
	steps := make([]step, 400)
	smooth := 1.0
	for i := range steps {
		y := 1 + 0.3*math.Sin(float64(i*i))
		steps[i] = step{h: 1, g: 1, y: y}
		smooth += gain * (y - smooth)
	}
	l := motion{1, gain * gain / (1 - gain)}.filter(steps)
	require.InDelta(t, smooth, l.mu+l.x, 1e-9)
}

// Missing days only let time pass, and the static level is the mean: over 20
// seen days with the prior worth 1/25 of a day.
func TestMissingDaysLetTimePass(t *testing.T) {
	steps := make([]step, 40)
	sum := 0.0
	for i := range steps {
		if i%2 == 0 {
			y := 1 + 0.01*float64(i)
			steps[i] = step{h: 1, g: 1, y: y}
			sum += y
		}
	}
	l := motion{}.filter(steps)
	require.InDelta(t, (sum+1.0/levelPrior)/(20+1.0/levelPrior), l.mu+l.x, 1e-12)
	d := motion{1, 0.01}
	gap := d.filter(append(steps[:40:40], make([]step, 10)...))
	require.InDelta(t, d.filter(steps).pmm+0.1, gap.pmm, 1e-12, "ten more steps of 0.01")
}

// settled lets days leave the window until it can hold the rest, in units of
// the mean day.
func settled(days []step) (e evidence, rest []step, logs product) {
	logs.value = 1
	n := 0.0
	for len(days) > windowDays {
		n += taught(days[:windowDays])
		e.settle(days[:windowDays], leavingDays, n, 1, 1)
		n -= taught(days[leavingDays:windowDays])
		logs.noise(days[:leavingDays])
		days = days[leavingDays:]
	}
	return e, days, logs
}

func changed(days []step) level {
	e, rest, logs := settled(days)
	logs.noise(rest)
	all := e.total(rest, 1)
	return e.changed(rest, &all, taught(days), 1, 1, logs.log())
}

// splitExactly looks at a change after every day, however many there are, with
// filters: the best two levels that know nothing of each other give the scale
// of a jump, then one filter goes on over a jump.
func splitExactly(days []step) (levels, fits []float64) {
	n, least := taught(days), math.Inf(1)
	var total evidence
	total = total.total(days, 1)
	var last int
	information := 0.0
	for k := range days {
		information += days[k].h * days[k].h / days[k].g
		if total.i-information < leastSince*total.i/n {
			break
		}
		last = k
		squares := 0.0
		for _, part := range [][]step{days[:k+1], days[k+1:]} {
			one := []track{motion{}.start(1)}
			drift(one, []float64{0}, part)
			squares += one[0].squares
		}
		least = math.Min(least, squares)
	}
	for k := range last + 1 {
		one := []track{motion{}.start(1)}
		drift(one, []float64{0}, days[:k+1])
		one[0].pmm += jumpSD * jumpSD / (least / n)
		drift(one, []float64{0}, days[k+1:])
		l := one[0].level(n, 1)
		levels, fits = append(levels, l.mu), append(fits, l.fit)
	}
	return levels, fits
}

func changedExactly(days []step) (mu, fit float64) {
	levels, fits := splitExactly(days)
	most, sum := math.Inf(-1), 0.0
	for _, f := range fits {
		most = math.Max(most, f)
	}
	for k := range fits {
		w := math.Exp(fits[k] - most)
		sum += w
		mu += w * levels[k]
	}
	return mu / sum, most + math.Log(sum/float64(len(fits)))
}

// likeliest is the day of the likeliest change, the last day before it.
func likeliest(days []step) int {
	e, rest, _ := settled(days)
	all := e.total(rest, 1)
	n, best, day := taught(days), math.Inf(1), 0.0
	jump, _ := all.jump(e.places[:e.n], n, 1, 0)
	look := func(p place, d float64) {
		_, _, squares, occam := all.after(&p, jump)
		if v := n*math.Log(squares) + math.Log(occam); v < best {
			best, day = v, d
		}
	}
	for _, p := range e.places[:e.n] {
		look(p, p.i) // one unit of information a day
	}
	for k := range rest {
		e.add(&rest[k], 1)
		look(place{i: e.i, b: e.b}, e.i)
	}
	return int(math.Round(day)) - 1
}

func TestChangeFindsTheNewLevel(t *testing.T) {
	for _, at := range []int{30, 90} { // gone from the window, and in it
		steps := make([]step, 120)
		for i := range steps {
			y := 1.2 + 0.05*math.Sin(float64(7*i*i))
			if i >= at {
				y -= 0.6
			}
			steps[i] = step{h: 1, g: 1, y: y}
		}
		c := changed(steps)
		require.InDelta(t, 0.6, c.mu, 0.02)
		steady := motion{}.filter(steps)
		require.Greater(t, c.fit, steady.fit+20)
		require.Less(t, c.s2, steady.s2/10)
		require.Equal(t, at-1, likeliest(steps), "the last day before the change")
		require.True(t, math.IsInf(changed(steps[:3]).fit, -1), "too few days for two levels")
	}
}

// In the window every day is looked at, as filters would.
func TestChangeComparesWithFilters(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		steps := make([]step, rapid.IntRange(20, windowDays).Draw(t, "days"))
		for i := range steps {
			steps[i] = step{h: rapid.Float64Range(0.5, 1.5).Draw(t, "h"), g: rapid.Float64Range(0.5, 2).Draw(t, "g"), y: rapid.Float64Range(0, 2).Draw(t, "y")}
		}
		c := changed(steps)
		mu, fit := changedExactly(steps)
		if math.Abs(fit-c.fit) > 1e-6*math.Max(1, math.Abs(fit)) || math.Abs(mu-c.mu) > 1e-6 {
			t.Fatalf("want level %g, fit %g, got %g, %g", mu, fit, c.mu, c.fit)
		}
	})
}

// Few possible days of a change, the likeliest, say what all days would: the
// level since to a fraction of its error, the likelihood to a third of a nat.
func TestFewPlacesStandForAllDays(t *testing.T) {
	for seed := range uint64(30) {
		r := rand.New(rand.NewPCG(seed, 5))
		n := 80 + r.IntN(220)
		at, to := r.IntN(n), 0.7+0.6*r.Float64()
		steps := make([]step, n)
		for i := range steps {
			y := 1 + 0.15*r.NormFloat64()
			if i >= at && seed%4 > 0 {
				y *= to
			}
			steps[i] = step{h: 1, g: 0.5 + r.Float64(), y: y}
		}
		c := changed(steps)
		mu, fit := changedExactly(steps)
		require.InDelta(t, mu, c.mu, 0.3*math.Sqrt(c.pmm*c.s2), "seed %d", seed)
		require.InDelta(t, fit, c.fit, 0.35, "seed %d", seed)
	}
}

// The running sums give the sum of e (c - mean c)^2 over weekdays.
func TestPatternErrorCancelsOverWholeWeeks(t *testing.T) {
	var p pattern
	for k := range p.err {
		p.err[k], p.g[k] = 0.1+0.02*float64(k), 1
	}
	var s sofar
	for k := config.Monday; k <= config.Sunday; k++ {
		s.e += p.err[k]
	}
	s.add(&p, config.Thursday, 0.3, 1)
	for d := range 40 {
		s.add(&p, config.DayType((d+4)%7), 1, 1)
		mean, want := 0.0, 0.0
		for k := config.Monday; k <= config.Sunday; k++ {
			mean += s.count[k] / 7
		}
		for k := config.Monday; k <= config.Sunday; k++ {
			want += p.err[k] * (s.count[k] - mean) * (s.count[k] - mean)
		}
		require.InDelta(t, want, s.err, 1e-9)
	}
	s = sofar{e: s.e}
	for d := range 70 {
		s.add(&p, config.DayType(d%7), 1, 1)
	}
	require.InDelta(t, 0, s.err, 1e-9, "ten whole weeks")
	require.Equal(t, 70.0, s.days)
}

// The filters of one state are the two-state filter where the level does not
// return; side by side they do what each does alone.
func TestDriftIsASwingThatNeverReturns(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		days := make([]step, rapid.IntRange(1, 60).Draw(t, "days"))
		for i := range days {
			if rapid.IntRange(0, 5).Draw(t, "seen") > 0 {
				days[i] = step{h: rapid.Float64Range(0.01, 7).Draw(t, "h"), g: rapid.Float64Range(0.001, 50).Draw(t, "g"), y: rapid.Float64Range(0, 9).Draw(t, "y")}
			}
		}
		rs := []float64{0, 0.0012, 0.03}
		var one, two []track
		var motions []motion
		for _, r := range rs {
			m := motion{1, r}
			one, two, motions = append(one, m.start(1)), append(two, m.start(1)), append(motions, m)
		}
		drift(one, rs, days)
		swing(two, motions, days)
		for i := range rs {
			a, b := one[i].level(9, 1), two[i].level(9, 1)
			require.InDelta(t, b.mu+b.x, a.mu, 1e-9)
			require.InEpsilon(t, b.pmm+2*b.pmx+b.pxx, a.pmm, 1e-6)
			require.InDelta(t, b.fit, a.fit, 1e-6)
			alone := []track{motions[i].start(1)}
			drift(alone, rs[i:i+1], days)
			require.Equal(t, alone[0], one[i])
		}
	})
}
