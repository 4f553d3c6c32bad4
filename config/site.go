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
	"dwindle/config/mapping"
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
	ID          string           `yaml:"site,omitempty"`
	Name        string           `yaml:"name,omitempty"`
	Zone        string           `yaml:"zone,omitempty"` // IANA name
	Data        string           `yaml:"data,omitempty"` // directory; relative to the site file
	Areas       []Area           `yaml:"areas,omitempty"`
	Machines    []Machine        `yaml:"machines,omitempty"`
	Gateways    []Gateway        `yaml:"gateways,omitempty"`
	Lubricants  []Lubricant      `yaml:"lubricants,omitempty"`
	Reservoirs  []Reservoir      `yaml:"reservoirs,omitempty"`
	Models      []DispenserModel `yaml:"dispenser_models,omitempty"`
	Points      []Point          `yaml:"points,omitempty"`
	Dispensers  []Dispenser      `yaml:"dispensers,omitempty"`
	Calendar    Calendar         `yaml:"calendar,omitempty"`
	Limits      Limits           `yaml:"limits,omitempty"`
	Roles       []Role           `yaml:"roles,omitempty"`
	Connections Connections      `yaml:"connections,omitempty"`
	Snapshots   Snapshots        `yaml:"snapshots,omitempty"`
	Keep        Keep             `yaml:"keep,omitempty"`
	Stores      Stores           `yaml:"stores,omitempty"`

	path     string
	source   []byte // the text it was read from
	warnings []Fault
	loc      *time.Location
	filters  []string
	index    index
}

// Area is a part of the site.
type Area struct {
	ID   string `yaml:"id,omitempty"`
	Name string `yaml:"name,omitempty"`
}

// Machine is what holds lube points and runs.
type Machine struct {
	ID          string      `yaml:"id,omitempty"`
	Name        string      `yaml:"name,omitempty"`
	Area        string      `yaml:"area,omitempty"`
	Criticality Criticality `yaml:"criticality,omitempty"`
	// RunSignal says that run messages of this machine are expected. Default
	// true; false for machines without one (their plans are per day).
	RunSignal *bool `yaml:"run_signal,omitempty"`
	// Every is the expected interval of its run messages.
	Every time.Duration `yaml:"every,omitempty"`
}

// Gateway stands between devices and the broker.
type Gateway struct {
	ID         string   `yaml:"id,omitempty"`
	Name       string   `yaml:"name,omitempty"`
	Area       string   `yaml:"area,omitempty"`
	Machines   []string `yaml:"machines,omitempty"`
	Dispensers []string `yaml:"dispensers,omitempty"`
}

// Lubricant is a grease or oil.
type Lubricant struct {
	ID               string   `yaml:"id,omitempty"`
	Name             string   `yaml:"name,omitempty"`
	Designation      string   `yaml:"designation,omitempty"` // e.g. KP2K-20 (form of DIN 51502)
	DensityGPerCM3   float64  `yaml:"density_g_per_cm3,omitempty"`
	LowestTempC      *float64 `yaml:"lowest_temp_c,omitempty"`
	ShelfLifeMonths  int      `yaml:"shelf_life_months,omitempty"`
	SafetyNote       string   `yaml:"safety_note,omitempty"`
	densityDefaulted bool
}

// Reservoir is a kind of exchangeable container.
type Reservoir struct {
	ID            string  `yaml:"id,omitempty"`
	Name          string  `yaml:"name,omitempty"`
	Item          string  `yaml:"item,omitempty"` // stores' number
	NominalCM3    float64 `yaml:"nominal_cm3,omitempty"`
	UsableCM3     float64 `yaml:"usable_cm3,omitempty"`
	FillSDPercent float64 `yaml:"fill_sd_percent,omitempty"` // scatter of a new fill; default 2
	TareG         float64 `yaml:"tare_g,omitempty"`          // 0: not known, grams refused
	MaxStayMonths int     `yaml:"max_stay_months,omitempty"` // default 12
}

