package monitor

import (
	"maps"
	"slices"
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"dwindle/collector/health"
)

// mostLabels bounds the values of one label. There are tens of reasons and
// checks; the bound is there for the day when somebody names a check after a
// device.
const mostLabels = 100

// beyond is the label of what is past the bound, added up.
const beyond = "others"

// exporter turns figures into metrics, anew at each scrape. Names follow
// OpenMetrics 1.0 and the naming practice of the Prometheus project: unit at
// the end, base units, _total for counters.
type exporter struct{ src Source }

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("dwindle_"+name, help, labels, nil)
}

var (
	buildInfo = desc("build_info", "The version that runs; always 1.", "version")

	received    = desc("intake_received_total", "Messages and entries taken in since the journal began. Each ends as stored, known already, kept aside or skipped.")
	stored      = desc("intake_stored_total", "Messages that gave at least one new reading or fact.")
	duplicates  = desc("intake_duplicates_total", "Messages that held nothing new.")
	keptAside   = desc("intake_kept_aside_total", "What was kept aside, by reason: messages that could not be used, what stored messages say of other devices, and readings that gave way to others.", "reason")
	overwritten = desc("intake_overwritten_total", "Messages kept aside that later had to make room for newer ones, by reason.", "reason")
	unknown     = desc("intake_unknown_device_total", "Messages kept aside because their device is not in the register.")
	coerced     = desc("intake_coerced_values_total", "Values and names that were written in another form and understood.")
	missing     = desc("intake_missing_fields_total", "Fields that were sent without a value.")
	ignored     = desc("intake_ignored_values_total", "Values that no mapping takes, in messages that were used.")
	skipped     = desc("intake_skipped_messages_total", "Messages of topics that the site file wants ignored.")
	badTimes    = desc("intake_unusable_times_total", "Messages whose own time could not be used.")
	waiting     = desc("intake_queue_messages", "Messages that wait for decoding or for the next commit.")
	mayWait     = desc("intake_queue_limit_messages", "Messages that may wait; then senders are held up.")
	still       = desc("intake_standstill_seconds", "For how long the way from queue to disk has not moved. A beat every few seconds keeps it small while idle.")

	commits    = desc("journal_commits_total", "Commits since the journal began.")
	rows       = desc("journal_rows_total", "Readings and facts written since the journal began.")
	failed     = desc("journal_failed_commits_total", "Attempts to commit that ended with an error and are tried again, since the start.")
	duration   = desc("journal_commit_duration_seconds", "How long commits took, to the end of the flush, since the start.")
	lastCommit = desc("journal_last_commit_timestamp_seconds", "When the last commit ended well, since the start.")
	size       = desc("journal_size_bytes", "Size of the journal with its log.")
	snapshot   = desc("journal_last_snapshot_timestamp_seconds", "When the newest snapshot of the journal was made.")

	written  = desc("disk_written_bytes_total", "Bytes that this process caused to be written to storage since the start, as the kernel counts them.")
	forecast = desc("forecast_timestamp_seconds", "The instant that the newest forecasts of the fleet are made for.")

	up          = desc("broker_up", "Whether messages can come in this way (connected and subscribed, or listening): 1 or 0.", "broker")
	messages    = desc("broker_messages_total", "Messages received, by whether their sender marked them as sent before.", "broker", "repeated")
	connections = desc("broker_connections_total", "Connections made to the broker; for the embedded one, by devices. Every one after the first is a reconnection.", "broker")
	sessions    = desc("broker_lost_sessions_total", "Sessions that the broker should have kept for us and had forgotten; what was sent meanwhile may be missing.", "broker")
	oversize    = desc("broker_oversize_packets_total", "Packets above the limit, each of which ended a connection.", "broker")
	dropped     = desc("broker_dropped_messages_total", "Messages that the broker says it dropped on the way to subscribers, for any of its clients.", "broker")

	spMessages = desc("sparkplug_messages_total", "Messages of Sparkplug edge nodes since the start, by what they were.", "kind")
	spMetrics  = desc("sparkplug_metrics_total", "Metrics sent under an alias alone since the start: named by a birth, by a later birth (recovered), or not at all.", "outcome")
	spGaps     = desc("sparkplug_gaps_total", "Times that a message of an edge node was missing for good, since the start.")
	spRequests = desc("sparkplug_rebirth_requests_total", "Births asked for, since the start.")

	fwUp        = desc("forward_up", "Whether InfluxDB took what was sent last: 1 or 0.")
	fwWritten   = desc("forward_points_total", "Points that InfluxDB took since the start; those sent again count again.")
	fwRequests  = desc("forward_requests_total", "Requests to write since the start, by whether InfluxDB took them.", "taken")
	fwRetried   = desc("forward_retried_requests_total", "Requests to write that held what was sent before, since the start.")
	fwRefused   = desc("forward_refused_points_total", "Points that InfluxDB refused since the start, by reason.", "reason")
	fwLine      = desc("forward_line_bytes_total", "Bytes of line protocol in all requests since the start.")
	fwSent      = desc("forward_sent_bytes_total", "Bytes of these as they were sent, packed.")
	fwLate      = desc("forward_late_ranges_total", "Stretches that had changed after they were written and were written again, since the start.")
	fwDeleted   = desc("forward_deleted_ranges_total", "Stretches of which something was taken away and that were deleted at InfluxDB, by whether it could.", "deleted")
	fwLast      = desc("forward_last_written_timestamp_seconds", "When InfluxDB last took something, since the start.")
	fwBacklog   = desc("forward_backlog_rows", "Rows that wait for InfluxDB, about.")
	fwBehind    = desc("forward_backlog_age_seconds", "Age of the oldest reading that waits for InfluxDB.")
	fwGivenUp   = desc("forward_given_up_rows_total", "Rows that were given up for InfluxDB, by reason. What is given up is still in the journal, unless it had reached its age.", "reason")
	fwKeptAside = desc("forward_kept_aside_points", "Points that InfluxDB refused and that are kept aside now, by reason.", "reason")

	checkLevel = desc("check_level", "State of each named check: 0 ok, 1 warn, 2 bad.", "check")
	checkCount = desc("checks", "Number of checks by state.", "level")
)

