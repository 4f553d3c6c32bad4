package simulate

import "time"

// FaultKind is what is really wrong.
type FaultKind string

// The kinds of faults.
const (
	BlockedLine     FaultKind = "blocked_line"
	PartialBlockage FaultKind = "partial_blockage"
	SettingFound    FaultKind = "setting_changed"     // the device reports its setting
	SettingHidden   FaultKind = "setting_hidden"      // it does not
	LeakingFitting  FaultKind = "leaking_fitting"     // grease is lost beside the bearing
	GatewaySilent   FaultKind = "gateway_silent"      // nothing behind it is heard
	DispenserSilent FaultKind = "dispenser_silent"    // one device is not heard
	RunSignalLost   FaultKind = "run_signal_lost"     // a machine's use is not heard
	BlockedUnseen   FaultKind = "blocked_line_unseen" // blocked, but the device only counts
	MissedPulses    FaultKind = "missed_pulses"       // the controller pulses, the device does not count
	DeviceStopped   FaultKind = "device_stopped"      // no strokes though the machine runs
	MachineBusier   FaultKind = "machine_busier"      // used more than planned from a day on
)

// Fault is something wrong in the plant, whether or not it can be seen.
type Fault struct {
	Kind FaultKind
	// What it strikes: a point and its dispenser, a machine, or a gateway.
	Point, Device, Machine, Gateway string
	// Start and End bound it; a zero End means that it still lasts.
	Start, End time.Time
	// Size is the true delivery over the wanted one for faults of delivery,
	// the share of pulses missed, or how much more the machine is used.
	Size float64
	// Observable says that the evidence at hand at the end of the history can
	// show it; Why says what shows it or what is missing.
	Observable bool
	Why        string
}

// Where names what the fault strikes, its most particular place first.
func (f Fault) Where() string {
	for _, id := range []string{f.Point, f.Device, f.Machine} {
		if id != "" {
			return id
		}
	}
	return f.Gateway
}

// point finds a point by id, nil if there is none.
func (p *Plant) point(id string) *point {
	if i, ok := p.byID[id]; ok {
		return &p.points[i]
	}
	return nil
}
