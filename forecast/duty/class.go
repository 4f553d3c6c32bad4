package duty

import "dwindle/config"

// Class is how a machine is used, as its history shows it. It only picks the
// prior over members; what the history says about each of them comes on top.
type Class int

// The duty classes.
const (
	RoundTheClock Class = iota // used every day of the week
	Shift                      // certain weekdays are used, the others are not
	Intermittent               // whether a day is used looks like chance
	Classes                    // how many there are
)

// String names the class in plain words.
func (c Class) String() string {
	switch c {
	case RoundTheClock:
		return "round the clock"
	case Shift:
		return "shift"
	case Intermittent:
		return "intermittent"
	}
	return "unknown"
}

// What separates the classes; the simulated kinds of use lie far from both.
const (
	// chancyShare is the least mean of 4 p (1-p), p the share of idle days of
	// a day's type, of intermittent use: 0 for days that are always or never
	// used, 1 for a toss of a coin.
	chancyShare = 0.4
	// restShare is the share of idle days up to which use is round the clock.
	restShare = 0.05
)

// classify needs only the idle counts of the day types, outages left out.
func classify(idle *idleness) Class {
	var days, zeros, chancy float64
	for t := range config.ShutdownType {
		n := idle.days[t]
		if n == 0 {
			continue
		}
		p := idle.zeros[t] / n
		days += n
		zeros += idle.zeros[t]
		chancy += n * 4 * p * (1 - p)
	}
	switch {
	case chancy > chancyShare*days:
		return Intermittent
	case zeros <= restShare*days:
		return RoundTheClock
	}
	return Shift
}