// DispenserModel says which settings a kind of dispenser has. None is built in.
type DispenserModel struct {
	ID     string   `yaml:"id,omitempty"`
	Name   string   `yaml:"name,omitempty"`
	Pacing []Pacing `yaml:"pacing,omitempty"`
	// Settings that exist, as a list or as a range with a step.
	RunStepsCM3Per100h []float64 `yaml:"run_steps_cm3_per_100h,omitempty"`
	RunRangeCM3Per100h *Range    `yaml:"run_range_cm3_per_100h,omitempty"`
	PulseStepsCM3      []float64 `yaml:"pulse_steps_cm3,omitempty"`
	PulseRangeCM3      *Range    `yaml:"pulse_range_cm3,omitempty"`
	CM3PerStroke       float64   `yaml:"cm3_per_stroke,omitempty"`    // 0: strokes refused
	StrokeSDPercent    float64   `yaml:"stroke_sd_percent,omitempty"` // scatter of one dose; default 10
	Reservoirs         []string  `yaml:"reservoirs,omitempty"`
}

// Range is a range of settings with a step.
type Range struct {
	From float64 `yaml:"from,omitempty"`
	To   float64 `yaml:"to,omitempty"`
	Step float64 `yaml:"step,omitempty"`
}

// Point is a lube point: the permanent place that gets lubricant.
type Point struct {
	ID        string `yaml:"id,omitempty"`
	Name      string `yaml:"name,omitempty"`
	Machine   string `yaml:"machine,omitempty"`
	Location  string `yaml:"location,omitempty"` // how to reach it
	Sequence  int    `yaml:"sequence,omitempty"` // walking order
	Lubricant string `yaml:"lubricant,omitempty"`
	Reservoir string `yaml:"reservoir,omitempty"`
	Plan      Plan   `yaml:"plan,omitempty"`
}

// Plan is the wanted dose and the expected duty of a point.
type Plan struct {
	// Exactly one of the two doses.
	DoseCM3Per100h float64 `yaml:"dose_cm3_per_100h,omitempty"`
	DoseCM3PerDay  float64 `yaml:"dose_cm3_per_day,omitempty"`
	// TolerancePercent is how far delivery may differ. Default 15.
	TolerancePercent float64 `yaml:"tolerance_percent,omitempty"`
	// HoursPerWeek is the expected duty of the machine.
	HoursPerWeek float64 `yaml:"hours_per_week,omitempty"`
	// Pulse-paced points have one of these.
	PulsesPer100h float64 `yaml:"pulses_per_100h,omitempty"`
	PulsesPerDay  float64 `yaml:"pulses_per_day,omitempty"`
	// Source says where the dose comes from (maker's table, handbook, ...).
	Source string `yaml:"source,omitempty"`
}

// Dispenser is a device, swappable; Point says where it is mounted.
type Dispenser struct {
	ID       string        `yaml:"id,omitempty"`
	Serial   string        `yaml:"serial,omitempty"`
	Model    string        `yaml:"model,omitempty"`
	Point    string        `yaml:"point,omitempty"` // empty: a spare
	Settings []Setting     `yaml:"settings,omitempty"`
	Channels []ChannelInfo `yaml:"channels,omitempty"`
	Every    time.Duration `yaml:"every,omitempty"` // expected reporting interval
}

// Setting is what a dispenser is set to from a date on.
type Setting struct {
	ValidFrom   civil.Date `yaml:"valid_from,omitempty"`
	Pacing      Pacing     `yaml:"pacing,omitempty"`
	CM3Per100h  float64    `yaml:"cm3_per_100h,omitempty"`
	CM3PerPulse float64    `yaml:"cm3_per_pulse,omitempty"`
}

// ChannelInfo declares what a level or dose channel of a dispenser rests on.
// Undeclared: strokes and counts are counted, level is measured.
type ChannelInfo struct {
	Kind        string   `yaml:"kind,omitempty"` // level or dose
	Evidence    Evidence `yaml:"evidence,omitempty"`
	StepPercent float64  `yaml:"step_percent,omitempty"` // resolution, of the usable volume
	StepCM3     float64  `yaml:"step_cm3,omitempty"`
	SDCM3       float64  `yaml:"sd_cm3,omitempty"` // noise beside the step
}

