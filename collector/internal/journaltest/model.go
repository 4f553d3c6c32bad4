package journaltest

import (
	"cmp"
	"math"
	"slices"

	"dwindle/collector/journal"
	"dwindle/collector/reading"
)

// model is a store of readings in a few lines, to compare others with: entries
// that compete are settled by reading.Resolve.
type model map[entry]reading.Reading

// entry is what readings compete for.
type entry struct {
	reading.Channel
	at  int64 // ms; increments: none
	key string
}

func (m model) put(b journal.Batch) {
	for i := range b {
		for _, r := range b[i].Readings {
			if math.IsNaN(r.Value) || math.IsInf(r.Value, 0) {
				continue
			}
			e := entry{r.Channel, r.At.UnixMilli(), r.Key}
			if r.Key != "" {
				e.at = 0
			}
			if old, ok := m[e]; ok {
				r, _ = reading.Resolve(old, r)
			}
			m[e] = r
		}
	}
}

// list gives all readings by device, then in the order of reading.Compare.
func (m model) list() []reading.Reading {
	out := make([]reading.Reading, 0, len(m))
	for _, r := range m {
		out = append(out, r)
	}
	slices.SortFunc(out, func(a, b reading.Reading) int {
		return cmp.Or(cmp.Compare(a.Device, b.Device), reading.Compare(a, b))
	})
	return out
}
