package config

import (
	"reflect"
	"time"

	"dwindle/config/unit"
)

// The defaults. What a default rests on stands beside it here and is what
// `check --effective` prints, from the table below.
const (
	// Planning: twenty in a hundred is where a planner moves a visit; common
	// practice, half of it where a failure stops production.
	DefaultEmptyChance          = 0.20
	DefaultEmptyChanceCriticalA = 0.10

	// Nine times the cost of a change too early is one chance in ten, the early
	// date; a proposal.
	DefaultDryCostRatio = 9.0

	// A week is the usual slack of a round; a tenth of a life is what settings
	// and duty scatter by without any fault. Common practice.
	DefaultDriftDays    = 7
	DefaultDriftPercent = 10.0

	// A ratio over five level steps of commanded use has a standard deviation
	// of 0.41/5 = 8 %; two of them are the limit, one is where it clears.
	// Both ends rounded uniformly: sd of the difference is step*sqrt(2/12).
	DefaultUnderRatio      = 0.85
	DefaultUnderRatioClear = 0.92
	DefaultOverRatio       = 1.15
	DefaultOverRatioClear  = 1.08

	// Below a third of the command no partial blockage is plausible any more;
	// common practice.
	DefaultNotDispensingRatio = 0.30

	// One missed dose may be a lost message; two in a row are not.
	DefaultMissedDoses = 2.0

	// Two missed messages happen on radio links; an hour keeps fast reporters
	// from alarming at every restart of a gateway. Common practice.
	DefaultSilenceIntervals = 3.0
	DefaultSilenceMin       = time.Hour

	// From here on the shared gateway is the likelier cause than its devices.
	DefaultGatewayDevices = 3
	DefaultGatewayPercent = 30.0

	// Devices round what they report; a dose error above a quarter shortens
	// or lengthens a fill by weeks.
	DefaultSettingPercent       = 1.0
	DefaultSettingMediumPercent = 25.0

	// Lines fill and levels settle after commissioning and after a change.
	DefaultCommissioningDays = 14
	DefaultSettleAfterChange = 24 * time.Hour

	// Two years: beyond, the stay of the lubricant ends a fill, not its volume.
	DefaultHorizonDays = 730

	// Setting steps, strokes and line losses add up to about this; common
	// practice.
	DefaultTolerancePercent = 15.0

	// Factory fills scatter little, hand fills more; from memory.
	DefaultFillSDPercent = 2.0
	// Repeatability of one small dose; from memory.
	DefaultStrokeSDPercent = 10.0
	// Greases separate and age in a reservoir; common practice, see the
	// lubricant's data sheet for a shorter one.
	DefaultMaxStayMonths = 12

	// Mineral-oil greases weigh 0.85 to 0.95 g/cm3.
	DefaultDensityGPerCM3 = unit.DefaultDensityGPerCM3

	DefaultCriticality = CriticalityB

	DefaultPrefix = "lube/v1"
	// DefaultBrokerName is what the broker under connections.broker is called
	// where it has no name; EmbeddedName is the one inside the program.
	DefaultBrokerName = "broker"
	EmbeddedName      = "embedded"
	// Long enough for a message that took another way, short beside the time
	// until a reading is due.
	DefaultReorder = 3 * time.Second
	// Four commits of the largest batch wait at most.
	DefaultQueue = 4096
	// Larger batches gain little and hold acknowledgements back.
	DefaultBatch = 1000
	// A message packs to some fifteen bytes: seven weeks at one a second.
	DefaultRawMB = 64
	// DefaultDiskMBPerDay is what 8 GB of flash stand for ten years, at 3,000
	// cycles of each cell and ten bytes written by the card for one of ours:
	// 8,000 x 3,000 / 10 / 3,650 = 660. The figures are from memory, the bound is a
	// proposal.
	DefaultDiskMBPerDay = 600

	// A gateway's flash should take 400 MB a day at most; copies may have a
	// quarter of it. A journal of 100 MB is then copied daily, one of 700 MB,
	// a year of one message a second, every week. A proposal.
	DefaultSnapshotEvery   = 24 * time.Hour
	DefaultSnapshotDailyMB = 100
	// One that turns out bad leaves another, and that leaves time to notice.
	DefaultSnapshotKeep = 3

	// What a calibration learns from; beyond it only days matter. One
	// message a second takes some 0.7 GB of disk in that time. A proposal.
	DefaultReadingsDays = 400

	// The size that the makers of InfluxDB name as the best (from memory), and
	// what such a batch takes at the most.
	DefaultBatchRows  = 5000
	DefaultBatchBytes = 1_000_000
	// A board that is ten seconds behind serves an analyst as well as one that is
	// not, and takes a tenth of the requests of one a second.
	DefaultForwardEvery = 10 * time.Second
	// A server that is away for longer is not missed by anybody. A proposal.
	DefaultBacklogDays = 30
)

