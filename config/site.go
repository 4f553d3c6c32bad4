// Package config holds what a site says it has and wants: the register of
// areas, machines, points and dispensers, the calendar, the limits and the
// connections, read from one YAML site file.
//
// It imports nothing of ours but its own leaves (civil, unit). Start with
// [Load], which reports every fault at once, each with its place and remedy.
package config

import (
	"time"

	"dwindle/config/civil"
)

// Pacing is what makes a dispenser dispense.
type Pacing string

// The pacings.
const (
	PacingRun   Pacing = "run"   // a volume per 100 machine run-hours
	PacingPulse Pacing = "pulse" // a volume per controller pulse
)

// Evidence says what a level or dose channel rests on.
type Evidence string

// The kinds of evidence. Only measured evidence can prove delivery: a count
// that a device makes of its own strokes agrees with the command by
// construction.
const (
	EvidenceMeasured Evidence = "measured"
	EvidenceCounted  Evidence = "counted"
	EvidenceNone     Evidence = "none"
)

// Criticality ranks machines by what a failure costs.
type Criticality string

// The criticalities: A stops production or endangers, B limits, C is minor.
const (
	CriticalityA Criticality = "A"
	CriticalityB Criticality = "B"
	CriticalityC Criticality = "C"
)

// Site is a whole site file. Slices keep the file's order.
type Site struct {
	ID          string           `yaml:"site"`
	Name        string           `yaml:"name"`
	Zone        string           `yaml:"zone"` // IANA name
	Data        string           `yaml:"data"` // directory; relative to the site file
	Areas       []Area           `yaml:"areas"`
	Machines    []Machine        `yaml:"machines"`
	Gateways    []Gateway        `yaml:"gateways"`
	Lubricants  []Lubricant      `yaml:"lubricants"`
	Reservoirs  []Reservoir      `yaml:"reservoirs"`
	Models      []DispenserModel `yaml:"dispenser_models"`
	Points      []Point          `yaml:"points"`
	Dispensers  []Dispenser      `yaml:"dispensers"`
	Calendar    Calendar         `yaml:"calendar"`
	Limits      Limits           `yaml:"limits"`
	Roles       []Role           `yaml:"roles"`
	Connections Connections      `yaml:"connections"`

	path  string
	loc   *time.Location
	index index
}

// Area is a part of the site.
type Area struct {
	ID   string `yaml:"id"`
	Name string `yaml:"name"`
}

// Machine is what holds lube points and runs.
type Machine struct {
	ID          string      `yaml:"id"`
	Name        string      `yaml:"name"`
	Area        string      `yaml:"area"`
	Criticality Criticality `yaml:"criticality"`
	// RunSignal says that run messages of this machine are expected. Default
	// true; false for machines without one (their plans are per day).
	RunSignal *bool `yaml:"run_signal"`
	// Every is the expected interval of its run messages.
	Every time.Duration `yaml:"every"`
}

// Gateway stands between devices and the broker.
type Gateway struct {
	ID         string   `yaml:"id"`
	Name       string   `yaml:"name"`
	Area       string   `yaml:"area"`
	Machines   []string `yaml:"machines"`
	Dispensers []string `yaml:"dispensers"`
}

// Lubricant is a grease or oil.
type Lubricant struct {
	ID               string   `yaml:"id"`
	Name             string   `yaml:"name"`
	Designation      string   `yaml:"designation"` // e.g. KP2K-20 (form of DIN 51502)
	DensityGPerCM3   float64  `yaml:"density_g_per_cm3"`
	LowestTempC      *float64 `yaml:"lowest_temp_c"`
	ShelfLifeMonths  int      `yaml:"shelf_life_months"`
	SafetyNote       string   `yaml:"safety_note"`
	densityDefaulted bool
}

// Reservoir is a kind of exchangeable container.
type Reservoir struct {
	ID            string  `yaml:"id"`
	Name          string  `yaml:"name"`
	Item          string  `yaml:"item"` // stores' number
	NominalCM3    float64 `yaml:"nominal_cm3"`
	UsableCM3     float64 `yaml:"usable_cm3"`
	FillSDPercent float64 `yaml:"fill_sd_percent"` // scatter of a new fill; default 2
	TareG         float64 `yaml:"tare_g"`          // 0: not known, grams refused
	MaxStayMonths int     `yaml:"max_stay_months"` // default 12
}

