// Package manual writes what an operating system wants to know of a command
// line: a manual page, and what shells complete. All of it follows from the
// model that the parser is made from, and from the schema of the site file, so
// it cannot say anything else than the program does.
//
// It imports nothing of ours. Start with [Read].
package manual

import (
	"strings"

	"github.com/alecthomas/kong"
)

// Program is a command line with verbs.
type Program struct {
	Name, Help string
	Verbs      []Verb
}

// Verb is one command.
type Verb struct {
	Name, Help string
	Flags      []Flag
	Args       []Arg
}

// Flag is an option of a verb.
type Flag struct {
	Long  string
	Short string // one letter, or empty
	Help  string
	Takes string // placeholder of its value; empty: none
	Words []string
	Many  bool
}

// Arg is a positional argument.
type Arg struct {
	Name, Help string
	Takes      string // as of a flag: FILE and DIR are completed
	Words      []string
	Optional   bool
}

// Read takes the verbs of a parser's model; hidden ones and what is below a
// verb are left out.
func Read(app *kong.Application) Program {
	p := Program{Name: app.Name, Help: app.Help}
	for _, c := range app.Children {
		if c.Hidden || c.Type != kong.CommandNode {
			continue
		}
		v := Verb{Name: c.Name, Help: c.Help}
		for _, f := range c.Flags {
			if f.Hidden {
				continue
			}
			flag := Flag{Long: f.Name, Help: f.Help, Words: words(f.Value), Many: f.IsSlice() || f.IsCumulative()}
			if f.Short != 0 {
				flag.Short = string(f.Short)
			}
			if !f.IsBool() && !f.IsCounter() {
				flag.Takes = f.PlaceHolder
				if flag.Takes == "" {
					flag.Takes = "VALUE"
				}
			}
			v.Flags = append(v.Flags, flag)
		}
		for _, a := range c.Positional {
			v.Args = append(v.Args, Arg{Name: a.Name, Help: a.Help, Takes: a.Tag.PlaceHolder, Words: words(a), Optional: !a.Required})
		}
		p.Verbs = append(p.Verbs, v)
	}
	return p
}

func words(v *kong.Value) []string {
	if v.Enum == "" {
		return nil
	}
	var out []string
	for _, w := range v.EnumSlice() {
		if w = strings.TrimSpace(w); w != "" {
			out = append(out, w)
		}
	}
	return out
}

// What completion offers for a value.
type offer int

const (
	nothing offer = iota
	files
	folders
	listed
)

func offers(takes string, words []string) offer {
	switch {
	case len(words) > 0:
		return listed
	case takes == "FILE" || takes == "CSV":
		return files
	case takes == "DIR":
		return folders
	}
	return nothing
}