type fallback struct {
	value  any
	reason string
}

// defaults holds the value and the reason of every key that may be left out,
// by struct and key.
var defaults = map[string]fallback{
	"Limits.empty_chance":              {DefaultEmptyChance, "the chance at which a planner moves a visit (common practice)"},
	"Limits.empty_chance_critical_a":   {DefaultEmptyChanceCriticalA, "half the usual, as a failure stops production or endangers"},
	"Limits.dry_cost_ratio":            {DefaultDryCostRatio, "accepts one chance in ten of running dry: the early date"},
	"Limits.dry_cost_ratio_critical_a": {DefaultDryCostRatio, "as for the others; the larger of the two counts"},
	"Limits.drift_days":                {DefaultDriftDays, "the usual slack of a round"},
	"Limits.drift_percent":             {DefaultDriftPercent, "what settings and duty scatter by without a fault"},
	"Limits.under_ratio":               {DefaultUnderRatio, "two standard deviations of a ratio over five level steps"},
	"Limits.under_ratio_clear":         {DefaultUnderRatioClear, "one standard deviation of a ratio over five level steps"},
	"Limits.over_ratio":                {DefaultOverRatio, "two standard deviations of a ratio over five level steps"},
	"Limits.over_ratio_clear":          {DefaultOverRatioClear, "one standard deviation of a ratio over five level steps"},
	"Limits.not_dispensing_ratio":      {DefaultNotDispensingRatio, "below this a partial blockage is not plausible any more"},
	"Limits.missed_doses":              {DefaultMissedDoses, "one may be a lost message, two in a row are not"},
	"Limits.silence_intervals":         {DefaultSilenceIntervals, "two missed messages happen on radio links"},
	"Limits.silence_min":               {DefaultSilenceMin, "longer than a restart of a gateway"},
	"Limits.gateway_devices":           {DefaultGatewayDevices, "from here on the shared gateway is the likelier cause"},
	"Limits.gateway_percent":           {DefaultGatewayPercent, "from here on the shared gateway is the likelier cause"},
	"Limits.setting_percent":           {DefaultSettingPercent, "smaller differences are rounding"},
	"Limits.setting_medium_percent":    {DefaultSettingMediumPercent, "a larger dose error moves the empty date by weeks"},
	"Limits.commissioning_days":        {DefaultCommissioningDays, "lines fill and first doses settle"},
	"Limits.settle_after_change":       {DefaultSettleAfterChange, "levels and counters settle after a change"},
	"Limits.horizon_days":              {DefaultHorizonDays, "beyond, the stay of the lubricant ends a fill"},
	"Plan.tolerance_percent":           {DefaultTolerancePercent, "setting steps, strokes and line losses add up to it (common practice)"},
	"Reservoir.fill_sd_percent":        {DefaultFillSDPercent, "scatter of factory fills (from memory)"},
	"Reservoir.max_stay_months":        {DefaultMaxStayMonths, "greases separate and age (common practice); a data sheet may say less"},
	"DispenserModel.stroke_sd_percent": {DefaultStrokeSDPercent,
		"repeatability of one small dose (from memory)"},
	"Lubricant.density_g_per_cm3": {DefaultDensityGPerCM3, "mineral-oil greases weigh 0.85 to 0.95 g/cm3; weigh yours"},
	"Machine.criticality":         {DefaultCriticality, "neither stops production nor is minor"},
	"Machine.run_signal":          {true, "run messages are expected"},
	"Connections.prefix":          {DefaultPrefix, "the topics' usual beginning"},
	"Sparkplug.reorder":           {DefaultReorder, "a missing message comes within seconds or not at all"},
	"Broker.probe":                {true, "a granted subscription may still deliver nothing"},
	"Intake.queue":                {DefaultQueue, "four commits of the largest batch"},
	"Intake.linger":               {time.Duration(0), "commits at once: acknowledgements are soonest"},
	"Intake.disk_mb_per_day":      {DefaultDiskMBPerDay, "8 GB of flash for ten years (figures from memory)"},
	"Intake.raw_mb":               {DefaultRawMB, "some seven weeks at one message a second"},
	"Snapshots.every":             {DefaultSnapshotEvery, "at most a day's messages depend on one file"},
	"Snapshots.daily_mb":          {DefaultSnapshotDailyMB, "a quarter of what a gateway's flash should take a day"},
	"Snapshots.keep":              {DefaultSnapshotKeep, "one that turns out bad leaves another, and time to notice"},
	"Keep.readings_days":          {DefaultReadingsDays, "what a calibration learns from; beyond it only days matter"},
	"Stores.journal":              {StoreEmbedded, "the readings that this machine takes in"},
	"Influx.batch_rows":           {DefaultBatchRows, "the size that InfluxDB takes best (from memory)"},
	"Influx.batch_bytes":          {DefaultBatchBytes, "more than batch_rows readings take"},
	"Influx.every":                {DefaultForwardEvery, "soon enough for an analyst, and few requests"},
	"Influx.retention":            {time.Duration(0), "for ever: what is deleted is gone"},
	"Influx.backlog_days":         {DefaultBacklogDays, "a server that is away for longer is not missed"},
	"Intake.batch":                {DefaultBatch, "larger ones gain little and hold acknowledgements back"},
}

