package drift

import "math"

// EWMA is an exponentially weighted moving average of standardised samples with
// limits that widen as it fills (S. W. Roberts, Control chart tests based on
// geometric moving averages, 1959).
type EWMA struct {
	Weight float64 // of the newest sample, 0 to 1
	L      float64 // limits, in standard deviations of the average
	Value  float64
	n      int
}

// Add takes in a sample and says whether the average is beyond its limits: 1
// above, -1 below, 0 within.
func (e *EWMA) Add(z float64) int {
	e.Value += e.Weight * (z - e.Value)
	e.n++
	switch limit := e.Limit(); {
	case e.Value > limit:
		return 1
	case e.Value < -limit:
		return -1
	}
	return 0
}

// Limit is the present limit on either side of 0:
// L sqrt(w / (2 - w) (1 - (1 - w)^(2 n))).
func (e *EWMA) Limit() float64 {
	w := e.Weight
	return e.L * math.Sqrt(w/(2-w)*(1-math.Pow(1-w, 2*float64(e.n))))
}
