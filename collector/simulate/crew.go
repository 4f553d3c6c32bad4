package simulate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"strconv"

	"dwindle/collector/reading"
	"dwindle/config"
	"dwindle/config/civil"
)

// crew takes every point into service at the start, then walks the planned
// rounds and changes what would not last until the next one, judging by what
// it can see: the gauge, the display, or its own reckoning.
func (p *Plant) crew() {
	for i := range p.points {
		pt := &p.points[i]
		r := p.stream("crew " + pt.id)
		p.commission(pt, r, i)
		area := areas[p.machines[pt.machine].area].id
		round := p.site.Calendar.Rounds[slices.IndexFunc(p.site.Calendar.Rounds, func(r config.Round) bool { return r.Areas[0] == area })]
		step := civil.Date(7 * round.EveryWeeks)
		for d := round.First; ; d += step {
			sec := p.dateStart(int(d-p.first)) + 8*3600 + int64(i%40)*360 + int64(r.IntN(240))
			if sec >= p.endSec() {
				break
			}
			if sec > pt.fills[0].from+3*86400 {
				p.visit(pt, r, sec, float64(step))
			}
		}
	}
	slices.SortStableFunc(p.facts, func(a, b reading.Fact) int { return a.At.Compare(b.At) })
	p.sortSpecials()
}

// commission starts the first fill, partly used so that the points do not all
// run out together.
func (p *Plant) commission(pt *point, r *rand.Rand, i int) {
	sec := 6*3600 + int64(i%40)*300
	volume := roundTo(pt.usable*uniform(r, 0.35, 1), 0.5)
	pt.fills = append(pt.fills, fill{from: sec, volume: volume})
	yes := true
	f := reading.Fact{
		ID: "commission-" + pt.id, Kind: reading.FactCommission, Point: pt.id, Device: pt.dispenser,
		At: p.at(sec), Received: p.at(sec + 60), By: "technician 1", Serial: pt.serial, VolumeCM3: &volume, Accepted: &yes,
	}
	set := pt.setting
	if pt.class.pulsePaced() {
		f.Pacing, f.CM3PerPulse = string(config.PacingPulse), &set
	} else {
		f.Pacing, f.CM3Per100h = string(config.PacingRun), &set
	}
	if pt.class == pulseCount {
		left := int64(math.Round(volume / pt.setting))
		f.CountLeft = &left
	}
	p.facts = append(p.facts, f)
}

// visit is one stop of the round: look, and change what will not last.
func (p *Plant) visit(pt *point, r *rand.Rand, sec int64, days float64) {
	noise, weigh, fillNoise, byDevice := r.NormFloat64(), r.Float64(), r.NormFloat64(), r.Float64() < 0.6
	left, perDay := p.judge(pt, sec)
	// A quiet month is no reason to expect another one.
	perDay = math.Max(perDay, p.plannedPerDay(pt))
	left += 0.01 * pt.usable * noise
	if left > 0.05*pt.usable && left > perDay*(days*1.4+3) {
		if pt.class == bare && weigh < 0.5 {
			cm3 := math.Max(0, roundTo(pt.leftAt(sec)+0.015*pt.usable*noise, 0.5))
			p.facts = append(p.facts, reading.Fact{
				ID: "weighing-" + pt.id + "-" + strconv.FormatInt(sec, 10), Kind: reading.FactWeighing, Point: pt.id, Device: pt.dispenser,
				At: p.at(sec), Received: p.at(sec + 300), By: "technician 2", CM3: &cm3,
			})
		}
		return
	}
	residual := math.Max(0, roundTo(pt.leftAt(sec)*(1+0.03*noise), 0.5))
	if pt.trouble.what == blocked && !pt.class.measuredLevel() && pt.class != flow {
		// Nobody weighs what the display calls empty; the reckoned rest is noted.
		residual = math.Max(0, roundTo(left, 0.5))
	}
	pt.fills = append(pt.fills, fill{from: sec, volume: pt.usable * (1 + fillSDPercent/100*fillNoise)})
	p.reportChange(pt, r, sec, residual, byDevice)
}

// judge is what the crew thinks is left and goes out a day.
func (p *Plant) judge(pt *point, sec int64) (left, perDay float64) {
	f := pt.fillAt(sec)
	before := max(f.from, sec-28*86400)
	days := math.Max(1, float64(sec-before)/86400)
	switch {
	case pt.class.measuredLevel(), pt.class == flow:
		return pt.leftAt(sec), (pt.outAt(sec) - pt.outAt(before)) / days
	default:
		each := pt.dose
		if pt.class.pulsePaced() {
			each = pt.setting
		}
		went := float64(pt.countAt(sec)-pt.countAt(f.from)) * each
		return f.volume - went, float64(pt.countAt(sec)-pt.countAt(before)) * each / days
	}
}

// reportChange tells of a change, by the dispenser's own message or by a
// person's entry; where the dispenser cannot be heard, always by a person.
func (p *Plant) reportChange(pt *point, r *rand.Rand, sec int64, residual float64, byDevice bool) {
	res := &reservoirs[pt.reservoir]
	batch := fmt.Sprintf("B%04d", r.IntN(10000))
	g := &p.gateways[p.gatewayOf(pt)]
	id := "change-" + pt.id + "-" + p.civilOf(sec).String()
	if byDevice && !pt.silent.holds(sec) && !g.silent.holds(sec) {
		b := append([]byte(`{"at":`), appendTime(nil, p.at(sec), g.style)...)
		b = append(b, fmt.Sprintf(`,"id":%q,"volume_cm3":%g,"item":%q,"batch":%q,"residual_cm3":%g}`, id, pt.usable, res.Item, batch, residual)...)
		p.specials = append(p.specials, special{sec: sec, gateway: p.gatewayOf(pt), topic: pt.topics[msgChange], payload: b})
		return
	}
	volume := pt.usable
	p.facts = append(p.facts, reading.Fact{
		ID: id, Kind: reading.FactChange, Point: pt.id, Device: pt.dispenser, At: p.at(sec), Received: p.at(sec + 600),
		By: "technician 1", VolumeCM3: &volume, ResidualCM3: &residual, Item: res.Item, Batch: batch,
	})
}

func (p *Plant) sortSpecials() {
	sort.SliceStable(p.specials, func(i, j int) bool { return p.specials[i].sec < p.specials[j].sec })
}
