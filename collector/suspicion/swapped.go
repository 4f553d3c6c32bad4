package suspicion

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"dwindle/collector/reading"
)

// exchangeWithin is how far apart two devices may break that were exchanged.
const exchangeWithin = time.Hour

// Named is a break with the device that it belongs to.
type Named struct {
	Device string
	Break
}

// Swap is two devices of which each went on where the other one had been.
type Swap struct {
	A, B Named // A is the one that fell
}

// Words says what is suspected of one of the two, and of whom.
func (s Swap) Words(device string) (words, evidence string) {
	other, own, its := s.B.Device, s.A, s.B
	if device == s.B.Device {
		other, own, its = s.A.Device, s.B, s.A
	}
	return fmt.Sprintf("%s went on where %s had been, and the other way round: are their ids swapped?", name(own.Quantity), other),
		fmt.Sprintf("%s: %s, then %s; %s: %s, then %s", device, short(own.From), short(own.To), other, short(its.From), short(its.To))
}

// Swapped finds pairs in breaks: of one quantity, within an hour, or as far
// apart as the devices report, each going on where the other stopped. The
// result does not depend on the order of the breaks.
func Swapped(breaks []Named) []Swap {
	all := slices.Clone(breaks)
	slices.SortFunc(all, func(a, b Named) int {
		if c := a.At.Compare(b.At); c != 0 {
			return c
		}
		return strings.Compare(a.Device+string(a.Quantity), b.Device+string(b.Quantity))
	})
	var out []Swap
	used := make([]bool, len(all))
	for i := range all {
		a := &all[i]
		best, off := -1, math.Inf(1)
		for k := i + 1; k < len(all) && !used[i]; k++ {
			b := &all[k]
			if b.At.Sub(a.At) > exchangeWithin+max(a.At.Sub(a.Before), b.At.Sub(b.Before)) {
				break
			}
			if used[k] || a.Device == b.Device || a.Quantity != b.Quantity {
				continue
			}
			if x, ok := crossed(a.Break, b.Break); ok && x < off {
				best, off = k, x
			}
		}
		if best < 0 {
			continue
		}
		used[i], used[best] = true, true
		s := Swap{*a, all[best]}
		if s.A.To > s.A.From {
			s.A, s.B = s.B, s.A
		}
		out = append(out, s)
	}
	return out
}

// crossed says that two counters went on from each other's value, and by how
// much they miss it. Each may have grown by what it usually could since: a
// hundredth of the distance, and what may come at once.
func crossed(a, b Break) (off float64, ok bool) {
	g, known := gaugeOf(a.Quantity)
	apart := math.Abs(a.From - b.From)
	if !known || apart <= 4*g.slack {
		return 0, false
	}
	hours := max(a.At.Sub(a.Before), b.At.Sub(b.Before)).Hours()
	most := g.slack + 0.01*apart
	if a.Quantity == reading.RunHours || a.Quantity == reading.RunSeconds {
		most = 2*g.slack + g.perHour*2*hours
		if apart <= 2*most {
			return 0, false
		}
	}
	first, second := a.To-b.From, b.To-a.From
	if first < -g.digit || second < -g.digit || first > most || second > most {
		return 0, false
	}
	return first + second, true
}
