package simulate

import (
	"math"
	"time"

	"dwindle/config"
	"dwindle/config/civil"
)

// strokeCM3 is the volume of one stroke of the plant's run-paced dispensers.
const strokeCM3 = 0.1

// Noise of the plant's level sensors beside their step, and of a new fill.
const (
	levelSDPercent = 0.4
	fillSDPercent  = 1.5
)

var reservoirs = [...]config.Reservoir{
	{ID: "res-60", Name: "Reservoir 60 cm3", Item: "GT-R-0060", NominalCM3: 60, UsableCM3: 57, FillSDPercent: fillSDPercent, TareG: 41, MaxStayMonths: 12},
	{ID: "res-125", Name: "Reservoir 125 cm3", Item: "GT-R-0125", NominalCM3: 125, UsableCM3: 120, FillSDPercent: fillSDPercent, TareG: 68, MaxStayMonths: 12},
	{ID: "res-250", Name: "Reservoir 250 cm3", Item: "GT-R-0250", NominalCM3: 250, UsableCM3: 240, FillSDPercent: fillSDPercent, TareG: 105, MaxStayMonths: 12},
}

var allReservoirs = []string{"res-60", "res-125", "res-250"}

var pulseSteps = [...]float64{0.1, 0.2, 0.3, 0.5, 1}

// modelOf names the dispenser model of each class.
var modelOf = [...]string{
	gauge: "run-gauge", gaugeCount: "run-gauge-count", pulseGauge: "pulse-gauge", strokes: "run-count",
	pulseCount: "pulse-count", flow: "run-flow", bare: "run-plain",
}

func models() []config.DispenserModel {
	run := func(id, name string, stroke float64) config.DispenserModel {
		return config.DispenserModel{
			ID: id, Name: name, Pacing: []config.Pacing{config.PacingRun}, CM3PerStroke: stroke, StrokeSDPercent: 10,
			RunRangeCM3Per100h: &config.Range{From: 0.1, To: 40, Step: 0.1}, Reservoirs: allReservoirs,
		}
	}
	pulse := func(id, name string) config.DispenserModel {
		return config.DispenserModel{
			ID: id, Name: name, Pacing: []config.Pacing{config.PacingPulse}, StrokeSDPercent: 10,
			PulseStepsCM3: pulseSteps[:], Reservoirs: allReservoirs,
		}
	}
	return []config.DispenserModel{
		run("run-gauge", "Run-paced, level gauge, tells its setting", 0),
		run("run-gauge-count", "Run-paced, level gauge and stroke counter", strokeCM3),
		run("run-count", "Run-paced, stroke counter", strokeCM3),
		run("run-flow", "Run-paced, flow sensor", 0),
		run("run-plain", "Run-paced, no sensor", 0),
		pulse("pulse-gauge", "Pulse-paced, level gauge, tells its setting"),
		pulse("pulse-count", "Pulse-paced, display counts pulses left"),
	}
}

// register completes the site.
func (p *Plant) register() {
	s := p.site
	s.Data = "data"
	lowest := -20.0
	s.Lubricants = []config.Lubricant{
		{ID: "grease-ep2", Name: "Bearing grease, extreme pressure", Designation: "KP2K-20", DensityGPerCM3: 0.91, LowestTempC: &lowest, ShelfLifeMonths: 60, SafetyNote: "Wear gloves; wipe up spills, they are slippery."},
		{ID: "grease-food2", Name: "Bearing grease for product contact zones", Designation: "KPF2K-20", DensityGPerCM3: 0.93, LowestTempC: &lowest, ShelfLifeMonths: 36, SafetyNote: "Do not mix with other greases."},
	}
	s.Reservoirs = append([]config.Reservoir(nil), reservoirs[:]...)
	s.Models = models()
	for i := range p.machines {
		m := &p.machines[i]
		every := p.opt.ReportEvery
		s.Machines[i].Every = every
		if m.use == noRun {
			no := false
			s.Machines[i].RunSignal, s.Machines[i].Every = &no, 0
		}
	}
	for i := range p.gateways {
		g := &p.gateways[i]
		out := config.Gateway{ID: g.id, Name: g.name, Area: areas[g.area].id}
		for j := range p.machines {
			if p.machines[j].gateway == i && p.machines[j].use != noRun {
				out.Machines = append(out.Machines, p.machines[j].id)
			}
		}
		for j := range p.points {
			if p.gatewayOf(&p.points[j]) == i {
				out.Dispensers = append(out.Dispensers, p.points[j].dispenser)
			}
		}
		s.Gateways = append(s.Gateways, out)
	}
	for i := range p.points {
		p.registerPoint(s, i)
	}
	s.Roles = []config.Role{
		{ID: "technician", Name: "Lubrication technician"},
		{ID: "reliability", Name: "Reliability engineer"},
		{ID: "gateway_owner", Name: "Owner of the gateways"},
	}
	s.Connections = config.Connections{Prefix: p.opt.Prefix, Embedded: &config.Embedded{Listen: "127.0.0.1:1883"}, Board: &config.Listener{Listen: "127.0.0.1:8080"}}
	_ = s.Reindex() // as in calendar
}

