package duty

import "math"

// lags is how many days back residuals are checked for persistence: two weeks
// cover outages, campaigns and slow drifts without drowning in noise.
const lags = 14

// persistence is by how much the variance of a sum of days exceeds that of
// independent days: one plus twice the autocorrelations of the standardised
// residuals with falling weights (Newey and West, A simple, positive
// semi-definite, heteroskedasticity and autocorrelation consistent covariance
// matrix, 1987), never below 1 and damped for short histories. Missing days
// and shutdowns break no pair but their own.
func persistence(history []Day, m *Model) float64 {
	var ring [lags + 1]float64
	var known [lags + 1]bool
	var c [lags + 1]float64
	n := 0.0
	for i, d := range history {
		slot := i % (lags + 1)
		amount, seen, _, ok := usable(d, m.maxPerDay)
		known[slot] = ok && m.noise[d.Type] > 0
		if !known[slot] {
			continue
		}
		r := (amount - seen*m.mean[d.Type]) / math.Sqrt(seen*m.noise[d.Type])
		ring[slot] = r
		n++
		c[0] += r * r
		for l := 1; l <= lags && l <= i; l++ {
			if j := (i - l) % (lags + 1); known[j] {
				c[l] += r * ring[j]
			}
		}
	}
	if c[0] == 0 {
		return 1
	}
	sum := 0.0
	for l := 1; l <= lags; l++ {
		sum += (1 - float64(l)/(lags+1)) * c[l]
	}
	return 1 + math.Max(0, 2*sum/c[0])*n/(n+30)
}
