package reading

import (
	"fmt"
	"strings"
)

// flagWords are the words of the flags in bit order; exports print them, so
// they never change.
var flagWords = [...]string{
	"receive_time", "conflict", "retained", "gap", "reset", "rollover", "rewind",
	"glitch", "lower_bound", "held", "rebased", "capped", "disagreement", "inexact", "corrected", "suspect",
}

// String gives the words of the set flags, parted by blanks; empty for none.
func (f Flags) String() string {
	var words []string
	for i, w := range flagWords {
		if f&(1<<i) != 0 {
			words = append(words, w)
		}
	}
	return strings.Join(words, " ")
}

// ParseFlags reads the words that String gives.
func ParseFlags(text string) (Flags, error) {
	var f Flags
next:
	for _, word := range strings.Fields(text) {
		for i, w := range flagWords {
			if w == word {
				f |= 1 << i
				continue next
			}
		}
		return 0, fmt.Errorf("flag %q is not known; known are %s", word, strings.Join(flagWords[:], ", "))
	}
	return f, nil
}
