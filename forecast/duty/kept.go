package duty

import (
	"dwindle/config"
	"dwindle/forecast/depletion"
)

// Kept is what later questions need of a model, for those who keep one for each
// of a large fleet: on the mixture rung a quarter of the model. Members without
// weight are left out, and figures keep seven digits, which moves a chance by
// about a millionth. Make one with [Model.Keep].
type Kept struct {
	model *Model // of the other rungs, nil on the mixture rung

	class    Class
	outages  outages
	stops    StopPrior
	week     *lastWeek // nil unless asked for
	cap      float64
	patterns []uint8 // places of those in use
	members  []uint8
	figures  []float32 // of these patterns, then of these members
}

// Keep gives what [Kept.Forecast] needs.
func (m *Model) Keep() *Kept {
	if m.rung != RungMixture {
		whole := *m
		return &Kept{model: &whole}
	}
	k := &Kept{class: m.mix.class, outages: m.mix.outages, stops: m.mix.stops, cap: m.mix.cap}
	var used [patterns]bool
	places := make([]uint8, 0, patterns+members)
	for i, w := range m.mix.weights {
		used[memberKinds[i].pattern] = used[memberKinds[i].pattern] || w != 0
	}
	for i, u := range used {
		if u {
			places = append(places, uint8(i))
		}
	}
	n := len(places)
	for i, w := range m.mix.weights {
		if w != 0 {
			places = append(places, uint8(i))
		}
	}
	places = append(make([]uint8, 0, len(places)), places...)
	k.patterns, k.members = places[:n:n], places[n:]
	t := tape{figures: make([]float32, 0, n*patternFigures+len(k.members)*memberFigures), writing: true}
	t.mixture(k, &m.mix)
	k.figures = t.figures
	return k
}

// KeepWeek keeps what [Kept.LastWeek] needs as well.
func (m *Model) KeepWeek() *Kept {
	k := m.Keep()
	if m.rung == RungMixture {
		week := m.mix.week
		k.week = &week
	}
	return k
}

// LastWeek is [Model.LastWeek] of the model that was kept by KeepWeek.
func (k *Kept) LastWeek(future []config.DayType, firstShare float64, scales ...float32) depletion.Curve {
	if k.week == nil {
		return depletion.Curve{}
	}
	m := Model{rung: RungMixture, mix: mixture{week: *k.week}}
	return m.LastWeek(future, firstShare, scales...)
}

// Forecast is [Model.Forecast] of the model that was kept.
func (k *Kept) Forecast(future []config.DayType, firstShare float64, scales ...float32) depletion.Mixture {
	if k.model != nil {
		return k.model.Forecast(future, firstShare, scales...)
	}
	m := Model{rung: RungMixture, mix: mixture{class: k.class, outages: k.outages, stops: k.stops, cap: k.cap}}
	t := tape{figures: k.figures}
	t.mixture(k, &m.mix)
	return m.Forecast(future, firstShare, scales...)
}

// How many figures there are of a pattern and of a member.
const (
	patternFigures = 1 + 3*int(config.DayTypes)
	memberFigures  = 7
)

// tape writes or reads figures, so that their order stands in one place.
type tape struct {
	figures []float32
	writing bool
}

func (t *tape) mixture(k *Kept, m *mixture) {
	for _, i := range k.patterns {
		p := &m.patterns[i]
		t.figure(&p.mean)
		for _, list := range [...]*[config.DayTypes]float64{&p.h, &p.g, &p.err} {
			for j := range list {
				t.figure(&list[j])
			}
		}
	}
	for _, i := range k.members {
		l := &m.levels[i]
		for _, x := range [memberFigures]*float64{&m.weights[i], &l.mu, &l.x, &l.pmm, &l.pmx, &l.pxx, &l.s2} {
			t.figure(x)
		}
	}
}

func (t *tape) figure(x *float64) {
	if t.writing {
		t.figures = append(t.figures, float32(*x))
		return
	}
	*x, t.figures = float64(t.figures[0]), t.figures[1:]
}
