package score

import "gonum.org/v1/gonum/mathext"

// pitBins is the number of bins of the histogram of PITs.
const pitBins = 10

// Histogram is how the truths fell into ten bins of chance: the PIT histogram
// (Gneiting, Balabdaoui and Raftery, Probabilistic forecasts, calibration and
// sharpness, 2007). Even bins mean laws that hold what they say; high outer
// bins laws that are too narrow, a high middle too wide ones, a slope bias.
type Histogram struct {
	Shares [pitBins]float64
	// ChiSquare is Pearson's statistic against even bins, with 9 degrees of
	// freedom if cases were independent.
	ChiSquare float64
	// Design is the mean design effect of the bins: by how much cases of one
	// unit repeat each other. 1 where there is but one unit.
	Design float64
	// P is the chance of a statistic as large as ChiSquare / Design if the
	// bins were even (first-order correction of Rao and Scott, The analysis of
	// categorical data from complex sample surveys, 1981; from memory).
	P float64
}

func pitBin(pit float64) int { return max(0, min(pitBins-1, int(pit*pitBins))) }

// PITHistogram counts chances per bin. counts has one row per unit.
func PITHistogram(counts [][pitBins]float64) Histogram {
	var h Histogram
	cases := make([]float64, len(counts))
	n := 0.0
	for i, row := range counts {
		for k, c := range row {
			cases[i] += c
			h.Shares[k] += c
		}
		n += cases[i]
	}
	if n == 0 {
		return Histogram{P: 1, Design: 1}
	}
	const even = 1.0 / pitBins
	for k := range h.Shares {
		h.Shares[k] /= n
		d := h.Shares[k] - even
		h.ChiSquare += n * d * d / even
	}
	h.Design = 1
	if len(counts) > 1 {
		sum := 0.0
		hits := make([]float64, len(counts))
		for k, p := range h.Shares {
			for i := range counts {
				hits[i] = counts[i][k]
			}
			// The design effect of a bin, times p (1 - p) / even.
			sum += clusterVariance(hits, cases, p) * n / even
		}
		h.Design = max(1, sum/(pitBins-1))
	}
	h.P = mathext.GammaIncRegComp(float64(pitBins-1)/2, h.ChiSquare/h.Design/2)
	return h
}
