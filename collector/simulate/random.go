package simulate

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
)

// stream gives an independent source of randomness for one purpose, so that a
// change in one part of the plant leaves all others as they were.
func (p *Plant) stream(purpose string) *rand.Rand {
	h := fnv.New64a()
	h.Write([]byte(purpose))
	return rand.New(rand.NewPCG(p.opt.Seed, h.Sum64()))
}

// lognormal draws from the lognormal distribution with mean m and coefficient
// of variation c. It always takes one draw.
func lognormal(r *rand.Rand, m, c float64) float64 {
	s2 := math.Log1p(c * c)
	return m * math.Exp(math.Sqrt(s2)*r.NormFloat64()-s2/2)
}

func uniform(r *rand.Rand, lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }

func roundTo(v, step float64) float64 {
	// Dividing by the inverse keeps decimal steps such as 0.1 exact in print.
	return math.Round(v/step) / math.Round(1/step)
}