// DispenserModel says which settings a kind of dispenser has. None is built in.
type DispenserModel struct {
	ID     string   `yaml:"id"`
	Name   string   `yaml:"name"`
	Pacing []Pacing `yaml:"pacing"`
	// Settings that exist, as a list or as a range with a step.
	RunStepsCM3Per100h []float64 `yaml:"run_steps_cm3_per_100h"`
	RunRangeCM3Per100h *Range    `yaml:"run_range_cm3_per_100h"`
	PulseStepsCM3      []float64 `yaml:"pulse_steps_cm3"`
	PulseRangeCM3      *Range    `yaml:"pulse_range_cm3"`
	CM3PerStroke       float64   `yaml:"cm3_per_stroke"`    // 0: strokes refused
	StrokeSDPercent    float64   `yaml:"stroke_sd_percent"` // scatter of one dose; default 10
	Reservoirs         []string  `yaml:"reservoirs"`
}

// Range is a range of settings with a step.
type Range struct {
	From float64 `yaml:"from"`
	To   float64 `yaml:"to"`
	Step float64 `yaml:"step"`
}

// Point is a lube point: the permanent place that gets lubricant.
type Point struct {
	ID        string `yaml:"id"`
	Name      string `yaml:"name"`
	Machine   string `yaml:"machine"`
	Location  string `yaml:"location"` // how to reach it
	Sequence  int    `yaml:"sequence"` // walking order
	Lubricant string `yaml:"lubricant"`
	Reservoir string `yaml:"reservoir"`
	Plan      Plan   `yaml:"plan"`
}

// Plan is the wanted dose and the expected duty of a point.
type Plan struct {
	// Exactly one of the two doses.
	DoseCM3Per100h float64 `yaml:"dose_cm3_per_100h"`
	DoseCM3PerDay  float64 `yaml:"dose_cm3_per_day"`
	// TolerancePercent is how far delivery may differ. Default 15.
	TolerancePercent float64 `yaml:"tolerance_percent"`
	// HoursPerWeek is the expected duty of the machine.
	HoursPerWeek float64 `yaml:"hours_per_week"`
	// Pulse-paced points have one of these.
	PulsesPer100h float64 `yaml:"pulses_per_100h"`
	PulsesPerDay  float64 `yaml:"pulses_per_day"`
	// Source says where the dose comes from (maker's table, handbook, ...).
	Source string `yaml:"source"`
}

// Dispenser is a device, swappable; Point says where it is mounted.
type Dispenser struct {
	ID       string        `yaml:"id"`
	Serial   string        `yaml:"serial"`
	Model    string        `yaml:"model"`
	Point    string        `yaml:"point"` // empty: a spare
	Settings []Setting     `yaml:"settings"`
	Channels []ChannelInfo `yaml:"channels"`
	Every    time.Duration `yaml:"every"` // expected reporting interval
}

// Setting is what a dispenser is set to from a date on.
type Setting struct {
	ValidFrom   civil.Date `yaml:"valid_from"`
	Pacing      Pacing     `yaml:"pacing"`
	CM3Per100h  float64    `yaml:"cm3_per_100h"`
	CM3PerPulse float64    `yaml:"cm3_per_pulse"`
}

// ChannelInfo declares what a level or dose channel of a dispenser rests on.
// Undeclared: strokes and counts are counted, level is measured.
type ChannelInfo struct {
	Kind        string   `yaml:"kind"` // level or dose
	Evidence    Evidence `yaml:"evidence"`
	StepPercent float64  `yaml:"step_percent"` // resolution, of the usable volume
	StepCM3     float64  `yaml:"step_cm3"`
	SDCM3       float64  `yaml:"sd_cm3"` // noise beside the step
}

// Calendar holds what is known about coming and past days.
type Calendar struct {
	Holidays  []Holiday  `yaml:"holidays"`
	Shutdowns []Shutdown `yaml:"shutdowns"`
	Rounds    []Round    `yaml:"rounds"`
}

