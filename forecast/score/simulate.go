package score

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"

	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/duty"
)

// Scenario is one kind of simulated duty.
type Scenario int

// The scenarios, from steady to ugly.
const (
	RoundTheClock Scenario = iota
	OneShift
	TwoShifts
	Intermittent
	LevelShift
	RandomWalk
	PlannedShutdown
	Outages
	scenarios
)

// Scenarios lists all.
func Scenarios() []Scenario {
	all := make([]Scenario, scenarios)
	for i := range all {
		all[i] = Scenario(i)
	}
	return all
}

// String is the scenario's name as a set of the score.
func (s Scenario) String() string {
	names := [...]string{"round the clock", "one shift", "two shifts and Saturday", "intermittent",
		"level shift", "random walk", "planned shutdown", "outages"}
	if s < 0 || int(s) >= len(names) {
		return fmt.Sprintf("scenario %d", int(s))
	}
	return names[s]
}

const futureDays = 400

// simulatedToday is the Monday of the week in which all series are forecast
// from: their histories differ in length and end together, like a fleet's.
var simulatedToday = civil.New(2026, 1, 5)

// Simulate draws one series: 30 to 400 days of history up to Series.Origin and
// 400 days of future, the first day a Monday. The same seed, scenario and
// number give the same series.
func (s Scenario) Simulate(seed uint64, number int) Series {
	r := rand.New(rand.NewPCG(seed, uint64(s)<<32|uint64(number)))
	n := 30 + r.IntN(371)
	g := generator{r: r, base: 5 + 15*r.Float64(), cv: 0.10 + 0.25*r.Float64(), level: 1}
	days := make([]duty.Day, n+futureDays)
	g.prepare(s, n)
	for d := range days {
		t := config.DayType(d % 7)
		amount := g.day(s, d, t)
		if d >= g.shutFrom && d < g.shutTo {
			t, amount = config.ShutdownType, 0
		}
		days[d] = duty.Day{Type: t, Amount: math.Min(24, amount), Seen: 1}
	}
	return Series{
		Name:      fmt.Sprintf("%s %d", s, number),
		First:     simulatedToday - civil.Date(n/7*7),
		Days:      days,
		Origin:    n,
		MaxPerDay: 24,
	}
}

type generator struct {
	r                *rand.Rand
	base, cv, level  float64
	on               float64 // chance of an intermittent machine to run
	shiftAt          int     // day and factor of a level shift
	shiftBy          float64
	shutFrom, shutTo int
	out              int // days an outage still lasts
}

func (g *generator) prepare(s Scenario, n int) {
	g.shiftAt = -1
	switch s {
	case Intermittent:
		g.on = 0.2 + 0.5*g.r.Float64()
	case LevelShift:
		g.shiftAt = n - 1 - g.r.IntN(min(n-5, 120))
		g.shiftBy = 0.5 + 1.1*g.r.Float64()
	case PlannedShutdown:
		g.shutFrom = n + 3 + g.r.IntN(40)
		g.shutTo = g.shutFrom + 7 + g.r.IntN(14)
	}
}

// lognormal draws with a mean and a coefficient of variation.
func (g *generator) lognormal(mean, cv float64) float64 {
	v := math.Log(1 + cv*cv)
	return math.Exp(math.Log(mean) - v/2 + math.Sqrt(v)*g.r.NormFloat64())
}

func (g *generator) day(s Scenario, d int, t config.DayType) float64 {
	switch s {
	case RoundTheClock:
		return g.lognormal(20, 0.08)
	case TwoShifts:
		return g.twoShifts(t)
	case Intermittent:
		if g.r.Float64() >= g.on {
			return 0
		}
		return g.lognormal(0.6*g.base, 0.8)
	case LevelShift:
		if d == g.shiftAt {
			g.level *= g.shiftBy
		}
	case RandomWalk:
		g.level *= math.Exp(0.012 * g.r.NormFloat64())
	}
	amount := g.level * g.oneShift(t)
	if s == Outages {
		return g.outage(amount)
	}
	return amount
}

func (g *generator) oneShift(t config.DayType) float64 {
	switch t {
	case config.Saturday:
		if g.r.Float64() < 0.15 {
			return g.lognormal(g.base/2, g.cv)
		}
		return 0
	case config.Sunday:
		return 0
	}
	return g.lognormal(g.base, g.cv)
}

func (g *generator) twoShifts(t config.DayType) float64 {
	var amount float64
	switch t {
	case config.Saturday:
		amount = g.lognormal(7, 0.4)
	case config.Sunday:
	default:
		amount = g.lognormal(15, 0.12)
	}
	if g.r.Float64() < 0.03 {
		return 0
	}
	return amount
}

// outage lets a running day start a stop with chance 1/50: that day is lost,
// and 2 + floor(Exp(5)) more.
func (g *generator) outage(amount float64) float64 {
	if g.out > 0 {
		g.out--
		return 0
	}
	if amount > 0 && g.r.Float64() < 1.0/50 {
		g.out = 2 + int(5*g.r.ExpFloat64())
		return 0
	}
	return amount
}

// Simulation backtests on simulated series, so many per scenario: one set per
// scenario, then the set "all".
func Simulation(ctx context.Context, perScenario int, o Options) ([]Outcomes, error) {
	var out []Outcomes
	for _, s := range Scenarios() {
		series := make([]Series, perScenario)
		for i := range series {
			series[i] = s.Simulate(o.Seed, i)
		}
		set, err := Backtest(ctx, s.String(), series, o)
		if err != nil {
			return nil, err
		}
		out = append(out, set)
	}
	return append(out, join("all", out)), nil
}
