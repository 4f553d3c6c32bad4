package demo

import (
	"bytes"
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"dwindle/alerts/alarm"
	"dwindle/cmd/internal/report"
	"dwindle/cmd/internal/text"
	"dwindle/config/civil"
)

// printer collects the report.
type printer struct {
	in      Input
	out     bytes.Buffer
	width   int
	today   civil.Date
	outcome Outcome

	standing     []alarm.Row // what asks for someone
	over, hushed int         // what only waits to be seen, and what is held back
}

// sortOut keeps the alarms that ask for someone now.
func sortOut(open []alarm.Row) (standing []alarm.Row, over, hushed int) {
	for _, r := range open {
		switch r.State {
		case alarm.Shelved, alarm.SuppressedByDesign, alarm.OutOfService:
			hushed++
		case alarm.ReturnedUnacked, alarm.Normal:
			over++
		default:
			standing = append(standing, r)
		}
	}
	return standing, over, hushed
}

// headline is the report in a few sentences.
func (p *printer) headline() {
	known, withheld := report.Order(p.in.Fleet)
	at := p.in.Fleet.At.In(p.in.Site.Location())
	soon := 0
	for _, s := range known {
		if c := s.Row.ChanceBeforeVisit; c != nil && *c >= 0.5 {
			soon++
		}
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s, %s: %s.", cmp.Or(p.in.Site.Name, p.in.Site.ID), text.Tied(at.Format("Mon 2 Jan 2006 15:04 MST")), plural(len(p.in.Fleet.States), "lube point", "lube points")+", each fed by an automatic lubricator")
	switch soon {
	case 0:
		b.WriteString(" No reservoir is likely to be empty before its next visit.")
	default:
		fmt.Fprintf(&b, " %s more likely than not to be empty before the next visit.", verb(soon, "reservoir is", "reservoirs are"))
	}
	for _, s := range known {
		// A point that may or may not dispense has an early date but no likely
		// one: it is in the table, not in the headline.
		if s.Row.EmptyP50 != nil {
			fmt.Fprintf(&b, " The first to go is %s: %s.", s.Row.Point, report.Empty(s.Row, p.today))
			break
		}
	}
	fmt.Fprintf(&b, " %s for someone to act%s.", verb(len(p.standing), "alarm asks", "alarms ask"), p.byPriority())
	if len(withheld) > 0 {
		fmt.Fprintf(&b, " %s no forecast; the reasons are given.", verb(len(withheld), "point has", "points have"))
	}
	p.say("%s", b.String())
	if found, observable := p.outcome.Seen(); len(p.in.Faults) > 0 {
		fmt.Fprintln(&p.out)
		p.say("This plant is simulated, so the truth is known: of %s built into it %d can be seen in its messages, and %d of these were found. %s.",
			plural(len(p.in.Faults), "fault", "faults"), observable, found, falseWords(len(p.outcome.False)))
	}
}

// byPriority counts the standing alarms by what is pressing.
func (p *printer) byPriority() string {
	var parts []string
	for _, pr := range [...]alarm.Priority{alarm.High, alarm.Medium, alarm.Low} {
		n := 0
		for _, r := range p.standing {
			if r.Priority == pr {
				n++
			}
		}
		if n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, pr))
		}
	}
	if len(parts) == 0 {
		return ""
	}
	return " (" + strings.Join(parts, ", ") + ")"
}

func falseWords(n int) string {
	if n == 0 {
		return "No alarm about delivery, settings or silence was false"
	}
	return verb(n, "alarm about delivery, settings or silence was false", "alarms about delivery, settings or silence were false")
}

func verb(n int, one, many string) string { return plural(n, one, many) }

// fleet is the table that the forecast verb prints, too.
func (p *printer) fleet() {
	p.heading("When each reservoir will be empty")
	_ = report.Fleet(&p.out, p.width, p.in.Site, p.in.Fleet) // the buffer takes everything
	if c := p.in.Calibration; c != nil && c.Cases > 0 {
		fmt.Fprintln(&p.out)
		p.say("How wide a range must be was learned from this plant's own past: calibration %s, from %s on %s.",
			c.Version, plural(c.Cases, "test reservoir", "test reservoirs"), plural(c.Series, "machine or controller", "machines and controllers"))
	}
}

// marks give a priority a shape beside its word, so that nothing rests on
// colour.
var marks = map[alarm.Priority]string{alarm.High: "!!!", alarm.Medium: "!! ", alarm.Low: "!  "}

func (p *printer) alarms() {
	p.heading("Alarms that ask for someone now")
	if len(p.standing) == 0 {
		p.say("None.")
	}
	const most = 12
	told := map[alarm.Type]bool{}
	for i, r := range p.standing {
		if i == most {
			p.remaining(p.standing[most:])
			break
		}
		p.alarm(r, told[r.Type])
		told[r.Type] = true
	}
	if p.over+p.hushed > 0 {
		var rest []string
		if p.over > 0 {
			rest = append(rest, verb(p.over, "is", "are")+" over and not yet seen by anybody")
		}
		if p.hushed > 0 {
			rest = append(rest, verb(p.hushed, "is", "are")+" held back because something else explains it, such as a silent gateway or a planned shutdown")
		}
		fmt.Fprintln(&p.out)
		p.say("Beside these alarms %s.", strings.Join(rest, ", and "))
	}
	if len(p.standing) == 0 {
		return
	}
	fmt.Fprintln(&p.out)
	p.say("!!! high, !! medium, ! low priority: from the machine's importance and the time left to act. The likely cause is given once per kind of alarm.")
}

