package reservoir

import "math"

// Deviation is how far a level was from what a sound pump would have left.
type Deviation struct {
	Step int // index of its step
	// Z is the innovation over its standard deviation: above 0 where too little
	// went out. While nothing changes it has mean 0 and variance 1, and on scales
	// that are not coarse does not depend on the ones before.
	Z float64
}

// Deviations runs a filter through the stretch of a track whose factor stays at
// its baseline: one that follows the factor would absorb what is looked for.
// Levels before which nothing was commanded say nothing and have none.
func Deviations(t Track, steps []Step) []Deviation {
	r := run{p: t.Fill, start: t.start, loud: t.loud}
	e := r.usual().hold(t.start)
	var out []Deviation
	moved, far := 0.0, false
	for i := t.Began; i < len(steps); i++ {
		s := &steps[i]
		r.told(&e, s)
		moved += s.Commanded
		if !s.HasLevel {
			continue
		}
		if r.far(&e, s) && !far {
			far = true // passed over, unless the next one agrees
			continue
		}
		far = false
		if variance := e.VarR + t.loud*s.noise(); moved > 0 && variance > 0 {
			out = append(out, Deviation{i, (s.Level - e.Remaining) / math.Sqrt(variance)})
		}
		r.take(&e, s)
		moved = 0
	}
	return out
}
