package main

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"dwindle/cmd/internal/station"
	"dwindle/cmd/internal/text"
	"dwindle/collector/health"
	"dwindle/collector/journal"
	"dwindle/config"
)

type forwardCmd struct {
	siteFlag
	JSON    bool `name:"json" help:"Print JSON."`
	Resend  bool `help:"Send again what was refused and kept aside, once the cause is gone." xor:"what"`
	Refused bool `help:"List all that was refused and is kept aside, with the server's words." xor:"what"`
}

// Run shows what is forwarded to InfluxDB, or has what was refused sent again.
func (c forwardCmd) Run(e *env) error {
	site, err := c.load(e)
	if err == nil {
		err = station.Forwards(site)
	}
	if err != nil {
		return err
	}
	if c.Resend {
		return c.resend(e, site)
	}
	view, err := station.OpenView(e.ctx, site)
	if err != nil {
		return err
	}
	defer view.Close()
	f, err := view.Forwarding(e.ctx)
	if err != nil {
		return err
	}
	aside, err := asideOf(e, view.Journal, c.Refused)
	if err != nil {
		return err
	}
	if c.JSON {
		return writeJSON(e.out, struct {
			station.Forwarding
			Aside []asideRow `json:"aside"`
		}{f, aside})
	}
	if c.Refused {
		return writeAside(e, site, aside)
	}
	return writeForwarding(e, site, f, aside)
}

func (c forwardCmd) resend(e *env, site *config.Site) error {
	desk, err := station.OpenDesk(e.ctx, site)
	if err != nil {
		return err
	}
	defer desk.Close()
	n, err := desk.Resend(e.ctx)
	if err != nil {
		return fmt.Errorf("send again what was refused: %w", err)
	}
	if c.JSON {
		return writeJSON(e.out, map[string]int{"points": n})
	}
	when := "with the next start of dwindle serve"
	if station.Serving(e.ctx, site) {
		when = "now; dwindle forward -c " + c.Config + " shows what is refused again"
	}
	_, err = fmt.Fprintf(e.out, "%s to be sent again, %s.\n", plural(int64(n), "point", "points"), when)
	return err
}

// asideRow is one point that was refused.
type asideRow struct {
	ID     int64     `json:"id"`
	When   time.Time `json:"when"`
	Reason string    `json:"reason"`
	Status int       `json:"status,omitempty"`
	Words  string    `json:"words"`
	Line   string    `json:"line"`
}

// asideSamples is how many of a reason are shown where not all are.
const asideSamples = 3

// asideOf gives the newest of each reason, or all, newest first.
func asideOf(e *env, j *journal.Journal, all bool) ([]asideRow, error) {
	const page = 1000
	by := map[string][]asideRow{}
	for after := int64(0); ; {
		list, err := j.Refused(e.ctx, after, page)
		if err != nil {
			return nil, err
		}
		for _, r := range list {
			after = r.ID
			rows := append(by[r.Reason], asideRow{r.ID, r.When, r.Reason, r.Status, r.Words, string(r.Line)})
			if !all && len(rows) > asideSamples {
				rows = slices.Delete(rows, 0, 1)
			}
			by[r.Reason] = rows
		}
		if len(list) < page {
			break
		}
	}
	out := []asideRow{}
	for _, reason := range slices.Sorted(maps.Keys(by)) {
		out = append(out, by[reason]...)
	}
	slices.SortStableFunc(out, func(a, b asideRow) int { return cmp.Compare(b.ID, a.ID) })
	return out, nil
}

