package decode

import (
	"strconv"
	"strings"
	"time"

	"dwindle/collector/reading"
)

// sample is what one device said at one time, under the names of the native
// fields. Every payload form ends here, so that whatever way a value was
// written it is vetted by the same rules.
type sample struct {
	device string
	kind   reading.Kind
	fields *fields
	when   moment
}

// lookup finds a device that may send a kind.
func lookup(reg Register, id string, kind reading.Kind) (Device, *Kept) {
	dev, known := reg.Lookup(id)
	switch {
	case !known:
		return dev, &Kept{Reason: UnknownDevice, Device: id, Unknown: id, Detail: "device " + strconv.Quote(id) + " is not in the register"}
	case !allowed(dev.Role, kind):
		return dev, &Kept{Reason: WrongDevice, Device: id, Detail: string(kind) + " from a " + dev.Role.String()}
	}
	return dev, nil
}

// vet takes the readings and facts of a sample, or says why it cannot be used.
func (s sample) vet(dev Device, received time.Time, retained bool) (Decoded, *Kept) {
	f := s.fields
	f.kind, f.density = string(s.kind), dev.DensityGPerCM3
	t := &taker{fields: f, device: s.device, dev: dev, received: received, when: s.when, retained: retained}
	switch s.kind {
	case reading.Run:
		t.run()
	case reading.Pulse:
		t.pulse()
	case reading.Dose:
		t.dose()
	case reading.Level:
		t.level()
	case reading.Status:
		t.status()
	case reading.Change:
		t.change()
	}
	if f.fault != nil {
		f.fault.Device = s.device
		return Decoded{}, f.fault
	}
	if len(t.readings) == 0 && len(t.facts) == 0 {
		detail := "none of the fields of " + string(s.kind)
		if len(f.missing) > 0 {
			detail = "no value in " + strings.Join(f.missing, ", ")
		}
		return Decoded{}, &Kept{Reason: NoValue, Device: s.device, Detail: detail}
	}
	d := Decoded{Device: s.device, Kind: s.kind, Readings: t.readings, Facts: t.facts,
		Coerced: f.coerced, Missing: f.missing, RawAt: s.when.raw, Clock: s.when.shown(), Hint: s.when.hint, TimeUnit: s.when.unit, Notes: f.notes}
	if retained && !s.when.fromDevice {
		d.StateOnly, d.Readings, d.Facts = true, nil, nil
	}
	return d, nil
}
