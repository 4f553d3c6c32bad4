package collector

import (
	"sync"

	"dwindle/collector/decode"
	"dwindle/collector/reading"
	"dwindle/config"
)

// register tells the decoder who a device is. It follows the site file and
// what was reported: the largest fill and the smallest pulse that a dispenser
// is known to have had, so that what is refused does not depend on the order
// in which messages arrive more than it must.
type register struct {
	site func() *config.Site

	mu      sync.Mutex
	of      *config.Site // that devices was made from
	devices map[string]decode.Device
	fill    map[string]float64 // largest volume put in, cm3
	pulse   map[string]float64 // smallest volume per pulse reported, cm3
}

func newRegister(site func() *config.Site) *register {
	return &register{site: site, fill: map[string]float64{}, pulse: map[string]float64{}}
}

// Lookup implements decode.Register.
func (r *register) Lookup(device string) (decode.Device, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if site := r.site(); site != r.of {
		r.of, r.devices = site, devicesOf(site)
	}
	d, ok := r.devices[device]
	if ok && d.Role == decode.Dispenser {
		d.CapacityCM3 = max(d.CapacityCM3, r.fill[device])
		if p := r.pulse[device]; p > 0 && (d.CM3PerPulse == 0 || p < d.CM3PerPulse) {
			d.CM3PerPulse = p
		}
	}
	return d, ok
}

// learn takes what committed facts say about fills and settings.
func (r *register) learn(facts []reading.Fact) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, f := range facts {
		if f.VolumeCM3 != nil && (f.Kind == reading.FactChange || f.Kind == reading.FactCommission) {
			r.fill[f.Device] = max(r.fill[f.Device], *f.VolumeCM3)
		}
		if f.CM3PerPulse != nil && f.Kind == reading.FactSetting && *f.CM3PerPulse > 0 {
			if p, ok := r.pulse[f.Device]; !ok || *f.CM3PerPulse < p {
				r.pulse[f.Device] = *f.CM3PerPulse
			}
		}
	}
}

// devicesOf draws from a site file what the decoder needs.
func devicesOf(site *config.Site) map[string]decode.Device {
	out := map[string]decode.Device{}
	for _, g := range site.Gateways {
		out[g.ID] = decode.Device{Role: decode.Gateway}
	}
	for _, m := range site.Machines {
		out[m.ID] = decode.Device{Role: decode.Machine}
	}
	largest := 0.0
	for _, c := range site.Reservoirs {
		largest = max(largest, c.NominalCM3, c.UsableCM3)
	}
	for i := range site.Dispensers {
		d := &site.Dispensers[i]
		x := decode.Device{Role: decode.Dispenser, LargestCM3: largest, CapacityCM3: largest}
		if m := site.Model(d.Model); m != nil {
			x.CM3PerStroke = m.CM3PerStroke
		}
		if p := site.Point(d.Point); p != nil {
			if c := site.Reservoir(p.Reservoir); c != nil {
				x.CapacityCM3, x.TareG = max(c.NominalCM3, c.UsableCM3), c.TareG
			}
			if l := site.Lubricant(p.Lubricant); l != nil {
				x.DensityGPerCM3 = l.DensityGPerCM3
			}
		}
		for _, set := range d.Settings {
			if set.CM3PerPulse > 0 && (x.CM3PerPulse == 0 || set.CM3PerPulse < x.CM3PerPulse) {
				x.CM3PerPulse = set.CM3PerPulse
			}
		}
		out[d.ID] = x
	}
	return out
}
