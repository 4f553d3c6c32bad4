//go:build !mutant_key

package journal

import "dwindle/collector/reading"

// identify leaves a reading the identity that it came with, so that it is
// stored once however often it comes.
func identify(*reading.Reading) {}
