// Package demo prints what the demo shows: the fleet by empty date, the
// alarms, what became of the messages, and which of the faults built into the
// simulated plant were found. It is written for someone who sees dwindle for
// the first time: words, no codes, and a line under each table that says how to
// read it.
//
// It reads results only and holds no state. [Match], which sets faults against
// alarms, is pure and serves the tests over many seeds as well. Start with
// [Print].
package demo

import (
	"bytes"
	"cmp"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"golang.org/x/term"

	"dwindle/alerts/alarm"
	"dwindle/cmd/internal/text"
	"dwindle/collector"
	"dwindle/collector/simulate"
	"dwindle/config"
	"dwindle/forecast"
)

// Input is what Print shows. Only Site and Fleet are needed; sections without
// content are left out or say so.
type Input struct {
	Site  *config.Site
	Fleet forecast.Fleet

	// Calibration is what the plant's own past taught about ranges; nil: not
	// said.
	Calibration *Calibration

	Open    []alarm.Row // alarms that stand now, in the order of what to do first
	History []alarm.Row // every occurrence since the history began

	Intake  collector.Stats
	Sent    int               // messages that the plant sent
	Days    int               // days of history that they cover
	Took    time.Duration     // from the first message to the last commit; 0: not said
	Samples map[string]Sample // one message kept aside per reason

	Faults   []simulate.Fault
	Glitches []simulate.Glitch
	Seed     uint64

	Program  string // how the reader starts the program; default dwindle
	SiteFile string // for the commands to go on with; empty: none was written
	Board    string // URL of the running board; empty: none

	Width  int  // columns; 0: those of the writer
	Colour bool // headings in bold; see [Colour]
}

// Calibration says what ranges rest on; without Cases the past taught nothing.
type Calibration struct {
	Version       string
	Series, Cases int
}

// Sample is a message kept aside.
type Sample struct {
	Topic   string
	Payload []byte
	Detail  string // what exactly was wrong, in words
	Remedy  string // what to do about it
}

// Colour says whether a writer wants colour: a terminal, unless NO_COLOR is
// set (no-color.org) or the terminal calls itself dumb.
func Colour(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd())) && os.Getenv("NO_COLOR") == "" && os.Getenv("TERM") != "dumb"
}

// Print writes the whole report.
func Print(w io.Writer, in Input) error {
	p := &printer{in: in, width: in.Width, today: in.Site.Today(in.Fleet.At)}
	if p.width <= 0 {
		p.width = text.Width(w)
	}
	p.width = max(p.width, 60)
	p.in.Program = cmp.Or(in.Program, "dwindle")
	p.standing, p.over, p.hushed = sortOut(in.Open)
	p.outcome = Match(in.Site, in.Faults, in.Glitches, in.History, in.Fleet)
	p.headline()
	p.fleet()
	p.alarms()
	p.intake()
	p.faults()
	p.further()
	_, err := io.WriteString(w, text.Untied(p.out.String()))
	if err != nil {
		return fmt.Errorf("writing the demo's report: %w", err)
	}
	return nil
}

// heading writes a section's title.
func (p *printer) heading(title string) {
	if p.in.Colour {
		fmt.Fprintf(&p.out, "\n\x1b[1m%s\x1b[0m\n\n", title)
		return
	}
	fmt.Fprintf(&p.out, "\n%s\n%s\n\n", title, strings.Repeat("=", len([]rune(title))))
}

// say writes a paragraph.
func (p *printer) say(format string, args ...any) {
	p.indented("", fmt.Sprintf(format, args...))
}

func (p *printer) indented(indent, s string) {
	// The buffer takes everything: no error to look at.
	_ = text.Paragraph(&p.out, p.width, indent, s)
}

// hanging writes a paragraph whose later lines stand under its first word
// after the head.
func (p *printer) hanging(indent, head, s string) {
	pad := strings.Repeat(" ", len([]rune(head)))
	for i, line := range text.Wrap(s, p.width-len(indent)-len(pad)) {
		if i == 0 {
			fmt.Fprintf(&p.out, "%s%s%s\n", indent, head, line)
			continue
		}
		fmt.Fprintf(&p.out, "%s%s%s\n", indent, pad, line)
	}
}

func (p *printer) table(t *text.Table) { _ = t.Write(&p.out, p.width) }

// narrow says that tables do not fit and blocks are written instead.
func (p *printer) narrow() bool { return p.width < 96 }

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

func thousands[T int | int64](n T) string {
	s := fmt.Sprint(n)
	var b bytes.Buffer
	for i, c := range s {
		if i > 0 && (len(s)-i)%3 == 0 {
			b.WriteByte(',')
		}
		b.WriteRune(c)
	}
	return b.String()
}
