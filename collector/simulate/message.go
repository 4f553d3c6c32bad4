package simulate

import (
	"math"
	"math/rand/v2"
	"strconv"
	"time"
)

// msgKind indexes a dispenser's topics.
type msgKind uint8

const (
	msgPulse msgKind = iota
	msgDose
	msgLevel
	msgStatus
	msgChange
)

var kindWords = [...]string{msgPulse: "pulse", msgDose: "dose", msgLevel: "level", msgStatus: "status", msgChange: "change"}

// appendTime writes a time in one of the forms of the contract.
func appendTime(b []byte, t time.Time, style int) []byte {
	switch style {
	case 1:
		return strconv.AppendInt(b, t.Unix(), 10)
	case 2:
		return strconv.AppendInt(b, t.UnixMilli(), 10)
	case 3:
		b = append(b, '"')
		b = t.In(eastern).AppendFormat(b, time.RFC3339)
		return append(b, '"')
	}
	b = append(b, '"')
	b = t.AppendFormat(b, time.RFC3339)
	return append(b, '"')
}

// eastern is the fixed offset that one kind of gateway writes its times in.
var eastern = time.FixedZone("", 3600)

// writer composes payloads. It holds the noise of one pass over the messages,
// so that every pass gives the same bytes.
type writer struct {
	p     *Plant
	noise []*rand.Rand // per point
	chunk []byte
}

func (p *Plant) newWriter(purpose string) *writer {
	w := &writer{p: p}
	for i := range p.points {
		w.noise = append(w.noise, p.stream(purpose+p.points[i].id))
	}
	return w
}

// room gives an empty buffer for one payload out of a larger chunk, so that
// messages do not each cost an allocation.
func (w *writer) room() []byte {
	const most, size = 256, 64 << 10
	if cap(w.chunk)-len(w.chunk) < most {
		w.chunk = make([]byte, 0, size)
	}
	return w.chunk[len(w.chunk):len(w.chunk):cap(w.chunk)]
}

// keep takes the payload written into the room out of the chunk.
func (w *writer) keep(b []byte) []byte {
	n := len(b)
	if n <= cap(w.chunk)-len(w.chunk) {
		w.chunk = w.chunk[:len(w.chunk)+n]
	}
	return b[:n:n]
}

func (w *writer) open(sec int64, style int) []byte {
	return appendTime(append(w.room(), `{"at":`...), w.p.at(sec), style)
}

// run is a machine's message.
func (w *writer) run(m *machine, sec int64) []byte {
	b := w.open(sec, w.p.gateways[m.gateway].style)
	hours := m.counter + m.hoursAt(sec)
	if m.glitch.reset > 0 && sec >= m.glitch.reset {
		hours = m.hoursAt(sec) - m.hoursAt(m.glitch.reset)
	}
	switch sec / 3600 {
	case m.glitch.zero:
		if m.glitch.zero > 0 {
			hours = 0
		}
	case m.glitch.absurd:
		if m.glitch.absurd > 0 {
			hours += 700_000
		}
	}
	switch m.signal {
	case hoursOnly, hoursAndState:
		b = appendFixed(append(b, `,"hours":`...), hours, 2)
	case secondsOnly:
		b = strconv.AppendInt(append(b, `,"seconds":`...), int64(math.Floor(hours*3600)), 10)
	}
	if m.signal == hoursAndState || m.signal == stateOnly {
		b = strconv.AppendBool(append(b, `,"running":`...), m.runningAt(sec))
	}
	return w.keep(append(b, '}'))
}

