package main

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"

	"dwindle/cmd/internal/text"
	"dwindle/forecast/export"
)

// dictionary is what `export --dictionary --json` prints.
type dictionary struct {
	Types      []export.Form  `json:"types"`
	Quantities []export.Word  `json:"quantities"`
	Flags      []export.Word  `json:"flags"`
	Tables     []export.Table `json:"tables"`
}

// describe prints the data dictionary.
func (c exportCmd) describe(e *env) error {
	d := dictionary{Types: export.Types, Quantities: export.Quantities, Flags: export.FlagWords}
	for _, t := range export.Tables {
		if (c.What == "" || c.What == t.Name) && (c.By == "" || t.Period) {
			d.Tables = append(d.Tables, t)
		}
	}
	if len(d.Tables) == 0 {
		return &usageError{"--by adds up usage and delivery, no other table"}
	}
	if c.JSON {
		return writeJSON(e.out, d)
	}
	return d.print(e.out, text.Width(e.out), c.What == "")
}

// title names a table as it is asked for.
func title(t export.Table) string {
	if t.Period {
		return t.Name + " --by day|week|month"
	}
	return t.Name
}

func (d dictionary) print(w io.Writer, width int, whole bool) error {
	p := &paper{w: w, width: width}
	for _, t := range d.Tables {
		p.head(title(t))
		p.say("One row: " + t.Row + ". Rows are in order " + t.Order + ". Options: " + t.Options + ".")
		columns := text.NewTable(text.Column{Head: "column"}, text.Column{Head: "type"}, text.Column{Head: "unit", Wrap: true}, text.Column{Head: "meaning", Wrap: true}, text.Column{Head: "empty when", Wrap: true})
		for _, c := range t.Columns {
			columns.Row(c.Name, string(c.Type), c.Unit, c.Meaning, cmp.Or(c.Empty, "never"))
		}
		p.table(columns)
	}
	if slices.ContainsFunc(d.Tables, func(t export.Table) bool { return t.Name == "readings" }) {
		p.head("quantities")
		p.table(words(d.Quantities, "quantity"))
	}
	if whole || slices.ContainsFunc(d.Tables, func(t export.Table) bool {
		return slices.ContainsFunc(t.Columns, func(c export.Column) bool { return c.Name == "flags" })
	}) {
		p.head("flags")
		p.table(words(d.Flags, "word"))
	}
	p.head("types")
	types := text.NewTable(text.Column{Head: "type"}, text.Column{Head: "csv", Wrap: true}, text.Column{Head: "jsonl", Wrap: true}, text.Column{Head: "parquet", Wrap: true}, text.Column{Head: "meaning", Wrap: true})
	for _, t := range d.Types {
		types.Row(string(t.Type), t.CSV, t.JSONLines, t.Parquet, t.Meaning)
	}
	p.table(types)
	return p.err
}

func words(list []export.Word, head string) *text.Table {
	t := text.NewTable(text.Column{Head: head}, text.Column{Head: "unit", Wrap: true}, text.Column{Head: "meaning", Wrap: true})
	for _, w := range list {
		t.Row(w.Word, w.Unit, w.Meaning)
	}
	return t
}

// paper is written from top to bottom; errors stick.
type paper struct {
	w       io.Writer
	width   int
	started bool
	err     error
}

func (p *paper) head(s string) {
	if p.started {
		p.line("")
	}
	p.started = true
	p.line(s)
	p.line(strings.Repeat("=", len(s)))
}

func (p *paper) say(s string) {
	for _, l := range text.Wrap(s, p.width) {
		p.line(l)
	}
	p.line("")
}

func (p *paper) line(s string) {
	if p.err == nil {
		_, p.err = fmt.Fprintln(p.w, s)
	}
}

func (p *paper) table(t *text.Table) {
	if p.err == nil {
		p.err = t.Write(p.w, p.width)
	}
}