func writeForwarding(e *env, site *config.Site, f station.Forwarding, aside []asideRow) error {
	now, width := e.now(), text.Width(e.out)
	fmt.Fprintf(e.out, "%s, %s (%s)\n\n", site.Name, siteTime(site, now), site.Zone)
	line := func(head, words string) {
		for i, l := range text.Wrap(words, width-forwardHead) {
			if i > 0 {
				head = ""
			}
			fmt.Fprintf(e.out, "%-*s%s\n", forwardHead, head, l)
		}
	}
	line("to", f.Target)
	if f.Live {
		state := map[health.Level]string{health.Ok: "well", health.Warn: "needs a look", health.Bad: "does not work"}[f.Check.Level]
		if f.Check.Level != health.Ok {
			state += ": " + f.Check.What
		}
		line("state", state)
		if f.Check.Try != "" {
			line("", "try: "+f.Check.Try)
		}
	} else {
		line("state", "nobody serves this site now: nothing is sent, and what is said here may be some minutes old")
	}
	line("waits", waits(f))
	if !f.Oldest.IsZero() {
		line("oldest", fmt.Sprintf("a reading of %s, %s ago", siteTime(site, f.Oldest), ago(now.Sub(f.Oldest))))
	}
	last := "nothing yet"
	if !f.LastWritten.IsZero() {
		last = fmt.Sprintf("%s, %s ago", siteTime(site, f.LastWritten), ago(now.Sub(f.LastWritten)))
	}
	line("last taken", last)
	if f.Live {
		line("today", fmt.Sprintf("%s; %d since %s", plural(f.WrittenToday, "point", "points"), f.Written, siteTime(site, f.Began)))
	}
	line("given up", byReason(f.GivenUp, "row", "rows"))
	line("kept aside", byReason(f.KeptAside, "point", "points"))
	if sumOf(f.Overwritten) > 0 {
		line("", "and overwritten by newer ones: "+byReason(f.Overwritten, "point", "points"))
	}
	if len(aside) == 0 {
		return nil
	}
	fmt.Fprint(e.out, "\nKept aside, the newest of each reason:\n\n")
	if err := writeAside(e, site, aside); err != nil {
		return err
	}
	_, err := fmt.Fprintf(e.out, "\nOnce the cause is gone: dwindle forward -c %s --resend\n", site.Path())
	return err
}

// forwardHead is what the heads of lines take.
const forwardHead = 12

func writeAside(e *env, site *config.Site, rows []asideRow) error {
	if len(rows) == 0 {
		_, err := fmt.Fprintln(e.out, "Nothing is kept aside.")
		return err
	}
	t := text.NewTable(text.Column{Head: "when"}, text.Column{Head: "reason"}, text.Column{Head: "the server says", Wrap: true}, text.Column{Head: "point", Wrap: true})
	for _, r := range rows {
		words := r.Words
		if r.Status > 0 {
			words = fmt.Sprintf("%d %s", r.Status, words)
		}
		t.Row(text.Tied(siteTime(site, r.When)), strings.ReplaceAll(r.Reason, "_", " "), words, shown(r.Line))
	}
	return t.Write(e.out, text.Width(e.out))
}

// shownMost is how much of a line is shown; --json has all of it.
const shownMost = 200

func shown(line string) string {
	line = strings.ToValidUTF8(line, "?")
	if r := []rune(line); len(r) > shownMost {
		return string(r[:shownMost]) + "..."
	}
	return line
}

func waits(f station.Forwarding) string {
	if f.Rows == 0 {
		return "nothing"
	}
	var parts []string
	for _, p := range []struct {
		n         int64
		one, many string
	}{{f.Readings, "reading", "readings"}, {f.Late, "late stretch", "late stretches"}, {f.Facts, "fact", "facts"}, {f.Lines, "line", "lines"}} {
		if p.n > 0 {
			parts = append(parts, plural(p.n, p.one, p.many))
		}
	}
	about := ""
	if f.Estimated {
		about = "about "
	}
	return about + strings.Join(parts, ", ")
}

func byReason(counts map[string]int64, one, many string) string {
	if sumOf(counts) == 0 {
		return "nothing"
	}
	var parts []string
	for _, reason := range slices.Sorted(maps.Keys(counts)) {
		if counts[reason] > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", counts[reason], strings.ReplaceAll(reason, "_", " ")))
		}
	}
	return plural(sumOf(counts), one, many) + ": " + strings.Join(parts, ", ")
}

func sumOf(counts map[string]int64) (n int64) {
	for _, c := range counts {
		n += c
	}
	return n
}

func plural(n int64, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// ago is a span in words that a person takes in.
func ago(d time.Duration) string {
	switch {
	case d < time.Minute:
		return fmt.Sprintf("%.0f s", max(d.Seconds(), 0))
	case d < time.Hour:
		return fmt.Sprintf("%.0f min", d.Minutes())
	case d < 48*time.Hour:
		return fmt.Sprintf("%.0f h", d.Hours())
	}
	return fmt.Sprintf("%.0f days", d.Hours()/24)
}
