package forecast

import (
	"runtime"

	"dwindle/config"
	"dwindle/forecast/calibration"
)

func (o Options) withDefaults() Options {
	if o.WindowDays <= 0 {
		o.WindowDays = 28
	}
	if o.Workers <= 0 {
		o.Workers = runtime.GOMAXPROCS(0)
	}
	if o.Calibration == nil {
		o.Calibration = calibration.Builtin()
	}
	return o
}

// defaults fills in what a site made by hand leaves out; a loaded site has all.
func defaults(l config.Limits) config.Limits {
	def := func(v *float64, d float64) {
		if *v <= 0 {
			*v = d
		}
	}
	def(&l.UnderRatio, 0.85)
	def(&l.OverRatio, 1.15)
	def(&l.NotDispensingRatio, 0.30)
	def(&l.DryCostRatio, config.DefaultDryCostRatio)
	def(&l.DryCostRatioA, l.DryCostRatio)
	if l.HorizonDays <= 0 {
		l.HorizonDays = 730
	}
	if l.CommissioningDays <= 0 {
		l.CommissioningDays = 14
	}
	return l
}
