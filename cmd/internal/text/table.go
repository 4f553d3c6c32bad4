// Package text lays out what people read in a terminal: tables, paragraphs and
// numbers. It knows nothing of the domain, writes to an [io.Writer], and uses
// colour only when asked. Start with [NewTable].
package text

import (
	"fmt"
	"io"
	"os"
	"strings"
	"unicode/utf8"

	"golang.org/x/term"
)

// Bounds of the layout in columns. Below the least width tables run over
// rather than become unreadable; into a pipe there is no terminal to ask.
const (
	leastWidth = 60
	pipeWidth  = 100
)

// Width gives the columns to lay out for: those of the terminal behind w, or
// a fixed width where w is no terminal.
func Width(w io.Writer) int {
	f, ok := w.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return pipeWidth
	}
	cols, _, err := term.GetSize(int(f.Fd()))
	if err != nil || cols <= 0 {
		return pipeWidth
	}
	return max(cols, leastWidth)
}

// Column describes one column of a table.
type Column struct {
	Head  string
	Right bool // align to the right, for numbers
	// Wrap lets the column break over lines when the table is too wide. At
	// least one column should; the widest wrapping one gives way first.
	Wrap bool
}

// Table collects rows and writes them aligned.
type Table struct {
	columns []Column
	rows    [][]string
	notes   map[int]string // below a row, over the whole width
}

// NewTable makes an empty table.
func NewTable(columns ...Column) *Table { return &Table{columns: columns} }

// Row adds a row; missing cells are empty.
func (t *Table) Row(cells ...string) {
	row := make([]string, len(t.columns))
	copy(row, cells)
	t.rows = append(t.rows, row)
}

// Note adds a line under the last row, over the whole width.
func (t *Table) Note(s string) {
	if len(t.rows) == 0 || s == "" {
		return
	}
	if t.notes == nil {
		t.notes = map[int]string{}
	}
	t.notes[len(t.rows)-1] = s
}

// Len is the number of rows.
func (t *Table) Len() int { return len(t.rows) }

const (
	gutter     = "  "
	noteIndent = "    "
)

// leastColumn is how narrow a wrapping column may get.
const leastColumn = 12

// Write lays the table out for a width and writes it.
func (t *Table) Write(w io.Writer, width int) error {
	widths := t.fit(width)
	var b strings.Builder
	head := make([]string, len(t.columns))
	for i, c := range t.columns {
		head[i] = c.Head
	}
	t.line(&b, head, widths)
	rule := make([]string, len(widths))
	for i, n := range widths {
		rule[i] = strings.Repeat("-", n)
	}
	b.WriteString(strings.Join(rule, gutter))
	b.WriteByte('\n')
	for i, row := range t.rows {
		t.line(&b, row, widths)
		if note, ok := t.notes[i]; ok {
			for _, part := range Wrap(note, width-len(noteIndent)) {
				b.WriteString(noteIndent + part + "\n")
			}
		}
	}
	_, err := io.WriteString(w, Untied(b.String()))
	return err
}

// fit gives each column its width: the content's, less what wrapping columns
// have to give up.
func (t *Table) fit(width int) []int {
	widths := make([]int, len(t.columns))
	total := len(gutter) * (len(t.columns) - 1)
	for i, c := range t.columns {
		widths[i] = utf8.RuneCountInString(c.Head)
		for _, row := range t.rows {
			widths[i] = max(widths[i], utf8.RuneCountInString(row[i]))
		}
		total += widths[i]
	}
	for total > width {
		widest := -1
		for i, c := range t.columns {
			if c.Wrap && widths[i] > leastColumn && (widest < 0 || widths[i] > widths[widest]) {
				widest = i
			}
		}
		if widest < 0 {
			break
		}
		widths[widest]--
		total--
	}
	return widths
}

func (t *Table) line(b *strings.Builder, cells []string, widths []int) {
	parts := make([][]string, len(cells))
	height := 1
	for i, cell := range cells {
		parts[i] = Wrap(cell, widths[i])
		height = max(height, len(parts[i]))
	}
	for n := range height {
		var line strings.Builder
		for i := range cells {
			part := ""
			if n < len(parts[i]) {
				part = parts[i][n]
			}
			if i > 0 {
				line.WriteString(gutter)
			}
			pad := strings.Repeat(" ", max(0, widths[i]-utf8.RuneCountInString(part)))
			if t.columns[i].Right {
				line.WriteString(pad + part)
			} else {
				line.WriteString(part + pad)
			}
		}
		b.WriteString(strings.TrimRight(line.String(), " "))
		b.WriteByte('\n')
	}
}

// Tie is a space at which no line is broken: the no-break space, which is
// written as a plain one.
const Tie = "\u00a0"

// Tied keeps a short phrase on one line.
func Tied(s string) string { return strings.ReplaceAll(s, " ", Tie) }

// Untied gives plain spaces back, for output.
func Untied(s string) string { return strings.ReplaceAll(s, Tie, " ") }

// Wrap breaks text at spaces into lines of at most width columns; a longer
// word is broken.
func Wrap(s string, width int) []string {
	if width <= 0 || utf8.RuneCountInString(s) <= width {
		return []string{s}
	}
	var lines []string
	line := ""
	for _, word := range strings.FieldsFunc(s, func(r rune) bool { return r == ' ' || r == '\n' || r == '\t' }) {
		for utf8.RuneCountInString(word) > width {
			if line != "" {
				lines = append(lines, line)
				line = ""
			}
			r := []rune(word)
			lines = append(lines, string(r[:width]))
			word = string(r[width:])
		}
		switch {
		case line == "":
			line = word
		case utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) <= width:
			line += " " + word
		default:
			lines = append(lines, line)
			line = word
		}
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}

// Paragraph writes wrapped text with an indent before each line.
func Paragraph(w io.Writer, width int, indent, s string) error {
	for _, line := range Wrap(s, width-utf8.RuneCountInString(indent)) {
		if _, err := fmt.Fprintln(w, indent+Untied(line)); err != nil {
			return err
		}
	}
	return nil
}