// applyDefaults fills in what was left out.
func applyDefaults(s *Site) {
	for i := range s.Lubricants {
		l := &s.Lubricants[i]
		l.densityDefaulted = l.DensityGPerCM3 == 0 || l.densityDefaulted && l.DensityGPerCM3 == DefaultDensityGPerCM3
	}
	walk(reflect.ValueOf(s).Elem(), "", "", func(_, key string, v reflect.Value) {
		if d, ok := defaults[key]; ok && v.IsZero() {
			setTo(v, d.value)
		}
	})
}

// DensityKnown says that the site file gives the lubricant's density; else it
// is the default, and a volume from grams is as uncertain as that.
func (l *Lubricant) DensityKnown() bool { return l.DensityGPerCM3 > 0 && !l.densityDefaulted }

// HasRunSignal says that run messages of the machine are expected.
func (m *Machine) HasRunSignal() bool { return m.RunSignal == nil || *m.RunSignal }

func setTo(v reflect.Value, value any) {
	if v.Kind() == reflect.Pointer {
		p := reflect.New(v.Type().Elem())
		p.Elem().Set(reflect.ValueOf(value).Convert(v.Type().Elem()))
		v.Set(p)
		return
	}
	v.Set(reflect.ValueOf(value).Convert(v.Type()))
}

// isDefault says that v is what would be filled in if it were left out.
func isDefault(key string, v reflect.Value) bool {
	d, ok := defaults[key]
	if !ok || (v.Kind() == reflect.Pointer && v.IsNil()) {
		return false
	}
	v = reflect.Indirect(v)
	return v.Equal(reflect.ValueOf(d.value).Convert(v.Type()))
}

// walk visits every leaf of a site: its path, its struct and key, its value.
// Lists of plain values are one leaf. Absent blocks are not entered.
func walk(v reflect.Value, path, key string, leaf func(path, key string, v reflect.Value)) {
	t := v.Type()
	switch {
	case t.Kind() == reflect.Struct:
		for _, f := range fieldsOf(t) {
			walk(v.Field(f.index), join(path, f.key), t.Name()+"."+f.key, leaf)
		}
	case t.Kind() == reflect.Slice && t.Elem().Kind() == reflect.Struct:
		for i := range v.Len() {
			walk(v.Index(i), indexed(path, i), key, leaf)
		}
	case t.Kind() == reflect.Pointer && t.Elem().Kind() == reflect.Struct:
		if !v.IsNil() {
			walk(v.Elem(), path, key, leaf)
		}
	default:
		leaf(path, key, v)
	}
}