func (p *Plant) registerPoint(s *config.Site, i int) {
	pt := &p.points[i]
	m := &p.machines[pt.machine]
	plan := config.Plan{TolerancePercent: 15, Source: "common practice for this site's bearings, made up"}
	set := config.Setting{ValidFrom: p.first - 30, Pacing: config.PacingRun}
	switch {
	case m.use == noRun:
		plan.DoseCM3PerDay, plan.PulsesPerDay = pt.planDose, pt.perPulse
	default:
		plan.DoseCM3Per100h, plan.HoursPerWeek = pt.planDose, m.perWeek
		if pt.class.pulsePaced() {
			plan.PulsesPer100h = pt.perPulse
		}
	}
	if pt.class.pulsePaced() {
		set.Pacing, set.CM3PerPulse = config.PacingPulse, pt.setting
	} else {
		set.CM3Per100h = pt.setting
	}
	lube := "grease-ep2"
	if m.area == 3 {
		lube = "grease-food2"
	}
	s.Points = append(s.Points, config.Point{
		ID: pt.id, Name: pt.name, Machine: m.id, Location: pt.location, Sequence: i + 1,
		Lubricant: lube, Reservoir: reservoirs[pt.reservoir].ID, Plan: plan,
	})
	s.Dispensers = append(s.Dispensers, config.Dispenser{
		ID: pt.dispenser, Serial: pt.serial, Model: modelOf[pt.class], Point: pt.id,
		Settings: []config.Setting{set}, Channels: p.channels(pt), Every: p.dispenserEvery(pt),
	})
}

func (p *Plant) channels(pt *point) []config.ChannelInfo {
	sd := roundTo(pt.usable*levelSDPercent/100, 0.01)
	var out []config.ChannelInfo
	switch pt.class {
	case gauge, gaugeCount:
		out = append(out, config.ChannelInfo{Kind: "level", Evidence: config.EvidenceMeasured, StepPercent: p.opt.LevelStepPercent, SDCM3: sd})
	case pulseGauge:
		out = append(out, config.ChannelInfo{Kind: "level", Evidence: config.EvidenceMeasured, StepCM3: p.levelStep(pt), SDCM3: sd})
	case pulseCount:
		out = append(out, config.ChannelInfo{Kind: "level", Evidence: config.EvidenceCounted})
	case flow:
		out = append(out, config.ChannelInfo{Kind: "dose", Evidence: config.EvidenceMeasured, StepCM3: 0.01})
	}
	if pt.class.countsStrokes() {
		out = append(out, config.ChannelInfo{Kind: "dose", Evidence: config.EvidenceCounted})
	}
	return out
}

// levelStep is the step of a level sensor that reports cm3.
func (p *Plant) levelStep(pt *point) float64 {
	return math.Max(0.1, roundTo(pt.usable*p.opt.LevelStepPercent/100, 0.1))
}

// slowEvery is the interval of level and dose messages: slower than run
// messages, as batteries ask for.
func (p *Plant) slowEvery() time.Duration { return max(4*time.Hour, p.opt.ReportEvery) }

func (p *Plant) dispenserEvery(pt *point) time.Duration {
	if pt.class.pulsePaced() {
		return p.opt.ReportEvery
	}
	return p.slowEvery()
}

func (p *Plant) gatewayOf(pt *point) int { return p.machines[pt.machine].gateway }

// planDoses chooses settings so that a fill lasts two to five months.
func (p *Plant) planDoses() {
	for i := range p.points {
		pt := &p.points[i]
		m := &p.machines[pt.machine]
		r := p.stream("dose " + pt.id)
		life, off := uniform(r, 55, 160), 1+0.012*r.NormFloat64()
		if m.use == noRun {
			pt.setting = pulseSteps[r.IntN(2)]
			pt.perPulse = math.Max(1, math.Round(pt.usable/life/pt.setting))
			pt.planDose = roundTo(pt.perPulse*pt.setting, 0.01)
			continue
		}
		r100 := math.Min(100*pt.usable/(life*math.Max(m.perWeek, 5)/7), 38)
		if !pt.class.pulsePaced() {
			pt.setting = math.Max(0.2, roundTo(r100, 0.1))
			pt.planDose = roundTo(pt.setting*off, 0.01)
			continue
		}
		pt.setting = pulseSteps[0]
		for _, q := range pulseSteps {
			if r100/q >= 20 {
				pt.setting = q
			}
		}
		pt.perPulse = math.Max(1, math.Round(r100/pt.setting))
		pt.planDose = roundTo(pt.perPulse*pt.setting*off, 0.01)
	}
}

// civilOf is the civil date of a second.
func (p *Plant) civilOf(sec int64) civil.Date { return civil.Of(p.at(sec), p.loc) }