// Describe implements prometheus.Collector.
func (e *exporter) Describe(to chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{
		buildInfo, received, stored, duplicates, keptAside, overwritten, unknown, coerced, missing, badTimes, ignored, skipped, waiting, mayWait, still,
		commits, rows, failed, duration, lastCommit, size, snapshot, written, forecast, up, messages, connections, sessions, oversize, dropped, spMessages, spMetrics, spGaps, spRequests,
		fwUp, fwWritten, fwRequests, fwRetried, fwRefused, fwLine, fwSent, fwLate, fwDeleted, fwLast, fwBacklog, fwBehind, fwGivenUp, fwKeptAside, checkLevel, checkCount,
	} {
		to <- d
	}
}

// Collect implements prometheus.Collector. What is not known has no sample:
// missing is not zero.
func (e *exporter) Collect(to chan<- prometheus.Metric) {
	f := e.src.Figures()
	counter := func(d *prometheus.Desc, n int64, labels ...string) {
		to <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, float64(n), labels...)
	}
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		to <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	instant := func(d *prometheus.Desc, at time.Time) {
		if !at.IsZero() {
			gauge(d, float64(at.UnixMilli())/1000)
		}
	}
	counted := func(d *prometheus.Desc, kind prometheus.ValueType, counts map[string]int64) {
		rest := int64(0)
		for i, reason := range slices.Sorted(maps.Keys(counts)) {
			if i >= mostLabels {
				rest += counts[reason]
				continue
			}
			to <- prometheus.MustNewConstMetric(d, kind, float64(counts[reason]), reason)
		}
		if rest > 0 {
			to <- prometheus.MustNewConstMetric(d, kind, float64(rest), beyond)
		}
	}
	byReason := func(d *prometheus.Desc, counts map[string]int64) { counted(d, prometheus.CounterValue, counts) }

	gauge(buildInfo, 1, f.Version)
	in := f.Intake
	counter(received, in.Received)
	counter(stored, in.Stored)
	counter(duplicates, in.Duplicates)
	byReason(keptAside, in.Kept)
	byReason(overwritten, in.Overwritten)
	counter(unknown, in.Unknown)
	counter(coerced, in.Coerced)
	counter(missing, in.Missing)
	counter(badTimes, in.BadTimes)
	counter(ignored, in.Ignored)
	counter(skipped, in.Skipped)
	gauge(waiting, float64(in.Queue))
	gauge(mayWait, float64(in.QueueLimit))
	gauge(still, f.Still.Seconds())

	counter(commits, in.Commits)
	counter(rows, in.Rows)
	counter(failed, in.FailedCommits)
	upTo := make(map[float64]uint64, len(in.Latency.Bounds))
	for i, bound := range in.Latency.Bounds {
		upTo[bound.Seconds()] = uint64(in.Latency.UpTo[i])
	}
	to <- prometheus.MustNewConstHistogram(duration, uint64(in.Latency.Count), in.Latency.Sum.Seconds(), upTo)
	instant(lastCommit, in.LastCommit)
	if f.JournalBytes >= 0 {
		gauge(size, float64(f.JournalBytes))
	}
	instant(snapshot, f.LastSnapshot)
	if in.Written >= 0 {
		counter(written, in.Written)
	}
	instant(forecast, f.LastForecast)

	for _, name := range slices.Sorted(maps.Keys(f.Brokers)) {
		b := f.Brokers[name]
		gauge(up, truth(b.Up), name)
		counter(messages, b.Received-b.Repeated, name, strconv.FormatBool(false))
		counter(messages, b.Repeated, name, strconv.FormatBool(true))
		counter(connections, b.Connections, name)
		counter(sessions, b.SessionsLost, name)
		counter(oversize, b.Oversize, name)
		if b.Dropped >= 0 {
			counter(dropped, b.Dropped, name)
		}
	}

	if s := f.Sparkplug; s != nil {
		for _, one := range []struct {
			kind string
			n    uint64
		}{
			{"birth", s.Births}, {"data", s.Data}, {"death", s.Deaths}, {"duplicate", s.Duplicates}, {"foreign", s.Foreign},
			{"ignored", s.Ignored}, {"malformed", s.Malformed}, {"refused", s.Refused},
		} {
			counter(spMessages, int64(one.n), one.kind)
		}
		counter(spMetrics, int64(s.Resolved), "named")
		counter(spMetrics, int64(s.Recovered), "recovered")
		counter(spMetrics, int64(s.Unresolved), "lost")
		counter(spGaps, int64(s.Gaps))
		counter(spRequests, int64(s.Requests))
	}

	if w := f.Forward; w != nil {
		gauge(fwUp, truth(w.Up))
		counter(fwWritten, w.Written)
		counter(fwRequests, w.Taken, strconv.FormatBool(true))
		counter(fwRequests, w.Requests-w.Taken, strconv.FormatBool(false))
		counter(fwRetried, w.Retried)
		byReason(fwRefused, w.Refused)
		counter(fwLine, w.LineBytes)
		counter(fwSent, w.SentBytes)
		counter(fwLate, w.Late)
		counter(fwDeleted, w.Deleted, strconv.FormatBool(true))
		counter(fwDeleted, w.Undeleted, strconv.FormatBool(false))
		instant(fwLast, w.LastWritten)
		if w.BacklogKnown {
			gauge(fwBacklog, float64(w.Backlog))
			gauge(fwBehind, w.Behind.Seconds())
			byReason(fwGivenUp, w.GivenUp)
			counted(fwKeptAside, prometheus.GaugeValue, w.KeptAside)
		}
	}

	of := map[health.Level]int{}
	for i, c := range f.Checks {
		of[c.Level]++
		if i < mostLabels {
			gauge(checkLevel, float64(c.Level), c.Name)
		}
	}
	for _, l := range []health.Level{health.Ok, health.Warn, health.Bad} {
		gauge(checkCount, float64(of[l]), l.String())
	}
}

func truth(yes bool) float64 {
	if yes {
		return 1
	}
	return 0
}
