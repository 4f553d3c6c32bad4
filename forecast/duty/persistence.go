package duty

import "math"

// window is over how many days residuals are summed to see persistence: four
// weeks cover outages, campaigns and slow drifts without drowning in noise
// (chosen on simulated and open data; two and six weeks do nearly the same).
const window = 28

// persistence is by how much the variance of a sum of days exceeds that of
// independent days. It is the mean square of sums of standardised residuals
// over all windows, partial ones at the ends included, relative to that of
// single days, which equals one plus twice their autocorrelations with weights
// that fall linearly to 0 (Newey and West, A simple, positive semi-definite,
// heteroskedasticity and autocorrelation consistent covariance matrix, 1987).
// It is never below 1 and damped for short histories. Missing days and
// shutdowns add nothing.
func persistence(history []Day, m *Model) float64 {
	var ring [window]float64
	var sum, sums, squares, n float64
	for i := range len(history) + window - 1 {
		r := 0.0
		if i < len(history) {
			d := history[i]
			if amount, seen, _, ok := usable(d, m.maxPerDay); ok && m.noise[d.Type] > 0 {
				r = (amount - seen*m.mean[d.Type]) / math.Sqrt(seen*m.noise[d.Type])
				n++
			}
		}
		slot := i % window
		sum += r - ring[slot]
		ring[slot] = r
		sums += sum * sum
		squares += r * r
	}
	if squares == 0 {
		return 1
	}
	return 1 + math.Max(0, sums/window/squares-1)*n/(n+30)
}