// Calendar holds what is known about coming and past days.
type Calendar struct {
	Holidays     []Holiday     `yaml:"holidays,omitempty"`
	Shutdowns    []Shutdown    `yaml:"shutdowns,omitempty"`
	WorkPatterns []WorkPattern `yaml:"work_patterns,omitempty"`
	Rounds       []Round       `yaml:"rounds,omitempty"`
}

// Holiday is one civil day.
type Holiday struct {
	Date civil.Date `yaml:"date,omitempty"`
	Name string     `yaml:"name,omitempty"`
}

// Shutdown is a planned stop, both days included, of the named areas or
// machines, or of the whole site where none is named.
type Shutdown struct {
	From     civil.Date `yaml:"from,omitempty"`
	To       civil.Date `yaml:"to,omitempty"`
	Name     string     `yaml:"name,omitempty"`
	Areas    []string   `yaml:"areas,omitempty"`
	Machines []string   `yaml:"machines,omitempty"`
}

// WorkPattern is a time, both days included, in which the named areas or
// machines, or the whole site where none is named, are used more or less than
// usual: a campaign, short time. Entries of one name are the same pattern at
// different times. Shutdowns and holidays in it stay what they are.
type WorkPattern struct {
	Name     string     `yaml:"name,omitempty"`
	From     civil.Date `yaml:"from,omitempty"`
	To       civil.Date `yaml:"to,omitempty"`
	Areas    []string   `yaml:"areas,omitempty"`
	Machines []string   `yaml:"machines,omitempty"`
	// Exactly one of the two: use as a multiple of an ordinary day's, or the
	// machine's run-hours per week, to be held against those of its plan.
	Load         float64 `yaml:"load,omitempty"`
	HoursPerWeek float64 `yaml:"hours_per_week,omitempty"`
}

// Round is a planned visit, repeated every so many weeks from First on, or on
// listed dates, to the named areas or to the whole site.
type Round struct {
	ID         string       `yaml:"id,omitempty"`
	Name       string       `yaml:"name,omitempty"`
	Areas      []string     `yaml:"areas,omitempty"`
	First      civil.Date   `yaml:"first,omitempty"`
	EveryWeeks int          `yaml:"every_weeks,omitempty"`
	Dates      []civil.Date `yaml:"dates,omitempty"`
}

// Limits are the alarm limits. Zero values take the defaults, each of which
// has its reason beside it in defaults.go.
type Limits struct {
	EmptyChance          float64       `yaml:"empty_chance,omitempty"`            // 0.20: chance of empty before the next visit
	EmptyChanceCriticalA float64       `yaml:"empty_chance_critical_a,omitempty"` // 0.10
	DryCostRatio         float64       `yaml:"dry_cost_ratio,omitempty"`          // 9: cost of running dry beside that of a change too early
	DryCostRatioA        float64       `yaml:"dry_cost_ratio_critical_a,omitempty"`
	DriftDays            int           `yaml:"drift_days,omitempty"`             // 7
	DriftPercent         float64       `yaml:"drift_percent,omitempty"`          // 10, of the planned life
	UnderRatio           float64       `yaml:"under_ratio,omitempty"`            // 0.85
	UnderRatioClear      float64       `yaml:"under_ratio_clear,omitempty"`      // 0.92
	OverRatio            float64       `yaml:"over_ratio,omitempty"`             // 1.15
	OverRatioClear       float64       `yaml:"over_ratio_clear,omitempty"`       // 1.08
	NotDispensingRatio   float64       `yaml:"not_dispensing_ratio,omitempty"`   // 0.30
	MissedDoses          float64       `yaml:"missed_doses,omitempty"`           // 2
	SilenceIntervals     float64       `yaml:"silence_intervals,omitempty"`      // 3
	SilenceMin           time.Duration `yaml:"silence_min,omitempty"`            // 1h
	GatewayDevices       int           `yaml:"gateway_devices,omitempty"`        // 3
	GatewayPercent       float64       `yaml:"gateway_percent,omitempty"`        // 30
	SettingPercent       float64       `yaml:"setting_percent,omitempty"`        // 1: smaller differences are rounding
	SettingMediumPercent float64       `yaml:"setting_medium_percent,omitempty"` // 25: above, medium priority
	CommissioningDays    int           `yaml:"commissioning_days,omitempty"`     // 14
	SettleAfterChange    time.Duration `yaml:"settle_after_change,omitempty"`    // 24h
	HorizonDays          int           `yaml:"horizon_days,omitempty"`           // 730
}

