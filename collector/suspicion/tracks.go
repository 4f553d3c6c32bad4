package suspicion

import "fmt"

// tracks tells two devices apart that send under one name: each reading goes on
// from one of two tracks, and again and again it is the one below. Glitches of
// much the same value do not grow time after time and are none of them.
func (w *Watch) tracks(c *channel, g gauge, t int64, v float64) {
	rate := g.usual
	if c.Grown >= grownLeast {
		rate = max(rate, 2*c.Peak)
	}
	fits := func(p point) (float64, bool) {
		d := v - p.V
		return d, d >= -g.digit && d <= 2*g.slack+rate*float64(t-p.T)/msPerHour
	}
	a, fitsA := fits(c.A)
	b, fitsB := 0.0, false
	if c.HasB {
		b, fitsB = fits(c.B)
	}
	fell := v < c.Last[0].V-g.digit
	was := c.OnB
	switch {
	case fitsA && (!fitsB || a <= b):
		if a > g.digit {
			c.GrewA = min(c.GrewA+1, 100)
		}
		c.A, c.OnB = point{t, v}, false
	case fitsB:
		if b > g.digit {
			c.GrewB = min(c.GrewB+1, 100)
		}
		c.B, c.OnB = point{t, v}, true
	case c.OnB:
		c.A, c.OnB, c.GrewA, was = point{t, v}, false, 0, false
	default:
		c.B, c.HasB, c.OnB, c.GrewB, was = point{t, v}, true, true, 0, true
	}
	if c.OnB != was && fell && min(c.GrewA, c.GrewB) >= 2 {
		c.Returns, c.Since = min(c.Returns+1, 100), 0
	} else if c.Since++; c.Since >= returnsWithin {
		c.Since, c.Returns = 0, 0
		w.clear(TwoDevices, g.index, t)
	}
	if c.Returns >= returnsLeast {
		w.open(TwoDevices, g.index, t, func() (string, string) {
			return fmt.Sprintf("%s goes back and forth between two counters: two devices under one name?", name(quantityOf(w.group, uint8(g.index)))),
				fmt.Sprintf("one at %s, the other at %s", short(c.A.V), short(c.B.V))
		})
	}
}

// falls finds a display that counts down.
func (w *Watch) falls(c *channel, g gauge, t int64, v float64) {
	switch last := c.Last[0].V; {
	case v < last-g.digit:
		c.Falls, c.Rises = min(c.Falls+1, 100), 0
	case v > last:
		c.Rises, c.Falls = min(c.Rises+1, 100), 0
	}
	switch {
	case c.Falls >= fallsLeast:
		w.open(CountsDown, g.index, t, func() (string, string) {
			return fmt.Sprintf("%s falls with every reading: does it show what is left?", name(quantityOf(w.group, uint8(g.index)))),
				fmt.Sprintf("%d falls in a row, down to %s", c.Falls, short(v))
		})
	case c.Rises >= clearLeast:
		w.clear(CountsDown, g.index, t)
	}
}