// dispenser is a dispenser's message of one kind.
func (w *writer) dispenser(i int, k msgKind, sec int64) []byte {
	pt := &w.p.points[i]
	b := w.open(sec, w.p.gateways[w.p.gatewayOf(pt)].style)
	switch k {
	case msgPulse:
		b = strconv.AppendInt(append(b, `,"count":`...), pt.shownCount(sec), 10)
	case msgDose:
		if pt.class == flow {
			// The flow sensor sees what really goes out, empty or not.
			b = appendFixed(append(b, `,"cm3":`...), float64(pt.counter%1000)+w.p.delivered(pt, 0, sec), 2)
		} else {
			b = strconv.AppendInt(append(b, `,"strokes":`...), pt.shownCount(sec), 10)
		}
	case msgLevel:
		b = w.level(b, pt, w.noise[i], sec)
	case msgStatus:
		b = w.status(b, pt, w.noise[i], sec)
	}
	return w.keep(append(b, '}'))
}

// shownCount is the cumulative counter as the device sends it.
func (pt *point) shownCount(sec int64) int64 {
	n := pt.counter + pt.countAt(sec)
	switch g := &pt.glitch; {
	case g.zero > 0 && sec/3600 == g.zero:
		return 0
	case g.absurd > 0 && sec/3600 == g.absurd:
		return n + 9_812_000
	case g.reset > 0 && sec >= g.reset:
		return pt.countAt(sec) - pt.countAt(g.reset)
	}
	return n
}

func (w *writer) level(b []byte, pt *point, noise *rand.Rand, sec int64) []byte {
	if pt.class == pulseCount {
		f := pt.fillAt(sec)
		full := int64(math.Round(math.Min(f.volume, pt.usable) / pt.setting))
		left := max(0, full-(pt.countAt(sec)-pt.countAt(f.from)))
		return strconv.AppendInt(append(b, `,"count_left":`...), left, 10)
	}
	left := pt.leftAt(sec)
	if left > 0 {
		left += pt.usable * levelSDPercent / 100 * noise.NormFloat64()
	}
	if pt.class == pulseGauge {
		step := w.p.levelStep(pt)
		return appendFixed(append(b, `,"cm3":`...), math.Max(0, math.Min(math.Round(left/step)*step, pt.usable)), 1)
	}
	step := w.p.opt.LevelStepPercent
	v := math.Round(100*left/pt.usable/step) * step
	return appendFixed(append(b, `,"percent":`...), math.Max(0, math.Min(v, 100)), 1)
}

func (w *writer) status(b []byte, pt *point, noise *rand.Rand, sec int64) []byte {
	yearDay := float64(w.p.at(sec).YearDay())
	temp := 11 - 10*math.Cos(2*math.Pi*(yearDay-20)/365) + 2*noise.NormFloat64()
	b = appendFixed(append(b, `,"online":true,"temperature_c":`...), temp, 1)
	if pt.class == bare {
		return b
	}
	b = appendFixed(append(b, `,"supply_v":`...), 5.9+0.05*noise.NormFloat64(), 2)
	if !pt.class.reportsSetting() {
		return b
	}
	if pt.class.pulsePaced() {
		b = append(b, `,"setting":{"pacing":"pulse","cm3_per_pulse":`...)
	} else {
		b = append(b, `,"setting":{"pacing":"run","cm3_per_100h":`...)
	}
	return append(appendFixed(b, pt.settingAt(sec), 1), '}')
}

// gatewayStatus proves a gateway alive.
func (w *writer) gatewayStatus(g *gateway, sec int64) []byte {
	b := w.open(sec, g.style)
	b = strconv.AppendInt(append(b, `,"online":true,"every_s":`...), int64(w.p.opt.ReportEvery/time.Second), 10)
	return w.keep(append(b, '}'))
}

// appendFixed writes a number with a few decimals; for these sizes it is much
// cheaper than the general float formatter.
func appendFixed(b []byte, v float64, decimals int) []byte {
	scale := 10.0
	if decimals == 2 {
		scale = 100
	}
	n := int64(math.Round(v * scale))
	if n < 0 {
		b, n = append(b, '-'), -n
	}
	s := int64(scale)
	b = strconv.AppendInt(b, n/s, 10)
	b = append(b, '.')
	rest := n % s
	if decimals == 2 && rest < 10 {
		b = append(b, '0')
	}
	return strconv.AppendInt(b, rest, 10)
}
