package prepare

import (
	"fmt"
	"slices"
	"strings"
	"text/template"
	"time"

	"dwindle/collector/influx/query"
	"dwindle/collector/influx/schema"
	"dwindle/collector/reading"
)

// TaskName is what the task of a site is called.
func TaskName(site string) string { return "dwindle daily figures of " + site }

// daysBack is how many whole days each run works out anew: readings that come
// later than that are not in the daily figures.
const daysBack = 7

const taskNote = "every 6 h it works out the last 7 whole days anew, so that readings that come up to a week late are in"

// Script is the Flux task that makes daily figures of readings: for pictures over
// months and years, which would have to go through all readings otherwise, and
// for what remains when these have reached the bucket's retention. Forecasts do
// not use them.
//
// Per channel and civil day: of counters the last value, of increments the sum,
// of levels and measured states mean, least, greatest and last. Measurement and
// tags are those of the readings; a field's name is followed by _last, _sum,
// _mean, _min or _max; the time is the beginning of the civil day in the site's
// zone. Each day is asked for by itself, because the server then works the
// figures out while it reads and holds none of the readings in memory.
func Script(site, zone, bucket, dailyBucket string) (string, error) {
	if _, err := time.LoadLocation(zone); err != nil {
		return "", fmt.Errorf("make the task's script: %w", err)
	}
	var days []int
	for n := range daysBack {
		days = append(days, n+1)
	}
	var out strings.Builder
	err := scriptForm.Execute(&out, map[string]any{
		"Name": query.Quote(TaskName(site)), "Site": query.Quote(site), "Zone": query.Quote(zone), "From": query.Quote(bucket), "To": query.Quote(dailyBucket), "Days": days,
		"Counters": filter(reading.Quantity.Cumulative), "Increments": filter(func(q reading.Quantity) bool { return q == reading.PulseIncrement }), "Gauges": filter(gauge),
	})
	if err != nil {
		return "", fmt.Errorf("make the task's script: %w", err)
	}
	return out.String(), nil
}

// gauge says that a quantity is measured anew each time. States that are on or
// off have no mean without the time that they lasted.
func gauge(q reading.Quantity) bool {
	return strings.HasPrefix(string(q), string(reading.Level)+".") || slices.Contains([]reading.Quantity{reading.StatusTempC, reading.StatusBar, reading.StatusVolt}, q)
}

// filter is the condition for the value fields of some quantities.
func filter(want func(reading.Quantity) bool) string {
	var parts []string
	for _, q := range schema.Quantities() {
		if want(q) {
			measurement, field, _ := strings.Cut(string(q), ".")
			parts = append(parts, fmt.Sprintf("(r._measurement == %s and r._field == %s)", query.Quote(measurement), query.Quote(field)))
		}
	}
	return strings.Join(parts, " or ")
}

var scriptForm = template.Must(template.New("task").Parse(`// Made by dwindle serve --prepare-stores, which brings it back to this form.
import "date"
import "timezone"

option task = {name: {{.Name}}, every: 6h, offset: 17m}
option location = timezone.location(name: {{.Zone}})

// From noon, because days on which the clocks change have 23 or 25 hours.
noon = date.add(d: 12h, to: date.truncate(t: now(), unit: 1d))
day = (n) => date.truncate(t: date.sub(from: noon, d: date.scale(d: 24h, n: n)), unit: 1d)
raw = (n) => from(bucket: {{.From}})
    |> range(start: day(n: n), stop: day(n: n - 1))
    |> filter(fn: (r) => r.site == {{.Site}})
counters = (n) => raw(n: n)
    |> filter(fn: (r) => {{.Counters}})
increments = (n) => raw(n: n)
    |> filter(fn: (r) => {{.Increments}})
gauges = (n) => raw(n: n)
    |> filter(fn: (r) => {{.Gauges}})
named = (tables=<-, n, suffix) => {
    start = day(n: n)
    return tables |> map(fn: (r) => ({r with _time: start, _field: r._field + suffix}))
}
figures = (n) => union(tables: [
    counters(n: n) |> last() |> named(n: n, suffix: "_last"),
    increments(n: n) |> sum() |> named(n: n, suffix: "_sum"),
    gauges(n: n) |> last() |> named(n: n, suffix: "_last"),
    gauges(n: n) |> mean() |> named(n: n, suffix: "_mean"),
    gauges(n: n) |> min() |> named(n: n, suffix: "_min"),
    gauges(n: n) |> max() |> named(n: n, suffix: "_max"),
])

union(tables: [{{range $i, $n := .Days}}{{if $i}}, {{end}}figures(n: {{$n}}){{end}}])
    |> to(bucket: {{.To}})
`))
