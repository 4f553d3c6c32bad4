package score

import (
	"math"

	"dwindle/config"
	"dwindle/forecast/duty"
)

// profile is the fixed yardstick of day types that the baselines stand on:
// discounted means, shrunk towards the group's mean by 3 pseudo-days, and
// variance ratios, pooled by group with 5. It is kept apart from package duty
// so that the yardstick does not move when our model does.
type profile struct {
	mean  float64                  // duty per day over an ordinary week
	shape [config.DayTypes]float64 // a type's duty over mean
	g     [config.DayTypes]float64 // a type's variance over s2
	s2    float64
	n     float64                  // days used, undiscounted
	count [config.DayTypes]float64 // the same by type
}

const (
	profileDiscount = 0.995
	profileShrink   = 3
	profilePool     = 5
	profileFloor    = 0.02
)

func weekendGroup(t config.DayType) int {
	if t >= config.Saturday {
		return 1
	}
	return 0
}

func trains(d duty.Day) bool {
	return d.Seen > 0.02 && d.Type < config.ShutdownType
}

func newProfile(days []duty.Day) profile {
	var p profile
	var w, y [config.DayTypes]float64
	var gw, gy [2]float64
	each := func(f func(t config.DayType, amount, age float64)) {
		age := 1.0
		for i := len(days) - 1; i >= 0; i-- {
			if trains(days[i]) {
				f(days[i].Type, days[i].Amount/math.Min(1, days[i].Seen), age)
			}
			age *= profileDiscount
		}
	}
	each(func(t config.DayType, amount, age float64) {
		w[t] += age
		y[t] += age * amount
		gw[weekendGroup(t)] += age
		gy[weekendGroup(t)] += age * amount
		p.count[t]++
		p.n++
	})
	overall := (gy[0] + gy[1]) / (gw[0] + gw[1])
	var mean [config.DayTypes]float64
	for t := range config.ShutdownType {
		group := overall
		if g := weekendGroup(t); gw[g] > 0 {
			group = gy[g] / gw[g]
		}
		mean[t] = (y[t] + profileShrink*group) / (w[t] + profileShrink)
	}
	if p.count[config.HolidayType] == 0 {
		mean[config.HolidayType] = mean[config.Sunday]
	}
	for t := config.Monday; t <= config.Sunday; t++ {
		p.mean += mean[t] / 7
	}
	if p.mean <= 0 {
		p.mean = overall
	}
	for t := range config.ShutdownType {
		p.shape[t] = mean[t] / p.mean
	}
	var ss [config.DayTypes]float64
	var gs [2]float64
	each(func(t config.DayType, amount, age float64) {
		r := age * (amount - mean[t]) * (amount - mean[t])
		ss[t] += r
		gs[weekendGroup(t)] += r
	})
	p.s2 = (gs[0] + gs[1]) / (gw[0] + gw[1])
	for t := range config.ShutdownType {
		group := p.s2
		if g := weekendGroup(t); gw[g] > 0 {
			group = gs[g] / gw[g]
		}
		p.g[t] = profileFloor
		if p.s2 > 0 {
			p.g[t] = math.Max(profileFloor, (ss[t]+profilePool*group)/(w[t]+profilePool)/p.s2)
		}
	}
	return p
}

// uncertainty tracks, over the days ahead, what single days and the profile
// itself add to the variance, in units of s2.
type uncertainty struct {
	count [config.DayTypes]float64
	days  float64
}

func (u *uncertainty) add(p *profile, t config.DayType) (shape float64) {
	if t >= config.ShutdownType {
		return 0
	}
	u.count[t]++
	u.days += p.g[t]
	return p.shape[t]
}

// profile is the sum over types of (count - mean count)^2 g / (n + 3).
func (u *uncertainty) profile(p *profile) float64 {
	mean := 0.0
	for t := config.Monday; t <= config.Sunday; t++ {
		mean += u.count[t] / 7
	}
	v := 0.0
	for t := config.Monday; t <= config.Sunday; t++ {
		d := u.count[t] - mean
		v += d * d * p.g[t] / (p.count[t] + profileShrink)
	}
	return v
}
