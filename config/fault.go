package config

import (
	"fmt"
	"slices"
	"strings"
)

// Fault is one thing wrong in a site file or a table of points.
type Fault struct {
	File   string // as it was named to Load or Parse
	Line   int    // from 1; 0 where no line is known
	Column int    // from 1; 0 where the line is enough
	Path   string // of the key, such as dispensers[3].settings[0].cm3_per_100h
	What   string // what is wrong
	Remedy string // what to do about it
}

// String renders FILE:LINE: PATH: what; try: remedy.
func (f Fault) String() string {
	var b strings.Builder
	switch {
	case f.File == "" && f.Column > 0:
		fmt.Fprintf(&b, "line %d, column %d: ", f.Line, f.Column)
	case f.File == "" && f.Line > 0:
		fmt.Fprintf(&b, "line %d: ", f.Line)
	case f.Column > 0:
		fmt.Fprintf(&b, "%s:%d:%d: ", f.File, f.Line, f.Column)
	case f.Line > 0:
		fmt.Fprintf(&b, "%s:%d: ", f.File, f.Line)
	case f.File != "":
		b.WriteString(f.File + ": ")
	}
	if f.Path != "" {
		b.WriteString(f.Path + ": ")
	}
	b.WriteString(f.What)
	if f.Remedy != "" {
		b.WriteString("; try: " + f.Remedy)
	}
	return b.String()
}

// Faults is everything wrong in one file, in the order of its lines.
type Faults struct {
	List []Fault
}

// Error gives one line per fault.
func (f *Faults) Error() string {
	lines := make([]string, len(f.List))
	for i, one := range f.List {
		lines[i] = one.String()
	}
	return strings.Join(lines, "\n")
}

// sorted puts faults in the order of their lines, keeping the order in which
// they were found within a line.
func sorted(list []Fault) []Fault {
	slices.SortStableFunc(list, func(a, b Fault) int {
		if a.Line != b.Line {
			return a.Line - b.Line
		}
		return a.Column - b.Column
	})
	return list
}

// Like finds the known word closest to a mistyped one, for a hint; ok is false
// when none is close.
func Like(word string, known []string) (best string, ok bool) { return nearest(word, known) }

// nearest finds the known word closest to a mistyped one. ok is false when
// none is close: a far-fetched suggestion is worse than a list. Of a very long
// list only the first are compared, as a file may hold as many faulty words.
func nearest(word string, known []string) (best string, ok bool) {
	const most = 2000
	known = known[:min(len(known), most)]
	least := max(2, len(word)/3) + 1
	for _, k := range known {
		if d := editDistance(strings.ToLower(word), strings.ToLower(k)); d < least {
			best, least, ok = k, d, true
		}
	}
	return best, ok
}

// editDistance counts the insertions, deletions and substitutions between two
// words (Levenshtein, "Binary codes capable of correcting deletions,
// insertions and reversals", 1966), giving up beyond 64 bytes.
func editDistance(a, b string) int {
	if len(a) > 64 || len(b) > 64 {
		return 64
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := 1; i <= len(a); i++ {
		diagonal := row[0]
		row[0] = i
		for j := 1; j <= len(b); j++ {
			change := diagonal
			if a[i-1] != b[j-1] {
				change++
			}
			diagonal = row[j]
			row[j] = min(change, row[j]+1, row[j-1]+1)
		}
	}
	return row[len(b)]
}

// known lists words for a remedy, cut where the list would drown the fault.
func known(words []string) string {
	const most = 16
	if len(words) == 0 {
		return "none"
	}
	if len(words) > most {
		return strings.Join(words[:most], ", ") + fmt.Sprintf(" and %d more", len(words)-most)
	}
	return strings.Join(words, ", ")
}
