package demo

import (
	"cmp"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"dwindle/alerts/alarm"
	"dwindle/cmd/internal/report"
	"dwindle/collector/simulate"
)

// tally sums up what became of the faults of plants with one level step.
type tally struct {
	step       float64 // percent of the usable volume
	plants     int
	pointDays  float64
	kinds      map[simulate.FaultKind]*kindTally
	falses     map[alarm.Type]int
	dates      int      // announced alarms about empty dates, with a fault or without
	datesAlone int      // those of them that no fault explains
	missed     []string // one line each
	wrong      []string
}

// kindTally is the part of one kind of fault.
type kindTally struct {
	injected, observable int
	days                 []float64      // of the found ones, sorted
	by                   map[string]int // what found it -> how many
	unseen               map[string]int // why it cannot be seen -> how many
}

func newTally(j judged, step float64, seed int) tally {
	site := j.plant.Site()
	first, last := j.plant.Dates()
	out := tally{step: step, plants: 1, pointDays: float64(len(j.fleet.States)) * float64(last-first), kinds: map[simulate.FaultKind]*kindTally{}, falses: map[alarm.Type]int{}, datesAlone: j.outcome.Dates}
	for _, f := range j.outcome.Findings {
		k := &kindTally{by: map[string]int{}, unseen: map[string]int{}}
		k.injected = 1
		switch {
		case f.Found:
			k.observable, k.days = 1, []float64{f.Days}
			k.by[foundBy(f)]++
		case f.Fault.Observable:
			k.observable = 1
			out.missed = append(out.missed, fmt.Sprintf("seed %d, %s: %s since %s: %s", seed, f.Fault.Where(), faultWords(f.Fault), f.Fault.Start.Format(time.DateOnly), f.Fault.Why))
		default:
			k.unseen[f.Fault.Why]++
		}
		if out.kinds[f.Fault.Kind] == nil {
			out.kinds[f.Fault.Kind] = &kindTally{by: map[string]int{}, unseen: map[string]int{}}
		}
		out.kinds[f.Fault.Kind].add(k)
	}
	for _, r := range j.outcome.False {
		out.falses[r.Type]++
		out.wrong = append(out.wrong, fmt.Sprintf("seed %d, %s: %s since %s: %s", seed, report.Subject(site, r), report.TypeWords(r.Type), r.Since.Format(time.DateOnly), r.Detail))
	}
	for _, r := range j.history {
		if slices.Contains(dates, r.Type) && r.Announced != nil {
			out.dates++
		}
	}
	return out
}

func (k *kindTally) add(o *kindTally) {
	k.injected, k.observable = k.injected+o.injected, k.observable+o.observable
	k.days = append(k.days, o.days...)
	slices.Sort(k.days)
	count(k.by, o.by)
	count(k.unseen, o.unseen)
}

func count[K comparable](into, from map[K]int) {
	for k, n := range from {
		into[k] += n
	}
}

func (t *tally) add(o tally) {
	if t.kinds == nil {
		t.step, t.kinds, t.falses = o.step, map[simulate.FaultKind]*kindTally{}, map[alarm.Type]int{}
	}
	t.plants, t.pointDays, t.dates, t.datesAlone = t.plants+o.plants, t.pointDays+o.pointDays, t.dates+o.dates, t.datesAlone+o.datesAlone
	t.missed, t.wrong = append(t.missed, o.missed...), append(t.wrong, o.wrong...)
	count(t.falses, o.falses)
	for kind, k := range o.kinds {
		if t.kinds[kind] == nil {
			t.kinds[kind] = &kindTally{by: map[string]int{}, unseen: map[string]int{}}
		}
		t.kinds[kind].add(k)
	}
}

// total sums up all kinds.
func (t tally) total() kindTally {
	out := kindTally{by: map[string]int{}, unseen: map[string]int{}}
	for _, k := range t.kinds {
		out.add(k)
	}
	return out
}

// pointYears is how long points were watched.
func (t tally) pointYears() float64 { return t.pointDays / 365.25 }

// falseGroups are the rows of the table of false alarms.
var falseGroups = []struct {
	name  string
	types []alarm.Type
}{
	{"delivery (too little, too much)", []alarm.Type{alarm.UnderDelivery, alarm.OverDelivery}},
	{"settings", []alarm.Type{alarm.SettingDiffers}},
	{"silence (device, gateway)", []alarm.Type{alarm.NoTelemetry, alarm.GatewaySilent}},
	{"run without dose", []alarm.Type{alarm.RunWithoutDose}},
}

// falsePerPointYear is the rate of some types of false alarms, of all without.
func (t tally) falsePerPointYear(types ...alarm.Type) (n int, rate float64) {
	for ty, k := range t.falses {
		if len(types) == 0 || slices.Contains(types, ty) {
			n += k
		}
	}
	return n, float64(n) / t.pointYears()
}

