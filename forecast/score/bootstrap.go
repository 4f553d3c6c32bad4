package score

import (
	"math"
	"slices"

	"dwindle/config"
	"dwindle/forecast/virtual"
)

// bootstrap replays whole weeks of history, drawn with replacement and kept
// aligned on the weekday, until the budget is used up, 400 times (block
// bootstrap; Kuensch, The jackknife and the bootstrap for general stationary
// observations, 1989). Days not seen and past shutdowns are filled with the
// mean of their weekday; shutdowns ahead have no duty. The law is that of the
// 400 times.
type bootstrap struct{}

const replays = 400

func (bootstrap) Name() string { return "bootstrap" }

func (bootstrap) Fit(p Past) func(float64) Law {
	weeks := wholeWeeks(p)
	sums := make([]float64, len(weeks))
	for i, w := range weeks {
		for _, v := range w {
			sums[i] += v
		}
	}
	// open[i] says that no shutdown falls into the week from day i ahead.
	open := make([]bool, len(p.Ahead))
	run := 0
	for i := len(p.Ahead) - 1; i >= 0; i-- {
		run++
		if p.Ahead[i] == config.ShutdownType {
			run = 0
		}
		open[i] = run >= 7
	}
	return func(budget float64) Law {
		times := make([]float64, replays)
		for i := range times {
			times[i] = replay(p, weeks, sums, open, budget)
		}
		slices.Sort(times)
		return sample(times)
	}
}

// wholeWeeks cuts history into weeks that end yesterday.
func wholeWeeks(p Past) [][7]float64 {
	n := len(p.Days)
	var sum, count [7]float64
	for i, d := range p.Days {
		if trains(d) {
			slot := ((i-n)%7 + 7) % 7
			sum[slot] += d.Amount / math.Min(1, d.Seen)
			count[slot]++
		}
	}
	fill := virtual.MeanSeen(p.Days)
	weeks := make([][7]float64, max(1, n/7))
	for w := range weeks {
		for slot := range weeks[w] {
			at := n - 7*(w+1) + slot
			switch {
			case at >= 0 && trains(p.Days[at]):
				weeks[w][slot] = p.Days[at].Amount / math.Min(1, p.Days[at].Seen)
			case count[slot] > 0:
				weeks[w][slot] = sum[slot] / count[slot]
			default:
				weeks[w][slot] = fill
			}
		}
	}
	return weeks
}

func replay(p Past, weeks [][7]float64, sums []float64, open []bool, budget float64) float64 {
	for day := 0; day < len(p.Ahead); day += 7 {
		w := p.Random.IntN(len(weeks))
		if open[day] && sums[w] < budget {
			budget -= sums[w]
			continue
		}
		for slot, v := range weeks[w] {
			if day+slot >= len(p.Ahead) {
				break
			}
			if p.Ahead[day+slot] == config.ShutdownType {
				continue
			}
			if v >= budget && v > 0 {
				return float64(day+slot) + budget/v
			}
			budget -= v
		}
	}
	return math.Inf(1)
}
