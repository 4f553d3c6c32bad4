package decode

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"math"
	"strconv"
	"time"

	"dwindle/collector/reading"
)

// taker takes the readings and facts of one kind from the fields.
type taker struct {
	*fields
	device   string
	dev      Device
	received time.Time
	when     moment
	retained bool
	readings []reading.Reading
	facts    []reading.Fact
}

// Bounds of what a field can sensibly hold. They catch faults of unit and
// scale, not of measurement.
const (
	mostHours   = 2e6  // more than 200 years
	mostSeconds = 1e10 // more than 300 years
	mostCM3     = 1e9  // cumulative volume of a lifetime
	mostPulses  = 1e9  // in one increment
	exactFloat  = 1 << 53
	// A signed counter of 16 or 32 bits goes below zero when it is half full,
	// and is folded back by the meter.
	wrapLow = -1 << 31
)

// add appends a reading of this message.
func (t *taker) add(q reading.Quantity, value float64) *reading.Reading {
	r := reading.Reading{
		Channel: reading.Channel{Device: t.device, Quantity: q},
		At:      t.when.at, Received: t.received, FromDevice: t.when.fromDevice, Value: value,
	}
	if !r.FromDevice {
		r.Flags |= reading.ReceiveTime
	}
	if t.retained {
		r.Flags |= reading.Retained
	}
	if t.readings == nil {
		t.readings = make([]reading.Reading, 0, 2)
	}
	t.readings = append(t.readings, r)
	return &t.readings[len(t.readings)-1]
}

// addCount appends a reading of an exact count.
func (t *taker) addCount(q reading.Quantity, n int64) *reading.Reading {
	r := t.add(q, float64(n))
	r.Count = n
	if n > exactFloat || n < -exactFloat {
		r.Flags |= reading.Inexact
	}
	return r
}

func (t *taker) run() {
	if on, ok := t.boolean("running"); ok {
		t.add(reading.RunRunning, state(on))
	}
	hours, haveHours := t.number("hours", 0, mostHours)
	seconds, haveSeconds := t.number("seconds", 0, mostSeconds)
	if haveHours && haveSeconds && !agree(hours, seconds) {
		t.keep(Disagree, "hours", short(hours)+" h against "+short(seconds)+" s, which is "+short(seconds/3600)+" h")
		return
	}
	if haveHours {
		t.add(reading.RunHours, hours)
	}
	if haveSeconds {
		t.add(reading.RunSeconds, seconds)
	}
}

// agree says that hours and seconds tell the same within 1 % of the larger.
// One second is always allowed: hours near zero have no percent to spare.
func agree(hours, seconds float64) bool {
	h := seconds / 3600
	return math.Abs(hours-h) <= max(0.01*max(hours, h), 1.0/3600)
}

func (t *taker) pulse() {
	if n, ok := t.counter("count"); ok {
		t.addCount(reading.PulseCount, n)
	}
	if n, ok := t.count("pulses", 0); ok {
		if n > mostPulses {
			t.keep(OutOfRange, "pulses", strconv.FormatInt(n, 10)+" in one message")
			return
		}
		key := t.text("id")
		if key == "" {
			t.keep(NoIncrementID, "pulses", "no id")
			return
		}
		t.addCount(reading.PulseIncrement, n).Key = key
	}
}

// counter gets a cumulative count. Below zero it is the upper half of an
// unsigned one; but for the numbers that mean "no value" by custom, which is
// worth the reading that a true one would lose.
func (t *taker) counter(name string) (int64, bool) {
	n, ok := t.count(name, wrapLow)
	switch {
	case !ok:
		return 0, false
	case n == -1, n == -9, n == -99, n == -999, n == -9999:
		t.keep(OutOfRange, name, strconv.FormatInt(n, 10)+" is below 0: it means that there was no value")
		return 0, false
	}
	return n, true
}

func (t *taker) dose() {
	if x, ok := t.number("cm3", 0, mostCM3); ok {
		t.add(reading.DoseCM3, x)
	}
	if n, ok := t.counter("strokes"); ok {
		if t.dev.CM3PerStroke <= 0 {
			t.keep(NoStrokeVolume, "strokes", "the volume of one stroke is not known")
			return
		}
		t.addCount(reading.DoseStrokes, n)
	}
}

func (t *taker) level() {
	tolerance := t.dev.TolerancePercent
	if tolerance <= 0 {
		tolerance = DefaultTolerancePercent
	}
	// Where the fill is not known (a spare), twice the site's largest reservoir
	// is still a bound, as for changes.
	mostCM3 := t.dev.CapacityCM3 * (1 + tolerance/100)
	if mostCM3 <= 0 {
		mostCM3 = 2 * t.dev.LargestCM3
	}
	above := func(name string, value, most float64, unit string) {
		if mostCM3 > 0 && value > most {
			t.keep(AboveVolume, name, short(value)+" "+unit+", at most "+short(most)+" fit")
		}
	}
	if x, ok := t.number("cm3", 0, math.MaxFloat64); ok {
		above("cm3", x, mostCM3, "cm3")
		t.add(reading.LevelCM3, x)
	}
	if x, ok := t.number("percent", 0, math.MaxFloat64); ok {
		if x > 100+tolerance {
			t.keep(AboveVolume, "percent", short(x)+" %, at most "+short(100+tolerance)+" fit")
		}
		if x > 0 && x <= 1 {
			t.notes = append(t.notes, "percent: "+short(x)+" % is very little; if the sender means a share of 1, give unit: / in the mapping")
		}
		t.add(reading.LevelPercent, x)
	}
	if x, ok := t.number("grams", 0, math.MaxFloat64); ok {
		if t.dev.DensityGPerCM3 <= 0 || t.dev.TareG <= 0 {
			t.keep(NoDensity, "grams", "density and tare are not both known")
			return
		}
		above("grams", x, mostCM3*t.dev.DensityGPerCM3, "g")
		t.add(reading.LevelGrams, x)
	}
	if n, ok := t.count("count_left", 0); ok {
		if t.dev.CM3PerPulse > 0 {
			// One pulse more: displays round up.
			above("count_left", float64(n), mostCM3/t.dev.CM3PerPulse+1, "pulses")
		}
		t.addCount(reading.LevelCountLeft, n)
	}
}

