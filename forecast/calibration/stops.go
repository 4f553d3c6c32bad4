package calibration

import (
	"dwindle/config/civil"
	"dwindle/forecast/duty"
)

// stopCount is what one series had shown of its stops by a day.
type stopCount struct {
	at    civil.Date
	class duty.Class
	duty.StopRecord
}

// stopHistory is what a fleet knew of its stops, renewed every renewal days.
type stopHistory struct {
	first civil.Date
	known [][duty.Classes]duty.StopPrior
}

const (
	renewal = 28
	// priorSeries is as how many series with the stops that are taken without
	// a fleet the first ones count (a proposal).
	priorSeries = 4
)

// sumStops adds up the newest counts of all series at each renewal.
func sumStops(seen [][]stopCount) stopHistory {
	var h stopHistory
	var last civil.Date
	for _, list := range seen {
		for _, c := range list {
			if h.first == 0 || c.at < h.first {
				h.first = c.at
			}
			last = max(last, c.at)
		}
	}
	if h.first == 0 {
		return h
	}
	next := make([]int, len(seen))
	for at := h.first; at < last+renewal; at += renewal {
		var begun, lost, running [duty.Classes]float64
		for i, list := range seen {
			for next[i] < len(list) && list[next[i]].at <= at {
				next[i]++
			}
			if next[i] > 0 {
				c := list[next[i]-1]
				begun[c.class] += c.Begun
				lost[c.class] += c.Lost
				running[c.class] += c.Running
			}
		}
		var known [duty.Classes]duty.StopPrior
		for class := range known {
			// A fleet's rate counts as long as the one without a fleet, so
			// that a machine's own stops soon outweigh it.
			p := duty.BuiltinStops
			rate := (begun[class] + priorSeries*p.Begun) / (running[class] + priorSeries*p.Exposure)
			extra := max(0, lost[class]-duty.LeastStop*begun[class])
			p.Begun = rate * p.Exposure
			// The mean of the law of lengths is Extra/(Ended-1).
			p.Extra = (extra + priorSeries*p.Extra) / (begun[class] + priorSeries) * (p.Ended - 1)
			known[class] = p
		}
		h.known = append(h.known, known)
	}
	return h
}

// at is what was known at the start of a day: nothing before the first counts.
func (h *stopHistory) at(day civil.Date) [duty.Classes]duty.StopPrior {
	if len(h.known) == 0 || day < h.first {
		return [duty.Classes]duty.StopPrior{}
	}
	return h.known[min(int(day-h.first)/renewal, len(h.known)-1)]
}
