package duty

import (
	"dwindle/config"
	"dwindle/forecast/depletion"
)

// Kept is what a forecast needs of a model, for those who keep one for each of a
// large fleet: on the mixture rung less than half of the model, since members
// without weight are left out. Make one with [Model.Keep].
type Kept struct {
	model *Model // of the other rungs, nil on the mixture rung

	class    Class
	outages  outages
	cap      float64
	patterns []keptPattern
	members  []keptMember
}

type keptPattern struct {
	place uint8
	pattern
}

type keptMember struct {
	place  uint8
	weight float64
	level
}

// Keep gives what [Model.Forecast] needs.
func (m *Model) Keep() *Kept {
	if m.rung != RungMixture {
		whole := *m
		return &Kept{model: &whole}
	}
	k := &Kept{class: m.mix.class, outages: m.mix.outages, cap: m.mix.cap}
	n := 0
	var used [patterns]bool
	for i, w := range m.mix.weights {
		if w != 0 {
			n++
			used[memberKinds[i].pattern] = true
		}
	}
	k.members = make([]keptMember, 0, n)
	for i, w := range m.mix.weights {
		if w != 0 {
			k.members = append(k.members, keptMember{uint8(i), w, m.mix.levels[i]})
		}
	}
	n = 0
	for _, u := range used {
		if u {
			n++
		}
	}
	k.patterns = make([]keptPattern, 0, n)
	for i, u := range used {
		if u {
			k.patterns = append(k.patterns, keptPattern{uint8(i), m.mix.patterns[i]})
		}
	}
	return k
}

// Forecast is [Model.Forecast] of the model that was kept, bit for bit.
func (k *Kept) Forecast(future []config.DayType, firstShare float64) depletion.Mixture {
	if k.model != nil {
		return k.model.Forecast(future, firstShare)
	}
	m := Model{rung: RungMixture, mix: mixture{class: k.class, outages: k.outages, cap: k.cap}}
	for i := range k.patterns {
		m.mix.patterns[k.patterns[i].place] = k.patterns[i].pattern
	}
	for i := range k.members {
		m.mix.levels[k.members[i].place] = k.members[i].level
		m.mix.weights[k.members[i].place] = k.members[i].weight
	}
	return m.Forecast(future, firstShare)
}
