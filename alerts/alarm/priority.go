package alarm

import (
	"fmt"
	"time"

	"dwindle/config"
)

// ByTime ranks by criticality and the time left to respond. asks is false
// where there is so much time that it is planned work and no alarm. The table
// is our choice; the method, priority by consequence and time to respond, is
// that of ANSI/ISA-18.2.
//
//	            > 14 d   3-14 d   1-3 d    < 1 d
//	C           -        low      low      medium
//	B           -        low      medium   high
//	A           low      medium   high     high
func ByTime(c config.Criticality, left time.Duration) (p Priority, asks bool) {
	column := 0
	switch {
	case left > 14*day:
	case left >= 3*day:
		column = 1
	case left >= day:
		column = 2
	default:
		column = 3
	}
	var row [4]Priority
	switch c {
	case config.CriticalityA:
		row = [4]Priority{Low, Medium, High, High}
	case config.CriticalityC:
		row = [4]Priority{"", Low, Low, Medium}
	default: // an unknown criticality counts as B
		row = [4]Priority{"", Low, Medium, High}
	}
	return row[column], row[column] != ""
}

// Up is the next higher priority.
func (p Priority) Up() Priority {
	if p == Low {
		return Medium
	}
	return High
}

// Left writes a time left as people say it: hours below two days, else days.
func Left(d time.Duration) string {
	switch {
	case d <= 0:
		return "no time"
	case d < time.Hour:
		return "less than an hour"
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h", int(d.Hours()))
	}
	return fmt.Sprintf("%d days", int(d.Hours()/24))
}