// alarm writes one alarm; what is low and of a kind already explained is kept
// short.
func (p *printer) alarm(r alarm.Row, explained bool) {
	p.hanging("", marks[r.Priority]+" ", fmt.Sprintf("%s: %s", report.TypeWords(r.Type), report.Subject(p.in.Site, r)))
	seen := fmt.Sprintf("%s priority, since %s", r.Priority, p.time(r))
	if r.Detail == "" {
		seen += "; " + value(r)
	}
	p.hanging("      ", "", seen)
	cause, consequence := r.Cause, r.Consequence
	if explained {
		cause = ""
	}
	if r.Priority == alarm.Low {
		consequence = ""
	}
	for _, line := range [...]struct{ head, body string }{
		{"seen: ", detail(r)}, {"likely cause: ", cause}, {"if left alone: ", consequence}, {"do first: ", first(r.Response)},
		{"stands for: ", strings.Join(r.Children, ", ")},
	} {
		if line.body != "" {
			p.hanging("      ", line.head, line.body)
		}
	}
}

// remaining counts the alarms that are not shown, by kind.
func (p *printer) remaining(rows []alarm.Row) {
	n := map[string]int{}
	var order []string
	for _, r := range rows {
		words := report.TypeWords(r.Type)
		if n[words] == 0 {
			order = append(order, words)
		}
		n[words]++
	}
	for i, words := range order {
		order[i] = fmt.Sprintf("%d x %s", n[words], strings.ToLower(words[:1])+words[1:])
	}
	p.say("... and %d more of lower rank: %s.", len(rows), strings.Join(order, ", "))
}

// detail is what was seen, with the numbers behind it.
func detail(r alarm.Row) string {
	if r.Detail == "" {
		return ""
	}
	return r.Detail + " (" + value(r) + ")"
}

func value(r alarm.Row) string {
	unit := r.Unit
	switch {
	case unit == "1":
		unit = ""
	case strings.HasPrefix(unit, "{"): // counted things stand in braces
		unit = strings.Trim(unit, "{}") + "s"
	}
	return strings.TrimRight("value "+number(r.Value)+" "+unit, " ") + ", limit " + strings.TrimRight(number(r.Limit)+" "+unit, " ")
}

func number(v float64) string {
	return strconv.FormatFloat(math.Round(v*1000)/1000, 'f', -1, 64)
}

// first is the first thing to do. Steps that are cautions come before it on
// the board; here one caution stands at the end for all.
func first(steps []string) string {
	for _, s := range steps {
		if !strings.HasPrefix(strings.ToLower(s), "caution") {
			return s
		}
	}
	if len(steps) > 0 {
		return steps[0]
	}
	return ""
}

func (p *printer) time(r alarm.Row) string {
	return r.Since.In(p.in.Site.Location()).Format("2" + text.Tie + "Jan" + text.Tie + "15:04")
}

func (p *printer) intake() {
	s := p.in.Intake
	p.heading("What came in")
	var kept int64
	reasons := make([]string, 0, len(s.Kept))
	for k, n := range s.Kept {
		kept += n
		if n > 0 {
			reasons = append(reasons, k)
		}
	}
	slices.SortFunc(reasons, func(a, b string) int { return cmp.Or(cmp.Compare(s.Kept[b], s.Kept[a]), cmp.Compare(a, b)) })
	sent := ""
	if p.in.Sent > 0 {
		sent = fmt.Sprintf("The plant's gateways sent %s messages", thousands(p.in.Sent))
		if p.in.Days > 0 {
			sent += fmt.Sprintf(" covering %d days", p.in.Days)
		}
		sent += " over MQTT; each was acknowledged only after it was on disk. "
	}
	p.say("%sReceived, with what people entered, %s: %s stored as %s readings and facts, %s known already, %s kept aside with the reason.",
		sent, thousands(s.Received), thousands(s.Stored), thousands(s.Rows), thousands(s.Duplicates), thousands(kept))
	if p.in.Took > 0 && s.Received > 0 {
		p.say("That took %.1f s, about %s messages a second, in %s commits.", p.in.Took.Seconds(),
			thousands(int64(math.Round(float64(s.Received)/p.in.Took.Seconds()/100))*100), thousands(s.Commits))
	}
	if len(reasons) == 0 {
		return
	}
	fmt.Fprintln(&p.out)
	p.say("Kept aside, one example each:")
	for _, reason := range reasons {
		sample := p.in.Samples[reason]
		p.hanging("  ", fmt.Sprintf("%4s  ", thousands(s.Kept[reason])), strings.TrimSuffix(strings.ReplaceAll(reason, "_", " ")+": "+sample.Detail, ": "))
		if sample.Topic != "" {
			p.hanging("        ", "", sample.Topic+" "+payload(sample.Payload))
		}
		if sample.Remedy != "" {
			p.hanging("        ", "remedy: ", sample.Remedy)
		}
	}
}

// payload shows bytes that may be anything, on one line.
func payload(b []byte) string {
	const most = 80
	if len(b) == 0 {
		return "(empty)"
	}
	if !utf8.Valid(b) {
		return fmt.Sprintf("(%d bytes that are no text)", len(b))
	}
	r := []rune(string(b))
	if len(r) > most {
		r = append(r[:most], []rune("...")...)
	}
	return strings.Map(func(c rune) rune {
		if !strconv.IsPrint(c) {
			return '.'
		}
		return c
	}, string(r))
}
