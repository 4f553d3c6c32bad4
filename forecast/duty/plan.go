package duty

import (
	"fmt"
	"math"

	"dwindle/config"
)

// What the plan rung states about itself. A plan says nothing about which days
// are used, so the duty is spread over all seven and a single day may well be
// off by its own size; and planned hours are often off by a quarter (common
// practice; no source).
const (
	planDaySD   = 0.7  // sd of a day relative to the mean day
	planLevelSD = 0.25 // relative sd of the planned level
	planDF      = 10   // heavy tails: both figures are guesses
)

// fitPlan takes the plan for the truth about the level with an sd of
// planLevelSD, and few days for evidence about it: the two sds make the plan
// worth planDaySD^2/planLevelSD^2 = 8 days.
func (m *Model) fitPlan(s *sums, perWeek float64) {
	m.rung = RungPlan
	day := perWeek / 7
	if m.maxPerDay > 0 {
		day = math.Min(day, m.maxPerDay)
	}
	var w, y float64
	for g := range groups {
		gw, gy := s.group(g)
		w, y = w+gw, y+gy
	}
	prior := planDaySD * planDaySD / (planLevelSD * planLevelSD)
	mean := (prior*day + y) / (prior + w)
	// A plan of nothing is no scale to judge by: let the data set it.
	scale := math.Max(mean, day)
	for t := range config.ShutdownType {
		m.mean[t] = mean
		m.noise[t] = planDaySD * planDaySD * scale * scale
		m.own[t] = 1
	}
	if mean > 0 {
		m.level = planDaySD * planDaySD / (prior + w) * scale * scale / (mean * mean)
	}
	m.df = planDF + s.seen
	if mean == 0 {
		m.notice = "the plan expects no use and none was seen"
	}
}

// comparePlan words a disagreement of more than a quarter between the plan and
// the last four weeks of ordinary days; the history stands.
func comparePlan(recent *window, perWeek float64) string {
	const days, tolerance = 28, 0.25
	var seen, amount float64
	for i := recent.n - 1; i >= 0 && seen < days; i-- {
		seen, amount = seen+float64(recent.seen[i]), amount+recent.amount[i]
	}
	if seen < days-0.5 {
		return ""
	}
	actual := 7 * amount / seen
	if math.Abs(actual-perWeek) <= tolerance*perWeek {
		return ""
	}
	word := "more"
	if actual < perWeek {
		word = "less"
	}
	return fmt.Sprintf("used %s than planned: %.3g per week over the last four weeks, plan %.3g; the forecast follows what was used", word, actual, perWeek)
}

func tooFew(seen float64, shutdown int) string {
	if seen == 0 && shutdown > 0 {
		return "every day seen so far was a planned shutdown and the plan states no expected duty"
	}
	return fmt.Sprintf("only %.3g days of use seen, %d are needed, and the plan states no expected duty", seen, MinDays)
}

func noUse(seen float64) string {
	return fmt.Sprintf("no use seen in the last %.3g observed days", seen)
}
