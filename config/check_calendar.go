package config

import (
	"fmt"
	"slices"

	"dwindle/config/civil"
)

func (c *checker) calendar() {
	seen := map[civil.Date]int{}
	for i, h := range c.s.Calendar.Holidays {
		at := indexed("calendar.holidays", i)
		if h.Date.IsZero() {
			c.missing(at, "without date", "the day, such as 2026-12-25")
			continue
		}
		if j, taken := seen[h.Date]; taken {
			c.fault(at+".date", fmt.Sprintf("%s is a holiday already on line %d", h.Date, c.at(indexed("calendar.holidays", j)+".date")), "keep one of the two")
		}
		seen[h.Date] = i
	}
	for i, d := range c.s.Calendar.Shutdowns {
		at := indexed("calendar.shutdowns", i)
		switch {
		case d.From.IsZero() || d.To.IsZero():
			c.missing(at, "a shutdown wants from and to", "its first and its last day; for one day give it twice")
		case d.From > d.To:
			c.fault(at+".from", fmt.Sprintf("from %s is after to %s", d.From, d.To), "swap the two")
		}
		c.allKnown(c.ids.areas, at+".areas", d.Areas)
		c.allKnown(c.ids.machines, at+".machines", d.Machines)
	}
	c.workPatterns()
	for i := range c.s.Calendar.Rounds {
		c.round(&c.s.Calendar.Rounds[i], indexed("calendar.rounds", i))
	}
}

func (c *checker) workPatterns() {
	list := c.s.Calendar.WorkPatterns
	for i := range list {
		w, at := &list[i], indexed("calendar.work_patterns", i)
		if w.Name == "" {
			c.missing(at, "a work pattern wants a name", "what people call it, such as harvest; the same name each time it comes again")
		}
		switch {
		case w.From.IsZero() || w.To.IsZero():
			c.missing(at, "a work pattern wants from and to", "its first and its last day; for one day give it twice")
		case w.From > w.To:
			c.fault(at+".from", fmt.Sprintf("from %s is after to %s", w.From, w.To), "swap the two")
		}
		switch {
		case w.Load == 0 && w.HoursPerWeek == 0:
			c.missing(at, "neither load nor hours_per_week", "load, such as 1.6 for 60 % more than usual, or hours_per_week")
		case w.Load != 0 && w.HoursPerWeek != 0:
			c.fault(at+".hours_per_week", "both load and hours_per_week", "keep one of the two")
		case w.HoursPerWeek != 0:
			c.patternHours(w, at)
		}
		c.allKnown(c.ids.areas, at+".areas", w.Areas)
		c.allKnown(c.ids.machines, at+".machines", w.Machines)
		for j := range i {
			c.patternsApart(&list[j], w, indexed("calendar.work_patterns", j), at)
		}
	}
}

// patternHours reports the first machine whose ordinary hours are not known or
// do not go with a pattern's.
func (c *checker) patternHours(w *WorkPattern, at string) {
	ordinary, used := ordinaryHours(c.s.Points), map[string]bool{}
	for i := range c.s.Points {
		used[c.s.Points[i].Machine] = true
	}
	for i := range c.s.Machines {
		m := &c.s.Machines[i]
		if !used[m.ID] || !covers(w.Areas, w.Machines, m.ID, m.Area) {
			continue
		}
		if !m.HasRunSignal() && !slices.Contains(w.Machines, m.ID) {
			continue // it has no hours that could differ
		}
		switch h := ordinary[m.ID]; {
		case h == 0:
			c.fault(at+".hours_per_week", fmt.Sprintf("what is ordinary for machine %s is not known: the plans of its points state no hours_per_week, or different ones", m.ID), "load instead, or the same hours_per_week in all its plans")
			return
		case w.HoursPerWeek > maxLoad*h:
			c.fault(at+".hours_per_week", fmt.Sprintf("%s is more than %d times the %s of machine %s by plan", number(w.HoursPerWeek), maxLoad, number(h), m.ID), "put the one right that is wrong")
			return
		case w.HoursPerWeek < minLoad*h:
			c.fault(at+".hours_per_week", fmt.Sprintf("%s is next to nothing of the %s of machine %s by plan", number(w.HoursPerWeek), number(h), m.ID), "a planned shutdown instead")
			return
		}
	}
}