// Role is who owns an alarm.
type Role struct {
	ID     string   `yaml:"id,omitempty"`
	Name   string   `yaml:"name,omitempty"`
	Alarms []string `yaml:"alarms,omitempty"` // alarm types it owns; default per type
}

// Connections say where messages come from and what is served.
type Connections struct {
	Prefix   string    `yaml:"prefix,omitempty"` // default lube/v1
	Broker   *Broker   `yaml:"broker,omitempty"`
	Brokers  []Broker  `yaml:"brokers,omitempty"` // further ones, each with a name
	Embedded *Embedded `yaml:"embedded_broker,omitempty"`
	Board    *Listener `yaml:"board,omitempty"`
	Monitor  *Monitor  `yaml:"monitor,omitempty"`
	Intake   Intake    `yaml:"intake,omitempty"`
	// Mappings say what messages of other payload forms mean. The first that
	// fits a topic is used.
	Mappings []mapping.Mapping `yaml:"mappings,omitempty"`
	// Ignore are topic filters whose messages are counted and not stored, such
	// as those of tests.
	Ignore []string `yaml:"ignore,omitempty"`
	// Sparkplug follows the sessions of Sparkplug edge nodes.
	Sparkplug *Sparkplug `yaml:"sparkplug,omitempty"`
}

// Sparkplug makes dwindle a host of Sparkplug edge nodes at one broker.
// Mappings of topics spBv1.0/... say what their metrics mean.
type Sparkplug struct {
	// Broker is the name of the broker; not needed where there is one.
	Broker string `yaml:"broker,omitempty"`
	// HostID is a level of the topic on which a primary host says that it is
	// there.
	HostID string `yaml:"host_id,omitempty"`
	// Primary says so: edge nodes that name this host keep what they have while
	// it is away.
	Primary bool     `yaml:"primary,omitempty"`
	Groups  []string `yaml:"groups,omitempty"` // empty: all
	// Reorder is how long a missing message is waited for; default 3 s.
	Reorder time.Duration `yaml:"reorder,omitempty"`
}

// Broker is an external MQTT broker.
type Broker struct {
	// Name tells brokers apart in health, logs and file names.
	Name         string `yaml:"name,omitempty"`
	URL          string `yaml:"url,omitempty"` // tcp://host:1883 or ssl://host:8883
	ClientID     string `yaml:"client_id,omitempty"`
	Username     string `yaml:"username,omitempty"`
	PasswordFile string `yaml:"password_file,omitempty"`
	CAFile       string `yaml:"ca_file,omitempty"`
	CertFile     string `yaml:"cert_file,omitempty"`
	KeyFile      string `yaml:"key_file,omitempty"`
	// Probe says that a small message of our own is published, while no other
	// arrives, to see whether a granted subscription delivers. Default true.
	Probe *bool `yaml:"probe,omitempty"`
	// DroppedCounter reads how many messages the broker dropped from its $SYS
	// topics, for the monitor.
	DroppedCounter bool `yaml:"dropped_counter,omitempty"`
}

// Embedded is the broker inside the program. It listens on loopback addresses
// only, for one box, unless it has both TLS and accounts.
type Embedded struct {
	Listen string `yaml:"listen,omitempty"` // 127.0.0.1:1883
	// AccountsFile holds names and hashed passwords; `dwindle account` makes
	// its lines. An account may publish below its own name and, if that is a
	// gateway's id, for the devices behind it.
	AccountsFile string       `yaml:"accounts_file,omitempty"`
	TLS          *EmbeddedTLS `yaml:"tls,omitempty"`
	Access       []Access     `yaml:"access,omitempty"`
}

// EmbeddedTLS are the files of an encrypted listener, PEM. They are read again
// for each connection.
type EmbeddedTLS struct {
	CertFile string `yaml:"cert_file,omitempty"`
	KeyFile  string `yaml:"key_file,omitempty"`
	// ClientCAFile names the authorities of client certificates, whose common
	// name is the account. Without accounts_file each client needs one.
	ClientCAFile string `yaml:"client_ca_file,omitempty"`
}

