package duty

import "math"

// step is one day of history as the filters see it: y = h (mu + x) + noise of
// variance s2 g. g = 0 is a day that only lets time pass: missing, planned
// shutdown, outage.
type step struct{ h, g, y float64 }

// level is the state of one filter: what is known of the level of tomorrow's
// duty, in units of the mean day. Variances are in units of s2.
type level struct {
	mu, x         float64 // lasting and passing part, 1 = the mean day
	pmm, pmx, pxx float64
	s2            float64 // variance of a day of g = 1, made honest for short histories
	fit           float64 // concentrated log-likelihood
}

// motion is how the passing part of the level moves: x' = phi x + eta, with
// Var eta = s2 r.
type motion struct{ phi, r float64 }

const (
	levelPrior = 25    // variance of the lasting part before any day, in s2
	levelFloor = 0.02  // the level is never expected below that
	spentDF    = 9     // what profile and level cost of the degrees of freedom
	leastS2    = 1e-16 // relative variance of perfectly even duty
)

// track is a filter on its way through history: the two-state Kalman filter
// (Durbin and Koopman, Time series analysis by state space methods, 2012) with
// what its likelihood needs. A level that drifts (phi = 1) has no lasting part
// of its own; it is all in mu and pmm.
type track struct {
	mu, x         float64
	pmm, pmx, pxx float64
	squares       float64 // sum of v^2/F
	logs          product // of F
}

// start is a filter before any day, with the level near a guess.
func (m motion) start(guess float64) track {
	t := track{mu: guess, pmm: levelPrior, logs: product{value: 1}}
	if m.phi < 1 {
		t.pxx = m.r / (1 - m.phi*m.phi)
	}
	return t
}

// drift takes filters of phi = 1 through days. The filters advance side by
// side, so that the processor works on one while it waits for another.
func drift(tracks []track, steps []float64, days []step) {
	steps = steps[:len(tracks)]
	for from := 0; from < len(days); from += productDays {
		for k := from; k < min(len(days), from+productDays); k++ {
			d := &days[k]
			if !(d.g > 0) {
				for i := range tracks {
					tracks[i].pmm += steps[i]
				}
				continue
			}
			h, hh := d.h, d.h*d.h
			for i := range tracks {
				t := &tracks[i]
				p := t.pmm
				f := hh*p + d.g
				w := 1 / f
				v := d.y - h*t.mu
				vw := v * w
				t.mu += h * p * vw
				t.pmm = p*d.g*w + steps[i]
				t.squares += v * vw
				t.logs.value *= f
			}
		}
		for i := range tracks {
			tracks[i].logs.trim()
		}
	}
}

// swing takes filters of phi < 1 through days in the same way.
func swing(tracks []track, motions []motion, days []step) {
	motions = motions[:len(tracks)]
	for from := 0; from < len(days); from += productDays {
		for k := from; k < min(len(days), from+productDays); k++ {
			d := &days[k]
			h := d.h
			for i := range tracks {
				t := &tracks[i]
				phi := motions[i].phi
				mu, x, pmm, pmx, pxx := t.mu, t.x, t.pmm, t.pmx, t.pxx
				if d.g > 0 {
					a, b := h*(pmm+pmx), h*(pmx+pxx)
					f := h*(a+b) + d.g
					w := 1 / f
					v := d.y - h*(mu+x)
					vw := v * w
					mu += a * vw
					x += b * vw
					aw := a * w
					pmm -= aw * a
					pmx -= aw * b
					pxx -= b * w * b
					t.squares += v * vw
					t.logs.value *= f
				}
				t.mu, t.x = mu, phi*x
				t.pmm, t.pmx = pmm, phi*pmx
				t.pxx = phi*phi*pxx + motions[i].r
			}
		}
		for i := range tracks {
			tracks[i].logs.trim()
		}
	}
}

// level is what a filter knows after n days that taught, in units of the mean
// day.
func (t *track) level(n, mean float64) level {
	s2 := math.Max(leastS2, t.squares/(math.Max(1, n)*mean*mean))
	return level{
		mu: t.mu / mean, x: t.x / mean, pmm: t.pmm, pmx: t.pmx, pxx: t.pxx,
		s2:  s2 * n / math.Max(1, n-spentDF),
		fit: -0.5*t.logs.log() - 0.5*n*math.Log(s2),
	}
}

// productDays is how many days may be multiplied before the product must be
// trimmed: variances of single days lie between 1e-4 and 1e5 of the mean day's.
const productDays = 16

// product is a product of many positive numbers, so that one logarithm serves
// for all of them.
type product struct {
	value float64
	twos  int32   // times 2^twos
	rest  float64 // times e^rest
}

// trim moves the size of the value into the power of two.
func (p *product) trim() {
	m, e := math.Frexp(p.value)
	p.value = m
	p.twos += int32(e)
}

func (p *product) log() float64 {
	return p.rest + math.Log(p.value) + float64(p.twos)*math.Ln2
}

// settle leaves the logarithm alone.
func (p *product) settle() { *p = product{value: 1, rest: p.log()} }
