package simulate

import (
	"fmt"
	"math"

	"dwindle/config"
)

const (
	siteID   = "riverside"
	siteName = "Riverside grain terminal (made up)"
	zone     = "CET"
)

// pattern is how a machine is used over the week.
type pattern uint8

const (
	roundTheClock pattern = iota
	oneShift
	twoShifts
	campaigns // days on and days off, as ships come
	noRun     // no run signal; its controller pulses by the clock
)

// signal is how a machine reports its use.
type signal uint8

const (
	hoursOnly signal = iota
	hoursAndState
	stateOnly // with a message at every start and stop
	secondsOnly
)

// class is what a dispenser can say about itself.
type class uint8

const (
	gauge      class = iota // run-paced, measured level, reports its setting
	gaugeCount              // run-paced, measured level and counted strokes, setting not reported
	pulseGauge              // pulse-paced, measured level, reports its setting
	strokes                 // run-paced, counted strokes only
	pulseCount              // pulse-paced, display count only
	flow                    // run-paced, measured dose
	bare                    // run-paced, status only
)

// classes is the order in which points get their kind of dispenser.
var classes = [...]class{gauge, gaugeCount, pulseGauge, strokes, pulseCount, gauge, flow, gaugeCount, pulseGauge, bare}

func (c class) pulsePaced() bool     { return c == pulseGauge || c == pulseCount }
func (c class) reportsSetting() bool { return c == gauge || c == pulseGauge || c == strokes }
func (c class) measuredLevel() bool  { return c == gauge || c == gaugeCount || c == pulseGauge }
func (c class) countsStrokes() bool  { return c == gaugeCount || c == strokes }

type gateway struct {
	id, name string
	area     int
	style    int // how its devices write times
	topic    string
	silent   span
	backlog  span // messages held back, then sent out of order
}

// span is a stretch in seconds since the start; a zero span is empty.
type span struct{ from, to int64 }

func (s span) holds(sec int64) bool { return sec >= s.from && sec < s.to }

type machine struct {
	id, name    string
	area        int
	gateway     int
	use         pattern
	signal      signal
	criticality config.Criticality
	phase       int64 // second of the hour at which it reports
	counter     float64
	topic       string

	busier  busier
	lost    span // run signal lost
	glitch  counterGlitch
	perWeek float64   // planned hours, set by runMachine
	run     []float32 // share of each hour; negative: at the hour's end
	cum     []float64 // hours before each hour
}

type busier struct {
	day    int
	factor float64
}

type point struct {
	id, name, location string
	machine            int
	class              class
	dispenser, serial  string
	reservoir          int
	phase              int64
	topics             [6]string // by msgKind

	usable   float64
	setting  float64 // registered: cm3 per 100 h, or per pulse
	perPulse float64 // pulses per 100 run-hours, or per day without run signal
	planDose float64 // cm3 per 100 h, or per day
	dose     float64 // volume of one stroke of a run-paced dispenser
	factor   float64 // true delivered / commanded while healthy
	counter  int64   // device counter at the start
	trouble  trouble
	silent   span
	glitch   counterGlitch

	count  []int32   // strokes or pulses seen by the device before each hour
	out    []float64 // cm3 that a never empty reservoir would have given
	fills  []fill
	faulty bool
}

// counterGlitch is bad telemetry of one cumulative counter.
type counterGlitch struct {
	reset   int64 // from this second the counter began again; 0: never
	zero    int64 // hour with a transient zero; 0: none
	absurd  int64 // hour with an absurd jump up; 0: none
	repeats span  // every message in it is sent twice
}

// machinesPerGateway keeps gateways at a size that one radio can serve.
const machinesPerGateway = 12

// layout lays out machines, points and gateways. Ids carry numbers only; what
// differs between seeds is use, doses and fates.
func (p *Plant) layout() {
	r := p.stream("layout")
	p.byID = map[string]int{}
	inArea := [len(areas)]int{}
	gatewayAt := map[[2]int]int{}
	for n := 0; len(p.points) < p.opt.Points; n++ {
		m := &moulds[n%len(moulds)]
		key := [2]int{m.area, inArea[m.area] / machinesPerGateway}
		inArea[m.area]++
		g, ok := gatewayAt[key]
		if !ok {
			g = len(p.gateways)
			gatewayAt[key] = g
			p.gateways = append(p.gateways, gateway{
				id:   fmt.Sprintf("gw-%s-%d", areas[m.area].id, key[1]+1),
				name: fmt.Sprintf("%s gateway %d", areas[m.area].name, key[1]+1), area: m.area, style: g % 4,
			})
			p.gateways[g].topic = p.topic(p.gateways[g].id, "status")
		}
		no := n/len(moulds) + 1
		mi := len(p.machines)
		p.machines = append(p.machines, machine{
			id: fmt.Sprintf("%s%d", m.id, no), name: fmt.Sprintf("%s %d", m.name, no), area: m.area, gateway: g,
			use: m.use, signal: m.signal, criticality: m.criticality, phase: int64(r.IntN(3600)),
			counter: roundTo(uniform(r, 800, 40000), 0.01),
		})
		p.machines[mi].topic = p.topic(p.machines[mi].id, "run")
		for _, at := range m.points {
			if len(p.points) == p.opt.Points {
				break
			}
			p.addPoint(mi, m, at)
		}
	}
}

func (p *Plant) addPoint(mi int, m *mould, at place) {
	i, mc := len(p.points), &p.machines[mi]
	kind := classes[i%len(classes)]
	if m.use == noRun && !kind.pulsePaced() {
		kind = pulseGauge
		if i%2 == 1 {
			kind = pulseCount
		}
	}
	id := mc.id + "-" + at.id
	r := p.stream("point " + id)
	pt := point{
		id: id, name: mc.name + ", " + at.name, location: at.location, machine: mi, class: kind,
		dispenser: fmt.Sprintf("disp-%03d", i+1), serial: fmt.Sprintf("S%06d", 100000+r.IntN(900000)),
		reservoir: m.reservoir, usable: reservoirs[m.reservoir].UsableCM3, dose: strokeCM3,
		factor: 1 + math.Max(-0.05, math.Min(0.03*r.NormFloat64(), 0.05)), phase: int64(r.IntN(3600)), counter: int64(r.IntN(20000)),
	}
	for k, word := range kindWords {
		pt.topics[k] = p.topic(pt.dispenser, word)
	}
	p.byID[id] = i
	p.points = append(p.points, pt)
}

func (p *Plant) topic(device, kind string) string {
	return p.opt.Prefix + "/" + siteID + "/" + device + "/" + kind
}
