package reservoir

import "math"

// Signs are what levels say about the cause of a verdict, beside the ratio.
type Signs struct {
	// Still says that the sensor repeats one value to the last digit for longer
	// than its own noise allows; Alive that it goes on to scatter. Both are
	// false where its steps hide the noise: nothing can be told then.
	Still, Alive bool
	// Same is how many of the newest levels are alike, and Noise the sd that the
	// levels had before beside their steps, cm3, 0 where it does not show.
	Same  int
	Noise float64
	// IdleFall is how far the level fell in stretches in which nothing was
	// commanded, cm3, IdleSD its standard deviation, and Idle their number.
	IdleFall, IdleSD float64
	Idle             int
}

const (
	// leastDither is the number of levels that a sensor's noise is learned from.
	leastDither = 20
	// stillChance is the chance at which a sensor that repeats itself counts as
	// stuck.
	stillChance = 1e-3
	// ditherSure is what is taken of the noise that was seen: it is an estimate.
	ditherSure = 0.7
)

// Look reads the signs of a fill's levels: of the sensor's noise before the step
// at index from and after, and of idle stretches from there on.
func Look(t Track, steps []Step, from int) Signs {
	var out Signs
	var last, rest Step // the newest level; the one that a run without command began with
	var told, squares, n float64
	ups, downs := 0, 0
	resting := 0 // levels in the run after its first
	for i := t.Began; i < len(steps); i++ {
		s := steps[i]
		if s.Commanded > 0 {
			if resting > 0 {
				out.rested(rest, last)
			}
			rest, resting = Step{}, 0
		}
		told += s.Commanded
		if !s.HasLevel {
			continue
		}
		if i >= from {
			if rest.HasLevel {
				resting++
			} else {
				rest = s
			}
		}
		out.Same++
		if d := s.Level - last.Level; last.HasLevel && d != 0 {
			out.Same = 1
			if i >= from && d > 0 {
				ups++
			} else if i >= from {
				downs++
			}
		}
		if v := s.Level - last.Level + told*t.Fill.factor(); last.HasLevel && i < from {
			squares, n = squares+math.Min(v*v, 9*(s.noise()+last.noise())), n+1
		}
		last, told = s, 0
	}
	if resting > 0 {
		out.rested(rest, last)
	}
	out.IdleSD = math.Sqrt(out.IdleSD)
	if n < leastDither || last.Scale <= 0 {
		return out
	}
	// Two readings' noise and rounding are in each difference.
	if v := squares/n/2 - last.Scale*last.Scale/12; v > 0 {
		out.Noise = math.Sqrt(v)
	}
	if out.Noise < 0.1*last.Scale {
		return out
	}
	// A level in the middle of a step stays there most often.
	stay := math.Erf(last.Scale / (2 * math.Sqrt2 * ditherSure * out.Noise))
	out.Still = float64(out.Same-1)*math.Log(stay) < math.Log(stillChance)
	out.Alive = !out.Still && ups >= 2 && downs >= 2
	return out
}

// rested counts a run of levels without command; IdleSD is a variance until all
// are counted.
func (s *Signs) rested(first, last Step) {
	s.IdleFall += first.Level - last.Level
	s.IdleSD += first.noise() + last.noise()
	s.Idle++
}

// Falls says that the level surely fell while nothing was commanded: so many
// standard deviations, which no search over onsets and days spends.
func (s Signs) Falls() bool { return s.Idle > 0 && s.IdleFall > 4.5*s.IdleSD }
