package duty

import "dwindle/config"

const (
	// windowDays is how many of the last days a State keeps one by one.
	windowDays = keptDays + leavingDays
	// keptDays is how many days stay when the oldest leave the window: four
	// weeks tell a pattern from chance, one more allows for gaps. From 28 to 400
	// days the score is the same.
	keptDays = 35
	// leavingDays is how many days leave at once, at most: whole weeks.
	leavingDays = 28
)

// window is the last days of a history, oldest first, within the rules' bounds.
type window struct {
	n      int
	amount [windowDays]float64
	seen   [windowDays]float32 // 0 where the day teaches nothing
	kind   [windowDays]config.DayType
}

func (w *window) add(t config.DayType, amount, seen float64) {
	w.kind[w.n], w.amount[w.n], w.seen[w.n] = t, amount, float32(seen)
	w.n++
}

// leaving is how many of the oldest days are to leave: up to the last day of
// use, so that no idle run is cut unless it is longer than that.
func (w *window) leaving() int {
	for k := min(w.n, leavingDays); k > 0; k-- {
		if w.amount[k-1] > 0 {
			return k
		}
	}
	return min(w.n, leavingDays)
}

func (w *window) drop(k int) {
	copy(w.amount[:], w.amount[k:w.n])
	copy(w.seen[:], w.seen[k:w.n])
	copy(w.kind[:], w.kind[k:w.n])
	// Nothing of them stays behind, so that equal states are equal values.
	clear(w.amount[w.n-k : w.n])
	clear(w.seen[w.n-k : w.n])
	clear(w.kind[w.n-k : w.n])
	w.n -= k
}

// powers are the weights discount^age and movedForget^age.
var powers, latePowers = func() (p, l [windowDays + 1]float64) {
	p[0], l[0] = 1, 1
	for i := 1; i < len(p); i++ {
		p[i], l[i] = p[i-1]*discount, l[i-1]*movedForget
	}
	return p, l
}()
