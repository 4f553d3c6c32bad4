package meter

import (
	"slices"
	"time"
)

const (
	cadenceSteps = 15 // steps remembered
	cadenceLeast = 3  // steps needed before the median is believed

	unlearnedMost = 24 * time.Hour
)

// Cadence learns the expected reporting interval of a channel as the median of
// its last 15 steps, which no single gap or burst can move far. The zero value
// has learned nothing.
type Cadence struct {
	Ring  [cadenceSteps]uint32 // ms, in order of arrival
	Order [cadenceSteps]uint32 // the same, sorted
	N     uint8
	Next  uint8
}

// Add takes the time between two messages; steps not above 0 are passed over.
func (c *Cadence) Add(step time.Duration) { c.add(step.Milliseconds()) }

func (c *Cadence) add(ms int64) {
	if ms <= 0 {
		return
	}
	v := uint32(min(ms, 1<<32-1)) // 49 days are long enough for any interval
	sorted := c.Order[:c.N]
	if c.N == cadenceSteps {
		gone, _ := slices.BinarySearch(sorted, c.Ring[c.Next])
		copy(c.Order[gone:], c.Order[gone+1:])
		sorted = c.Order[:c.N-1]
	} else {
		c.N++
	}
	at, _ := slices.BinarySearch(sorted, v)
	copy(c.Order[at+1:c.N], c.Order[at:c.N-1])
	c.Order[at] = v
	c.Ring[c.Next] = v
	c.Next = (c.Next + 1) % cadenceSteps
}

// Every is the learned interval; ok is false until three steps were seen.
func (c *Cadence) Every() (every time.Duration, ok bool) {
	return time.Duration(c.median()) * time.Millisecond, c.N >= cadenceLeast
}

func (c *Cadence) median() int64 {
	if c.N == 0 {
		return 0
	}
	return int64(c.Order[c.N/2])
}

// expected is the interval in ms to judge by. Until it is learned, a default
// holds, or the steps seen so far if they are longer, up to a day: a first step
// of a month is no reporting interval.
func (c *Cadence) expected() int64 {
	if c.N >= cadenceLeast {
		return c.median()
	}
	return max(min(c.median(), unlearnedMost.Milliseconds()), UnlearnedEvery.Milliseconds())
}
