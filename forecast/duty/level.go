package duty

import "math"

// step is one day of history as the filters see it, in units of the mean day:
// y = h (mu + x) + noise of variance s2 g. g = 0 is a day that only lets time
// pass: missing, planned shutdown, outage.
type step struct{ h, g, y float64 }

// level is the state of one filter: what is known of the level of tomorrow's
// duty. Variances are in units of s2.
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

// filter runs the two-state Kalman filter over history (Durbin and Koopman,
// Time series analysis by state space methods, 2012). One pass, no allocation.
func (m motion) filter(days []step) level {
	l := level{mu: 1, pmm: levelPrior}
	if m.phi < 1 {
		l.pxx = m.r / (1 - m.phi*m.phi)
	}
	mu, x, pmm, pmx, pxx := l.mu, l.x, l.pmm, l.pmx, l.pxx
	var squares, logs, n float64
	product := 1.0 // of F, so that one logarithm serves many days
	for i := range days {
		if d := &days[i]; d.g > 0 {
			a, b := pmm+pmx, pmx+pxx
			f := d.h*d.h*(a+b) + d.g
			w := 1 / f
			v := d.y - d.h*(mu+x)
			ka, kb := d.h*a*w, d.h*b*w
			mu += ka * v
			x += kb * v
			pmm -= ka * d.h * a
			pmx -= ka * d.h * b
			pxx -= kb * d.h * b
			squares += v * v * w
			n++
			product *= f
			if product > 1e100 || product < 1e-100 {
				logs += math.Log(product)
				product = 1
			}
		}
		x *= m.phi
		pmx *= m.phi
		pxx = m.phi*m.phi*pxx + m.r
	}
	logs += math.Log(product)
	s2 := math.Max(leastS2, squares/math.Max(1, n))
	l.mu, l.x, l.pmm, l.pmx, l.pxx = mu, x, pmm, pmx, pxx
	l.fit = -0.5*logs - 0.5*n*math.Log(s2)
	l.s2 = s2 * n / math.Max(1, n-spentDF)
	return l
}