// Holiday is one civil day.
type Holiday struct {
	Date civil.Date `yaml:"date"`
	Name string     `yaml:"name"`
}

// Shutdown is a planned stop, both days included, of the named areas or
// machines, or of the whole site where none is named.
type Shutdown struct {
	From     civil.Date `yaml:"from"`
	To       civil.Date `yaml:"to"`
	Name     string     `yaml:"name"`
	Areas    []string   `yaml:"areas"`
	Machines []string   `yaml:"machines"`
}

// Round is a planned visit, repeated every so many weeks from First on, or on
// listed dates, to the named areas or to the whole site.
type Round struct {
	ID         string       `yaml:"id"`
	Name       string       `yaml:"name"`
	Areas      []string     `yaml:"areas"`
	First      civil.Date   `yaml:"first"`
	EveryWeeks int          `yaml:"every_weeks"`
	Dates      []civil.Date `yaml:"dates"`
}

// Limits are the alarm limits. Zero values take the defaults, each of which
// has its reason beside it in defaults.go.
type Limits struct {
	EmptyChance          float64       `yaml:"empty_chance"`            // 0.20: chance of empty before the next visit
	EmptyChanceCriticalA float64       `yaml:"empty_chance_critical_a"` // 0.10
	DriftDays            int           `yaml:"drift_days"`              // 7
	DriftPercent         float64       `yaml:"drift_percent"`           // 10, of the planned life
	UnderRatio           float64       `yaml:"under_ratio"`             // 0.85
	UnderRatioClear      float64       `yaml:"under_ratio_clear"`       // 0.92
	OverRatio            float64       `yaml:"over_ratio"`              // 1.15
	OverRatioClear       float64       `yaml:"over_ratio_clear"`        // 1.08
	NotDispensingRatio   float64       `yaml:"not_dispensing_ratio"`    // 0.30
	MissedDoses          float64       `yaml:"missed_doses"`            // 2
	SilenceIntervals     float64       `yaml:"silence_intervals"`       // 3
	SilenceMin           time.Duration `yaml:"silence_min"`             // 1h
	GatewayDevices       int           `yaml:"gateway_devices"`         // 3
	GatewayPercent       float64       `yaml:"gateway_percent"`         // 30
	SettingPercent       float64       `yaml:"setting_percent"`         // 1: smaller differences are rounding
	SettingMediumPercent float64       `yaml:"setting_medium_percent"`  // 25: above, medium priority
	CommissioningDays    int           `yaml:"commissioning_days"`      // 14
	SettleAfterChange    time.Duration `yaml:"settle_after_change"`     // 24h
	HorizonDays          int           `yaml:"horizon_days"`            // 730
}

// Role is who owns an alarm.
type Role struct {
	ID     string   `yaml:"id"`
	Name   string   `yaml:"name"`
	Alarms []string `yaml:"alarms"` // alarm types it owns; default per type
}

// Connections say where messages come from and what is served.
type Connections struct {
	Prefix   string    `yaml:"prefix"` // default lube/v1
	Broker   *Broker   `yaml:"broker"`
	Embedded *Embedded `yaml:"embedded_broker"`
	Board    *Listener `yaml:"board"`
	Intake   Intake    `yaml:"intake"`
}

// Broker is an external MQTT broker.
type Broker struct {
	URL          string `yaml:"url"` // tcp://host:1883 or ssl://host:8883
	ClientID     string `yaml:"client_id"`
	Username     string `yaml:"username"`
	PasswordFile string `yaml:"password_file"`
	CAFile       string `yaml:"ca_file"`
	CertFile     string `yaml:"cert_file"`
	KeyFile      string `yaml:"key_file"`
}

// Embedded is the broker inside the program, for one box. It listens on
// loopback addresses only.
type Embedded struct {
	Listen string `yaml:"listen"` // 127.0.0.1:1883
}

// Listener is an address that is served.
type Listener struct {
	Listen string `yaml:"listen"`
}

// Intake bounds the way from message to disk.
type Intake struct {
	Queue  int           `yaml:"queue"`  // messages waiting at most; default 4096
	Batch  int           `yaml:"batch"`  // messages in one commit at most; default 1000
	Linger time.Duration `yaml:"linger"` // wait for more before a commit; default 0
}
