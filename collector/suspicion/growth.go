package suspicion

import (
	"fmt"
	"math"

	"dwindle/collector/meter"
	"dwindle/collector/reading"
)

// round factors between units that people confuse.
var factors = [...]float64{10, 24, 60, 100, 1000, 3600}

// growth compares the rise of a counter with the time it had since it last
// moved, and with the fastest pace that it ever had.
func (w *Watch) growth(c *channel, g gauge, r reading.Reading, t int64, v float64) {
	d := v - c.Last[0].V
	hours := float64(t-c.Moved) / msPerHour
	// Messages without a time may come in a burst.
	if d <= 0 || hours <= 0 || !r.FromDevice && float64(t-c.Last[0].T) < 60_000 || w.s.Open[TwoDevices] != 0 {
		if d < -g.digit { // it began anew: nothing is known of a rise
			c.Fast, c.Provisional = 0, false
		}
		return
	}
	if low, before := c.Last[0].V, c.Last[1]; before.T != 0 && low < before.V-g.digit && v >= before.V-g.digit {
		return // back from a glitch
	}
	rate := d / hours
	byTime := rate > 1.05*g.perHour
	byPace := !byTime && w.group != meter.Run && c.Grown >= grownLeast && c.Peak > 0 && rate >= fasterLeast*c.Peak
	if !byTime && !byPace {
		c.Fast, c.Provisional = 0, false
		if c.Good = min(c.Good+1, 100); c.Good >= clearLeast {
			w.clear(Unit, g.index, t)
			w.clear(Outruns, g.index, t)
		}
		c.Grown = min(c.Grown+1, 100)
		c.Peak = max(rate, c.Peak*(1-min(0.5, hours/(30*24))))
		if c.Step == 0 || d < c.Step {
			c.Step = d
		}
		if w.group == meter.Run {
			w.s.CountHours += d / g.perHour
		}
		return
	}
	if c.Fast == 0 || 4*rate < c.Low {
		// The first one, or a jump came before, which says nothing of a pace.
		c.Fast = 0
		c.FastFrom, c.FastG, c.FastH, c.Low, c.High = c.Last[0], 0, 0, rate, rate
	}
	c.Good, c.ByPace = 0, byPace
	c.Fast = min(c.Fast+1, 100)
	c.FastG += d
	c.FastH += hours
	c.Low, c.High = min(c.Low, rate), max(c.High, rate)
	c.Provisional = byPace && rate >= fasterHold*c.Peak && c.FastG >= 3*g.slack
	w.judgeGrowth(c, g, t, v, d)
}

// judgeGrowth opens a suspicion once a counter was too fast for long enough.
func (w *Watch) judgeGrowth(c *channel, g gauge, t int64, v, d float64) {
	since := w.s.Open[Unit]
	if since == 0 {
		since = w.s.Open[Outruns]
	}
	if c.ByPace && since != 0 && t-since > paceTaken.Milliseconds() {
		// It has gone on for so long that this is its pace.
		c.Peak, c.Fast, c.Provisional = c.High, 0, false
		w.clear(Unit, g.index, t)
		w.clear(Outruns, g.index, t)
		return
	}
	base := g.perHour
	if c.ByPace {
		base = c.Peak
	}
	ratio := c.FastG / c.FastH / base
	step := d
	if c.Step > 0 {
		step = min(step, c.Step)
	}
	if c.Fast < fastLeast || c.FastG < 1.05*base*c.FastH+2*step || c.FastG < 3*g.slack {
		return
	}
	q := quantityOf(w.group, uint8(g.index))
	f, near := nearest(ratio)
	// open begins a suspicion with what its words say after the name, which may
	// take how many times as fast it is.
	open := func(k Kind, words func(times string) string) {
		w.open(k, g.index, t, func() (string, string) {
			return name(q) + " grows " + words(short(math.Round(ratio*10)/10)),
				fmt.Sprintf("%s at %s, %s at %s", short(c.FastFrom.V), stamp(c.FastFrom.T), short(v), stamp(t))
		})
	}
	switch steady := c.High <= 1.2*c.Low; {
	case c.ByPace && near && steady:
		open(Unit, func(times string) string {
			return times + " times as fast as ever before: is its unit wrong by " + short(f) + "?"
		})
	case c.ByPace && ratio >= fasterHold:
		open(Outruns, func(times string) string { return times + " times as fast as ever before" })
	case c.ByPace:
		if c.Fast >= 2*fastLeast { // busier than ever, in no suspicious way
			c.Peak, c.Fast = c.High, 0
		}
	case w.group != meter.Run:
		open(Outruns, func(string) string {
			return "by " + short(math.Round(c.FastG/c.FastH)) + " an hour, more than is possible"
		})
	case ratio < fasterLeast:
		open(Outruns, func(times string) string { return times + " times as fast as time passes" })
	default:
		if !near {
			f = above(ratio)
		}
		open(Unit, func(times string) string { return times + " times as fast as time passes" + guess(q, f) })
	}
}

// nearest gives the round factor within a twentieth of a ratio.
func nearest(ratio float64) (f float64, near bool) {
	for _, f := range factors {
		if math.Abs(ratio/f-1) <= 0.05 {
			return f, true
		}
	}
	return 0, false
}

// above gives the smallest round factor that a ratio does not exceed: what is
// observed is the factor times the share of the time that a machine runs.
func above(ratio float64) float64 {
	for _, f := range factors {
		if ratio <= f {
			return f
		}
	}
	return 0
}

func guess(q reading.Quantity, f float64) string {
	if q == reading.RunSeconds {
		if f == 1000 {
			return ": milliseconds in a field of seconds?"
		}
		return ""
	}
	if unit := map[float64]string{10: "tenths of an hour", 60: "minutes", 100: "hundredths of an hour", 1000: "thousandths of an hour", 3600: "seconds"}[f]; unit != "" {
		return ": " + unit + " in a field of hours?"
	}
	return ""
}