// share is the value that a share of the sorted values does not exceed; NaN
// without values.
func share(sorted []float64, p float64) float64 {
	if len(sorted) == 0 {
		return math.NaN()
	}
	return sorted[max(0, int(math.Ceil(p*float64(len(sorted))))-1)]
}

func sayDays(d float64) string {
	if math.IsNaN(d) {
		return "-"
	}
	return fmt.Sprintf("%.1f", d)
}

// most is the key with the highest count, and how many of all it has.
func most(m map[string]int) string {
	if len(m) == 0 {
		return "-"
	}
	keys := slices.SortedFunc(maps.Keys(m), func(a, b string) int { return cmp.Or(m[b]-m[a], strings.Compare(a, b)) })
	sum := 0
	for _, n := range m {
		sum += n
	}
	return fmt.Sprintf("%s (%d of %d)", keys[0], m[keys[0]], sum)
}

func printTallies(w io.Writer, tallies []tally) {
	one := tallies[0]
	fmt.Fprintf(w, "FAULTS INJECTED AND FOUND\n\n")
	fmt.Fprintf(w, "%d simulated plants for each level step, %.1f point-years in all for each; places and times of faults are random.\n", one.plants, one.pointYears())
	fmt.Fprintf(w, "Each plant is judged every morning with what was known by then. Days run from the true beginning of a\n")
	fmt.Fprintf(w, "fault to the announcement of its first fitting alarm. The level step is the sensor's resolution, %% of the volume.\n\n")
	const row = "%-40s %6s %9s %11s %6s %6s %8s %8s   %s\n"
	fmt.Fprintf(w, row, "", "level", "", "can be", "", "", "days to", "find", "")
	fmt.Fprintf(w, row, "fault", "step", "injected", "seen", "found", "%", "median", "9 of 10", "found mostly by")
	line := func(name string, step float64, k *kindTally) {
		pc := "-"
		if k.observable > 0 {
			pc = fmt.Sprintf("%.0f", 100*float64(len(k.days))/float64(k.observable))
		}
		fmt.Fprintf(w, row, name, fmt.Sprintf("%g %%", step), fmt.Sprint(k.injected), fmt.Sprint(k.observable), fmt.Sprint(len(k.days)), pc, sayDays(share(k.days, 0.5)), sayDays(share(k.days, 0.9)), most(k.by))
	}
	kinds := slices.SortedFunc(maps.Keys(signsOf), func(a, b simulate.FaultKind) int { return strings.Compare(faultPhrases[a], faultPhrases[b]) })
	for _, kind := range kinds {
		for _, t := range tallies {
			if k := t.kinds[kind]; k != nil && (k.observable > 0) {
				line(faultPhrases[kind], t.step, k)
			}
		}
	}
	for _, t := range tallies {
		k := t.total()
		k.by = nil
		line("all", t.step, &k)
	}
	fmt.Fprintf(w, "\nNOT TO BE SEEN IN THE MESSAGES, not counted above as \"can be seen\": somebody has to look\n\n")
	for _, kind := range kinds {
		for _, t := range tallies {
			k := t.kinds[kind]
			if k == nil {
				continue
			}
			for _, why := range slices.Sorted(maps.Keys(k.unseen)) {
				fmt.Fprintf(w, "%-40s %6s %9d   %s\n", faultPhrases[kind], fmt.Sprintf("%g %%", t.step), k.unseen[why], why)
			}
		}
	}
	fmt.Fprintf(w, "\nFALSE ALARMS: announced, no fault explains them\n\n%-40s", "")
	for _, t := range tallies {
		fmt.Fprintf(w, " %28s", fmt.Sprintf("level step %g %%", t.step))
	}
	fmt.Fprintln(w)
	rate := func(name string, types ...alarm.Type) {
		fmt.Fprintf(w, "%-40s", name)
		for _, t := range tallies {
			n, r := t.falsePerPointYear(types...)
			fmt.Fprintf(w, " %5d = %.3f per point-year", n, r)
		}
		fmt.Fprintln(w)
	}
	for _, g := range falseGroups {
		rate(g.name, g.types...)
	}
	rate("all")
	fmt.Fprintf(w, "\nALARMS ABOUT EMPTY DATES per 100 points and day (forecasts: outages and busy weeks move them too)\n\n")
	for _, t := range tallies {
		fmt.Fprintf(w, "level step %4g %%: %.2f, of them %.2f with no fault near\n", t.step, 100*float64(t.dates)/t.pointDays, 100*float64(t.datesAlone)/t.pointDays)
	}
	for _, part := range []struct {
		head string
		of   func(tally) []string
	}{{"MISSED, one by one", func(t tally) []string { return t.missed }}, {"FALSE, one by one", func(t tally) []string { return t.wrong }}} {
		fmt.Fprintf(w, "\n%s\n\n", part.head)
		n := 0
		for _, t := range tallies {
			for _, s := range part.of(t) {
				fmt.Fprintf(w, "level step %g %%, %s\n", t.step, s)
				n++
			}
		}
		if n == 0 {
			fmt.Fprintln(w, "none")
		}
	}
}