func (t *taker) status() {
	for _, s := range [...]struct {
		name      string
		quantity  reading.Quantity
		low, high float64
	}{
		{"temperature_c", reading.StatusTempC, -273.15, 2000},
		{"pressure_bar", reading.StatusBar, -2, 10000},
		{"supply_v", reading.StatusVolt, -1000, 1000},
		{"every_s", reading.StatusEveryS, 0.001, 366 * 86400},
	} {
		if x, ok := t.number(s.name, s.low, s.high); ok {
			t.add(s.quantity, x)
		}
	}
	if on, ok := t.boolean("online"); ok {
		t.add(reading.StatusOnline, state(on))
	}
	if words, ok := t.words("faults"); ok {
		t.fact(reading.Fact{Kind: reading.FactFaults, Faults: words})
	}
	if t.dev.Role != Dispenser {
		return // settings are of dispensers; from others they are extra fields
	}
	if serial := t.text("serial"); serial != "" {
		t.fact(reading.Fact{Kind: reading.FactSerial, Serial: serial})
	}
	if set := t.object("setting"); set != nil {
		t.setting(set)
	}
}

// setting reads the nested object of a reported setting.
func (t *taker) setting(set *fields) {
	fact := reading.Fact{Kind: reading.FactSetting, Pacing: set.text("pacing")}
	field := ""
	switch fact.Pacing {
	case "run":
		field = "cm3_per_100h"
	case "pulse":
		field = "cm3_per_pulse"
	default:
		set.keep(BadSetting, "pacing", strconv.Quote(clip(fact.Pacing))+" is neither run nor pulse")
	}
	x, ok := set.number(field, 0, 1e6)
	if !ok || x <= 0 {
		set.keep(BadSetting, field, "a volume above 0 is expected for pacing "+fact.Pacing)
	}
	t.coerced += set.coerced
	if set.fault != nil {
		t.keep(set.fault.Reason, "", "")
		t.fault.Detail = set.fault.Detail
		return
	}
	if fact.Pacing == "run" {
		fact.CM3Per100h = &x
	} else {
		fact.CM3PerPulse = &x
	}
	t.fact(fact)
}

func (t *taker) change() {
	volume, ok := t.number("volume_cm3", -math.MaxFloat64, math.MaxFloat64)
	most := 2 * t.dev.LargestCM3
	switch {
	case t.fault != nil:
		return
	case !ok:
		t.keep(BadVolume, "volume_cm3", "not given")
		return
	case volume <= 0:
		t.keep(BadVolume, "volume_cm3", short(volume)+" cm3 is not above 0")
		return
	case most > 0 && volume > most:
		t.keep(BadVolume, "volume_cm3", short(volume)+" cm3 is over "+short(most)+", twice the largest reservoir")
		return
	}
	fact := reading.Fact{
		Kind: reading.FactChange, VolumeCM3: &volume,
		Item: t.text("item"), Batch: t.text("batch"), Serial: t.text("serial"),
	}
	if x, ok := t.number("residual_cm3", 0, math.MaxFloat64); ok {
		if most > 0 && x > most {
			t.keep(AboveVolume, "residual_cm3", short(x)+" cm3 is over "+short(most)+", twice the largest reservoir")
		}
		fact.ResidualCM3 = &x
	}
	if x, ok := t.number("residual_g", 0, math.MaxFloat64); ok {
		// Kept even where density or tare is missing: the change itself must
		// not be lost over it, and a density given later makes it usable.
		fact.ResidualG = &x
	}
	if id := t.text("id"); id != "" {
		fact.ID = "change/" + t.device + "/" + id
	}
	t.fact(fact)
}

// fact completes a fact with device, times and key.
//
// A change with the device's own id is keyed by it. Everything else is keyed
// by content and time, so that the same report delivered twice is one fact.
// Whether two changes of equal Content within 24 h are one, and whether a
// setting only repeats what is in force, is for the intake to decide: it takes
// the journal to know.
func (t *taker) fact(f reading.Fact) {
	content := digest(f)
	f.Device, f.At, f.Received = t.device, t.when.at, t.received
	if f.ID == "" {
		if f.Kind == reading.FactChange {
			f.Content = content
		}
		f.ID = string(f.Kind) + "/" + t.device + "/" + content + "/" + strconv.FormatInt(f.At.UnixMilli(), 10)
	}
	t.facts = append(t.facts, f)
}

// digest is a short hash of what a fact says, time and device left out.
func digest(f reading.Fact) string {
	text, err := json.Marshal(f) // finite numbers and texts only: cannot fail
	if err != nil {
		text = []byte(err.Error())
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:12])
}

func state(on bool) float64 {
	if on {
		return 1
	}
	return 0
}
