package simulate

import (
	"fmt"
	"time"

	"dwindle/config"
	"dwindle/config/civil"
)

// calendar plans holidays, shutdowns and visit rounds. It leaves a preliminary
// site behind that answers calendar questions until register completes it.
func (p *Plant) calendar() {
	r := p.stream("calendar")
	s := &config.Site{ID: siteID, Name: siteName, Zone: zone}
	for _, a := range areas {
		if p.hasArea(a.id) {
			s.Areas = append(s.Areas, config.Area{ID: a.id, Name: a.name})
		}
	}
	for i := range p.machines {
		m := &p.machines[i]
		s.Machines = append(s.Machines, config.Machine{ID: m.id, Name: m.name, Area: areas[m.area].id, Criticality: m.criticality})
	}
	last := p.first + civil.Date(p.days)
	for year := p.start.In(p.loc).Year(); year <= last.Start(p.loc).Year()+1; year++ {
		for _, h := range [...]struct {
			month time.Month
			day   int
			name  string
		}{{1, 1, "New Year's Day"}, {5, 1, "Labour Day"}, {6, 19, "River festival"}, {10, 3, "Harvest thanksgiving"}, {12, 25, "Winter holiday"}, {12, 26, "Winter holiday"}} {
			s.Calendar.Holidays = append(s.Calendar.Holidays, config.Holiday{Date: civil.New(year, h.month, h.day), Name: h.name})
		}
	}
	today := p.first + civil.Date(p.opt.Days)
	past := p.first + civil.Date(float64(p.opt.Days)*uniform(r, 0.35, 0.6))
	coming := today + civil.Date(10+r.IntN(20))
	pastArea, comingArea := s.Areas[r.IntN(len(s.Areas))], s.Areas[r.IntN(len(s.Areas))]
	s.Calendar.Shutdowns = []config.Shutdown{
		{From: past, To: past + civil.Date(6+r.IntN(5)), Name: pastArea.Name + " overhaul", Areas: []string{pastArea.ID}},
		{From: coming, To: coming + civil.Date(6+r.IntN(7)), Name: comingArea.Name + " works", Areas: []string{comingArea.ID}},
	}
	for i, a := range areas {
		if !p.hasArea(a.id) {
			continue
		}
		first := p.first + civil.Date(r.IntN(7*a.weeks))
		for first.Weekday() != time.Weekday(1+i%4) { // Monday to Thursday
			first++
		}
		s.Calendar.Rounds = append(s.Calendar.Rounds, config.Round{
			ID: "round-" + a.id, Name: fmt.Sprintf("%s round, every %d weeks", a.name, a.weeks),
			Areas: []string{a.id}, First: first, EveryWeeks: a.weeks,
		})
	}
	p.site = s
	_ = s.Reindex() // fails only where the zone is unknown; New has its fall-back
}

func (p *Plant) hasArea(id string) bool {
	for i := range p.machines {
		if areas[p.machines[i].area].id == id {
			return true
		}
	}
	return false
}
