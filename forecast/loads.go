package forecast

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"

	"dwindle/config"
	"dwindle/config/civil"
	"dwindle/forecast/duty"
)

// loads are the work patterns of machines that have them in common. Lists end
// with the last day that has one; nil where there is none at all.
type loads struct {
	names         []string  // of the patterns, each once
	past, ahead   []uint8   // by day as in calendar: place in names + 1, 0 without a pattern
	before, after []float32 // use on these days relative to ordinary ones, 0 for 1, as stated
}

// mostNames is how many patterns of different names a machine can have; more
// count with the last one, which only joins what is learned of them.
const mostNames = math.MaxUint8

func newLoads(site *config.Site, machine string, first, today civil.Date, past, ahead []config.DayType) loads {
	var l loads
	if len(site.Calendar.WorkPatterns) == 0 {
		return l
	}
	l.past, l.before = l.list(site, machine, first, past)
	l.ahead, l.after = l.list(site, machine, today, ahead)
	return l
}

func (l *loads) list(site *config.Site, machine string, from civil.Date, types []config.DayType) (of []uint8, scales []float32) {
	for i, t := range types {
		if t > config.Sunday {
			continue // holidays and shutdowns stay what they are
		}
		w := site.WorkPattern(machine, from+civil.Date(i))
		if w == nil {
			continue
		}
		k := slices.Index(l.names, w.Name)
		if k < 0 && len(l.names) < mostNames {
			l.names = append(l.names, w.Name)
		}
		if k < 0 {
			k = len(l.names) - 1
		}
		for len(of) <= i {
			of, scales = append(of, 0), append(scales, 0)
		}
		of[i], scales[i] = uint8(k+1), float32(site.LoadIn(w, machine))
	}
	return slices.Clip(of), slices.Clip(scales)
}

// loadAt is the scale of a day, 1 where none is given.
func loadAt(scales []float32, i int) float64 {
	if i < len(scales) && scales[i] > 0 {
		return float64(scales[i])
	}
	return 1
}

// What is learned of a pattern from its days in the past (a proposal, like the
// quarter and the four weeks, which are those of a plan and its history).
const (
	leastLoadDays = 10   // seen, for it to be learned from at all
	loadPrior     = 10   // days that the stated load is worth
	loadDoubt     = 0.25 // difference from what was stated that is worth a word
	loadDoubtDays = 28
)

// seenLoad is what the past says about a pattern.
type seenLoad struct {
	name  string
	days  float64 // seen
	ratio float64 // used over what the stated load and ordinary days expect
	taken float64 // factor on the stated load that the forecast takes
}

// notice words a difference that somebody should look into, empty if there is
// none.
func (s seenLoad) notice() string {
	if s.days < loadDoubtDays-0.5 || math.Abs(s.ratio-1) <= loadDoubt {
		return ""
	}
	word := "more"
	if s.ratio < 1 {
		word = "less"
	}
	return fmt.Sprintf("in work pattern %q used %.0f %% %s than stated over %.0f days; the forecast leans to what was used: put right what the site file says of it", s.name, 100*math.Abs(s.ratio-1), word, s.days)
}

// seenLoads compares the patterns with what was used in them. history is that of
// a duty, its first day at place from of the day tables.
func (l *loads) seenLoads(history []duty.Day, from int, maxPerDay float64) []seenLoad {
	if from >= len(l.past) {
		return nil
	}
	of := l.past[from:]
	of = of[:min(len(of), len(history))]
	var out []seenLoad
	for k, name := range l.names {
		s := duty.Rules{MaxPerDay: maxPerDay}.Observe(history, func(i int) bool { return i < len(of) && int(of[i]) == k+1 }, func(i int) bool { return i < len(of) && of[i] != 0 })
		if s.Days < leastLoadDays || !(s.Expected > 0) {
			continue
		}
		one := seenLoad{name: name, days: s.Days, ratio: s.Used / s.Expected}
		one.taken = (one.ratio*s.Days + loadPrior) / (s.Days + loadPrior)
		out = append(out, one)
	}
	return out
}

// taken is a list of scales with what was learned of their patterns.
func (l *loads) taken(of []uint8, scales []float32, seen []seenLoad) []float32 {
	if len(seen) == 0 || len(of) == 0 {
		return scales
	}
	out := slices.Clone(scales)
	for i, k := range of {
		if k == 0 {
			continue
		}
		for _, s := range seen {
			if s.name == l.names[k-1] {
				out[i] = float32(float64(out[i]) * s.taken)
			}
		}
	}
	return out
}

// load gives an outlook the loads of its duty, and the days of its history their
// scale.
func (o *outlook) load(l *loads, history []duty.Day, from int, maxPerDay float64) {
	if len(l.names) == 0 {
		return
	}
	scaleDays(history, from, l.before)
	o.seen = l.seenLoads(history, from, maxPerDay)
	o.before, o.after = l.taken(l.past, l.before, o.seen), l.taken(l.ahead, l.after, o.seen)
	scaleDays(history, from, o.before)
}

// scaleDays gives days, the first at place from of the day tables, their scale.
func scaleDays(history []duty.Day, from int, scales []float32) {
	for i := range history {
		if from+i < len(scales) {
			history[i].Scale = scales[from+i]
		}
	}
}

// appendLoads adds to a key what tells the work patterns of machines apart.
func appendLoads(key []byte, site *config.Site, machine string) []byte {
	for i := range site.Calendar.WorkPatterns {
		load := 0.0
		if w := &site.Calendar.WorkPatterns[i]; site.Changes(w, machine) {
			load = site.LoadIn(w, machine)
		}
		key = binary.LittleEndian.AppendUint64(key, math.Float64bits(load))
	}
	return key
}

// patterns says which work patterns touch the forecast, what was seen of them
// before, and where that is far from what was stated.
func (e *explainer) patterns() {
	w, p := e.w, e.p
	if len(w.look.after) == 0 && len(w.look.before) == 0 {
		return
	}
	last := p.today + civil.Date(p.limits.HorizonDays) - 1
	if w.Row.EmptyP90 != nil {
		last = *w.Row.EmptyP90
	}
	for i := range p.site.Calendar.WorkPatterns {
		one := &p.site.Calendar.WorkPatterns[i]
		if one.To < p.today || one.From > last || !p.site.Changes(one, w.Row.Machine) {
			continue
		}
		load := p.site.LoadIn(one, w.Row.Machine)
		line := fmt.Sprintf("Work pattern: %s, %s to %s: %.3g times the ordinary use", one.Name, one.From, one.To, load)
		for _, s := range w.look.seen {
			if s.name == one.Name {
				line += fmt.Sprintf("; over %.0f days of it seen so far, %.3g times; %.3g is taken", s.days, load*s.ratio, load*s.taken)
			}
		}
		e.say("%s.", line)
	}
	for _, s := range w.look.seen {
		if text := s.notice(); text != "" {
			e.say("Note: %s.", text)
		}
	}
}