// patternsApart reports two patterns of one machine on one day.
func (c *checker) patternsApart(a, b *WorkPattern, first, at string) {
	from, to := max(a.From, b.From), min(a.To, b.To)
	if from > to || a.From.IsZero() || b.From.IsZero() {
		return
	}
	for i := range c.s.Machines {
		m := &c.s.Machines[i]
		if covers(a.Areas, a.Machines, m.ID, m.Area) && covers(b.Areas, b.Machines, m.ID, m.Area) {
			c.fault(at+".from", fmt.Sprintf("machine %s has another work pattern, on line %d, from %s to %s", m.ID, c.at(first), from, to), "end one before the other begins, or name other machines")
			return
		}
	}
}

func (c *checker) round(r *Round, at string) {
	c.allKnown(c.ids.areas, at+".areas", r.Areas)
	repeated := !r.First.IsZero() || r.EveryWeeks > 0
	switch {
	case repeated && len(r.Dates) > 0:
		c.fault(at, "both a repetition and listed dates", "keep first with every_weeks, or dates")
	case !repeated && len(r.Dates) == 0:
		c.missing(at, "a round without a date", "give first and every_weeks, or a list of dates")
	case repeated && r.EveryWeeks == 0:
		c.missing(at, "first without every_weeks", "after how many weeks the round comes again; for a single visit give dates")
	case repeated && r.First.IsZero():
		c.missing(at, "every_weeks without first", "the date of the first visit")
	}
	for j, d := range r.Dates {
		if j > 0 && d <= r.Dates[j-1] && !d.IsZero() {
			c.fault(indexed(at+".dates", j), fmt.Sprintf("%s is not after %s before it", d, r.Dates[j-1]), "each date once, the earliest first")
		}
	}
}

func (c *checker) allKnown(set *ids, path string, refs []string) {
	for j, id := range refs {
		c.has(set, indexed(path, j), id)
	}
	c.unique(path, refs)
}

func (c *checker) limits() {
	l := &c.s.Limits
	c.ordered("under_ratio", l.UnderRatio, "under_ratio_clear", l.UnderRatioClear, "an alarm must set before it can clear")
	c.ordered("over_ratio_clear", l.OverRatioClear, "over_ratio", l.OverRatio, "an alarm must set before it can clear")
	c.ordered("not_dispensing_ratio", l.NotDispensingRatio, "under_ratio", l.UnderRatio, "not dispensing is the worse of the two")
	c.ordered("setting_percent", l.SettingPercent, "setting_medium_percent", l.SettingMediumPercent, "the second is the worse of the two")
	if l.EmptyChanceCriticalA > l.EmptyChance {
		c.disorder("empty_chance_critical_a", "empty_chance", fmt.Sprintf("empty_chance_critical_a %s is above empty_chance %s", number(l.EmptyChanceCriticalA), number(l.EmptyChance)), "critical machines alarm no later than others")
	}
}

// ordered reports two limits that are not in ascending order.
func (c *checker) ordered(lowKey string, low float64, highKey string, high float64, why string) {
	if low >= high {
		c.disorder(lowKey, highKey, fmt.Sprintf("%s %s is not below %s %s", lowKey, number(low), highKey, number(high)), why)
	}
}

// disorder reports at the key that was given; the other may be a default.
func (c *checker) disorder(a, b, what, why string) {
	path := "limits." + a
	if c.places[path] == 0 {
		path = "limits." + b
	}
	if c.faulted["limits."+a] || c.faulted["limits."+b] {
		return
	}
	c.fault(path, what, "change one of them: "+why)
}

func (c *checker) roles() {
	owner := map[string]string{}
	for i, r := range c.s.Roles {
		at := indexed("roles", i)
		for j, a := range r.Alarms {
			path := indexed(at+".alarms", j)
			if first, taken := owner[a]; taken {
				c.fault(path, fmt.Sprintf("alarm %s is owned already on line %d", a, c.at(first)), "name each alarm with one role only: who owns it must be beyond doubt")
				continue
			}
			owner[a] = path
		}
	}
}
