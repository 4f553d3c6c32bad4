package duty

import (
	"math"

	"dwindle/config"
)

// persistenceDays is over how many days residuals are summed to see persistence: four
// weeks cover outages, campaigns and slow drifts without drowning in noise
// (chosen on simulated and open data; two and six weeks do nearly the same).
const persistenceDays = 28

// persistence is by how much the variance of a sum of days exceeds that of
// independent days. It is the mean square of sums of standardised residuals
// over all windows, partial ones at the ends included, relative to that of
// single days, which equals one plus twice their autocorrelations with weights
// that fall linearly to 0 (Newey and West, A simple, positive semi-definite,
// heteroskedasticity and autocorrelation consistent covariance matrix, 1987).
// It is never below 1 and damped for short histories. Missing days and
// shutdowns add nothing.
func persistence(kind []config.DayType, amount []float64, seen []float32, m *Model) float64 {
	var ring [persistenceDays]float64
	var sum, sums, squares, n float64
	for i := range len(kind) + persistenceDays - 1 {
		r := 0.0
		if i < len(kind) {
			t, share := kind[i], float64(seen[i])
			if share > 0 && m.noise[t] > 0 {
				r = (amount[i] - share*m.mean[t]) / math.Sqrt(share*m.noise[t])
				n++
			}
		}
		slot := i % persistenceDays
		sum += r - ring[slot]
		ring[slot] = r
		sums += sum * sum
		squares += r * r
	}
	if squares == 0 {
		return 1
	}
	return 1 + math.Max(0, sums/persistenceDays/squares-1)*n/(n+30)
}
