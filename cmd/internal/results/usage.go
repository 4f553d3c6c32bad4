package results

import (
	"dwindle/collector/reading"
	"dwindle/forecast/export"
)

// The rows of usage without the zone, in which they are written.
type (
	dispenserDay struct {
		export.Usage
		Zone *string `json:"zone,omitempty"` // takes the other's place
	}
	machineDay struct {
		export.MachineDay
		Zone *string `json:"zone,omitempty"`
	}
)

// together makes one row of what a dispenser did before and after its setting
// changed within a day: amounts add up where both are known, and of what was seen
// the smaller share counts, since the length of each part is not told.
func together(a, b export.Usage) export.Usage {
	a.RunHours, a.Pulses = sum(a.RunHours, b.RunHours), sum(a.Pulses, b.Pulses)
	a.CommandedCM3, a.DeliveredCM3 = sum(a.CommandedCM3, b.CommandedCM3), sum(a.DeliveredCM3, b.DeliveredCM3)
	a.Seen = min(a.Seen, b.Seen)
	a.Flags = export.Flags(flags(a.Flags) | flags(b.Flags))
	return a
}

// sum is known where both are.
func sum(a, b *float64) *float64 {
	if a == nil || b == nil {
		return nil
	}
	s := *a + *b
	return &s
}

func flags(words string) reading.Flags {
	f, err := reading.ParseFlags(words)
	if err != nil {
		return reading.Suspect // they were written by this program: cannot happen
	}
	return f
}