// Access is what an account of the embedded broker may do beside publishing
// below its own name.
type Access struct {
	Account string   `yaml:"account,omitempty"`
	Write   []string `yaml:"write,omitempty"` // topic filters
	Read    []string `yaml:"read,omitempty"`  // topic filters
}

// Listener is an address that is served.
type Listener struct {
	Listen string `yaml:"listen,omitempty"`
}

// Monitor is where supervisors ask: /healthz, /readyz, /metrics, and profiles.
// It listens on loopback addresses only.
type Monitor struct {
	Listen string `yaml:"listen,omitempty"` // 127.0.0.1:9310
}

// Intake bounds the way from message to disk.
type Intake struct {
	Queue  int           `yaml:"queue,omitempty"`  // messages waiting at most; default 4096
	Batch  int           `yaml:"batch,omitempty"`  // messages in one commit at most; default 1000
	Linger time.Duration `yaml:"linger,omitempty"` // wait for more before a commit; default 0
	// DiskMBPerDay is what the whole program should write to disks in a day; above
	// it health warns. Default 600, 0: no warning.
	DiskMBPerDay *int `yaml:"disk_mb_per_day,omitempty"`
	RawMB        *int `yaml:"raw_mb,omitempty"` // ring of understood messages as they came, packed; default 64, 0: none
}

// Snapshots are copies of the stores beside them, to go on from when one is
// found damaged.
type Snapshots struct {
	Every   time.Duration `yaml:"every,omitempty"`    // 24h; later where the next key says so
	DailyMB int           `yaml:"daily_mb,omitempty"` // 100: what copies may write a day on average
	Keep    *int          `yaml:"keep,omitempty"`     // 3; 0: none are made
	Dir     string        `yaml:"dir,omitempty"`      // default snapshots in the data directory; relative to the site file
}

// Keep says how long what was observed is kept. Daily figures stay for ever.
type Keep struct {
	ReadingsDays int `yaml:"readings_days,omitempty"` // 400
}

// StoreKind says what holds the readings that results are worked out from.
type StoreKind string

// The kinds of stores.
const (
	StoreEmbedded StoreKind = "embedded" // a journal in the data directory, filled by the intake
	StoreInflux   StoreKind = "influx"   // InfluxDB, filled by other machines
)

// Stores say where readings and results are kept beside the data directory.
type Stores struct {
	// Influx is where readings, facts and daily results are forwarded to, or
	// come from with Journal influx.
	Influx *Influx `yaml:"influx,omitempty"`
	// Journal is influx on a machine that has no readings of its own and works
	// from those in InfluxDB. Default embedded.
	Journal StoreKind `yaml:"journal,omitempty"`
}

// Influx is a server of InfluxDB 2.
type Influx struct {
	URL          string `yaml:"url,omitempty"` // http://127.0.0.1:8086 or https://host:8086
	Organisation string `yaml:"organisation,omitempty"`
	Bucket       string `yaml:"bucket,omitempty"`
	// TokenFile holds the token alone: one that may write the bucket, or read it
	// where the journal is there.
	TokenFile string `yaml:"token_file,omitempty"`
	CAFile    string `yaml:"ca_file,omitempty"`
	// PrepareTokenFile holds the token of an operator, for serve --prepare-stores
	// alone.
	PrepareTokenFile string        `yaml:"prepare_token_file,omitempty"`
	BatchRows        int           `yaml:"batch_rows,omitempty"`   // lines in one request at most; default 5000
	BatchBytes       int           `yaml:"batch_bytes,omitempty"`  // before they are packed; default 1 MB
	Every            time.Duration `yaml:"every,omitempty"`        // how long new readings are gathered, or how often a working copy is brought up to date; default 10 s
	Retention        time.Duration `yaml:"retention,omitempty"`    // of the bucket, as it is made; 0: for ever
	DailyBucket      string        `yaml:"daily_bucket,omitempty"` // where daily means go, if anywhere
	// BacklogDays is how long readings that have reached their age stay for a
	// server that does not take them. Default 30.
	BacklogDays int `yaml:"backlog_days,omitempty"`
}
