package config

import (
	"slices"
	"time"

	"dwindle/config/civil"
)

// DayType classes the days of a machine's calendar. Days of one type are
// expected to have like duty.
type DayType uint8

// The day types: the seven weekdays, then the days on which weekdays do not
// count.
const (
	Monday DayType = iota
	Tuesday
	Wednesday
	Thursday
	Friday
	Saturday
	Sunday
	HolidayType
	ShutdownType
	DayTypes // how many there are
)

// DayType classes a date for a machine: planned shutdown before holiday before
// weekday. An unknown machine has the site-wide calendar.
func (s *Site) DayType(machine string, date civil.Date) DayType {
	if s.Shutdown(machine, date) != nil {
		return ShutdownType
	}
	for i := range s.Calendar.Holidays {
		if s.Calendar.Holidays[i].Date == date {
			return HolidayType
		}
	}
	return DayType((int(date.Weekday()) + 6) % 7)
}

// Shutdown finds the planned shutdown that stops a machine on a date, or nil.
func (s *Site) Shutdown(machine string, date civil.Date) *Shutdown {
	for i := range s.Calendar.Shutdowns {
		d := &s.Calendar.Shutdowns[i]
		if date >= d.From && date <= d.To && s.Stops(d, machine) {
			return d
		}
	}
	return nil
}

// Stops says that a planned shutdown stops a machine.
func (s *Site) Stops(d *Shutdown, machine string) bool {
	return covers(d.Areas, d.Machines, machine, area(s.Machine(machine)))
}

// covers says that an entry of the calendar for some areas and machines, or
// for the whole site, is for a machine.
func covers(areas, machines []string, machine, area string) bool {
	return len(areas) == 0 && len(machines) == 0 || slices.Contains(machines, machine) || slices.Contains(areas, area)
}

// WorkPattern finds the work pattern of a machine on a date, or nil. On
// holidays and planned shutdowns there is none.
func (s *Site) WorkPattern(machine string, date civil.Date) *WorkPattern {
	if len(s.Calendar.WorkPatterns) == 0 || s.DayType(machine, date) > Sunday {
		return nil
	}
	for i := range s.Calendar.WorkPatterns {
		w := &s.Calendar.WorkPatterns[i]
		if date >= w.From && date <= w.To && s.Changes(w, machine) {
			return w
		}
	}
	return nil
}

// Changes says that a work pattern is one of a machine.
func (s *Site) Changes(w *WorkPattern, machine string) bool {
	return covers(w.Areas, w.Machines, machine, area(s.Machine(machine)))
}

// LoadIn is the use of a machine in a work pattern as a multiple of its
// ordinary use: 1 where the pattern gives hours and no plan says what is
// ordinary.
func (s *Site) LoadIn(w *WorkPattern, machine string) float64 {
	if w.Load > 0 {
		return w.Load
	}
	if ordinary := s.index.hours[machine]; ordinary > 0 && w.HoursPerWeek > 0 {
		return w.HoursPerWeek / ordinary
	}
	return 1
}

// Load is the use of a machine on a date as a multiple of what is ordinary for
// its type of day, by the work patterns: 1 without any.
func (s *Site) Load(machine string, date civil.Date) float64 {
	if w := s.WorkPattern(machine, date); w != nil {
		return s.LoadIn(w, machine)
	}
	return 1
}

// ordinaryHours gives, by machine, the hours_per_week that the plans of its
// points state; 0 where they disagree.
func ordinaryHours(points []Point) map[string]float64 {
	out := map[string]float64{}
	for i := range points {
		p := &points[i]
		if p.Plan.HoursPerWeek <= 0 {
			continue
		}
		if h, known := out[p.Machine]; known && h != p.Plan.HoursPerWeek {
			out[p.Machine] = 0
			continue
		}
		out[p.Machine] = p.Plan.HoursPerWeek
	}
	return out
}

// area is where a machine stands, empty if it is not in the register.
func area(m *Machine) string {
	if m == nil {
		return ""
	}
	return m.Area
}

// Visit is one planned visit of a round.
type Visit struct {
	Date  civil.Date
	Round *Round
}

// NextVisit finds the first planned visit of an area on or after a date. ok is
// false when no round goes there any more.
func (s *Site) NextVisit(area string, from civil.Date) (v Visit, ok bool) {
	for i := range s.Calendar.Rounds {
		r := &s.Calendar.Rounds[i]
		if len(r.Areas) > 0 && !slices.Contains(r.Areas, area) {
			continue
		}
		for _, d := range r.next(from) {
			if !ok || d < v.Date {
				v, ok = Visit{Date: d, Round: r}, true
			}
		}
	}
	return v, ok
}

// next gives the round's candidates for the first date on or after from.
func (r *Round) next(from civil.Date) []civil.Date {
	var out []civil.Date
	for _, d := range r.Dates {
		if d >= from {
			out = append(out, d)
		}
	}
	if r.EveryWeeks > 0 && !r.First.IsZero() {
		d, step := r.First, civil.Date(7*r.EveryWeeks)
		if d < from {
			d += (from - d + step - 1) / step * step
		}
		out = append(out, d)
	}
	return out
}

// SettingAt is the register's setting in force at an instant: the last one
// whose valid_from has begun in the site's zone. ok is false before the first.
func (s *Site) SettingAt(dispenser string, at time.Time) (Setting, bool) {
	d := s.Dispenser(dispenser)
	if d == nil {
		return Setting{}, false
	}
	var out Setting
	found := false
	for _, set := range d.Settings {
		if !set.ValidFrom.Start(s.Location()).After(at) && (!found || set.ValidFrom >= out.ValidFrom) {
			out, found = set, true
		}
	}
	return out, found
}

// EvidenceOf gives what a channel kind ("level" or "dose") of a dispenser
// rests on, and its declaration if there is one. Undeclared levels count as
// measured, undeclared doses as counted.
func (d *Dispenser) EvidenceOf(kind string) (Evidence, ChannelInfo) {
	for _, c := range d.Channels {
		if c.Kind != kind {
			continue
		}
		if c.Evidence != "" {
			return c.Evidence, c
		}
		if kind == "level" {
			return EvidenceMeasured, c
		}
		return EvidenceCounted, c
	}
	if kind == "level" {
		return EvidenceMeasured, ChannelInfo{Kind: kind}
	}
	return EvidenceCounted, ChannelInfo{Kind: kind}
}
