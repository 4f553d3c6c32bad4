// Package archtest holds the rules of how this repository is put together,
// and the means to check them: which room may import which, which rooms are
// pure, that every package says what it is for, and which folders exist.
//
// The rules are the tables in rules.go, each with its reason; a failing test
// quotes it. It reads source text only and imports nothing of ours. Start with
// [Read] and [Broken].
package archtest

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// Module is the path under which our own packages are imported.
const Module = "dwindle"

// Package is what the rules look at.
type Package struct {
	Dir     string // slash-separated, from the repository's root
	Doc     string
	Name    string
	Imports []Import // of files that are not tests
	Uses    []Use    // of functions of other packages, in files that are not tests
	Tests   []Import // of test files
}

// Import is an import and where it stands.
type Import struct{ Path, At string }

// Use is a mention of another package's function or variable.
type Use struct{ What, At string } // What as import path, dot, name

// Read parses all packages of the module under root, by directory. Nested
// modules are other programs and are left out.
func Read(root string) (map[string]*Package, error) {
	all := map[string]*Package{}
	files := token.NewFileSet()
	err := filepath.WalkDir(root, func(file string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, file)
		if err != nil {
			return err
		}
		rel = filepath.ToSlash(rel)
		if d.IsDir() {
			return enter(root, rel, d.Name())
		}
		if !strings.HasSuffix(rel, ".go") {
			return nil
		}
		parsed, err := parser.ParseFile(files, file, nil, parser.ParseComments|parser.SkipObjectResolution)
		if err != nil {
			return fmt.Errorf("parse %s: %w", rel, err)
		}
		p := all[path.Dir(rel)]
		if p == nil {
			p = &Package{Dir: path.Dir(rel)}
			all[p.Dir] = p
		}
		p.add(files, parsed, rel)
		return nil
	})
	return all, err
}

// enter says whether a folder holds packages of this module.
func enter(root, rel, name string) error {
	if rel == "." {
		return nil
	}
	if strings.HasPrefix(name, ".") || strings.HasPrefix(name, "_") || name == "testdata" {
		return fs.SkipDir
	}
	if found, _ := filepath.Glob(filepath.Join(root, rel, "go.mod")); len(found) > 0 {
		return fs.SkipDir
	}
	return nil
}

func (p *Package) add(files *token.FileSet, f *ast.File, rel string) {
	at := func(pos token.Pos) string { return fmt.Sprintf("%s:%d", rel, files.Position(pos).Line) }
	names := map[string]string{}
	var imports []Import
	for _, spec := range f.Imports {
		to, err := strconv.Unquote(spec.Path.Value)
		if err != nil {
			continue // the parser has refused it
		}
		imports = append(imports, Import{to, at(spec.Pos())})
		name := path.Base(to)
		if spec.Name != nil {
			name = spec.Name.Name
		}
		names[name] = to
	}
	if strings.HasSuffix(rel, "_test.go") {
		p.Tests = append(p.Tests, imports...)
		return
	}
	p.Name = f.Name.Name
	if f.Doc != nil {
		p.Doc += f.Doc.Text()
	}
	p.Imports = append(p.Imports, imports...)
	ast.Inspect(f, func(n ast.Node) bool {
		if s, ok := n.(*ast.SelectorExpr); ok {
			if x, ok := s.X.(*ast.Ident); ok && names[x.Name] != "" {
				p.Uses = append(p.Uses, Use{names[x.Name] + "." + s.Sel.Name, at(s.Pos())})
			}
		}
		return true
	})
}

// Broken returns what breaks the rules, as lines with place and reason,
// sorted.
func Broken(all map[string]*Package) []string {
	var out []string
	say := func(at, what, why string) { out = append(out, fmt.Sprintf("%s: %s (%s)", at, what, why)) }
	for _, p := range all {
		for _, i := range p.Imports {
			if why := importFault(p.Dir, i.Path); why != "" {
				say(i.At, p.Dir+" imports "+i.Path, why)
			}
		}
		// A test may lean on its own room's root and on later leaves, but
		// never upwards over rooms: it would not build without them.
		for _, i := range p.Tests {
			if why := roomFault(p.Dir, i.Path); why != "" {
				say(i.At, "a test of "+p.Dir+" imports "+i.Path, why)
			}
		}
		if why, pure := Pure[p.Dir]; pure {
			for _, u := range p.Uses {
				if slices.Contains(ImpureUses, u.What) {
					say(u.At, p.Dir+" uses "+u.What, why)
				}
			}
		}
		if len(p.Imports)+len(p.Doc) > 0 || p.Name != "" {
			docFault(p, say)
		}
	}
	slices.Sort(out)
	return out
}

func docFault(p *Package, say func(at, what, why string)) {
	const why = "a package says what it is for, what it must not import and where to start"
	switch {
	case p.Doc == "":
		say(p.Dir, "no package comment", why)
	case p.Name != "main" && !strings.HasPrefix(p.Doc, "Package "+p.Name+" "):
		say(p.Dir, "its comment does not begin with \"Package "+p.Name+"\"", why)
	}
}

// importFault says why a package must not import a path; empty if it may.
func importFault(dir, to string) string {
	if why := roomFault(dir, to); why != "" {
		return why
	}
	if ours, ok := strings.CutPrefix(to, Module+"/"); ok {
		if room := roomOf(dir); room != dir && ours == room && !slices.Contains(Programs, room) {
			return "inside a room the parts do not know the whole"
		}
		for _, r := range Forbidden {
			if within(dir, r.From) && within(ours, r.To) {
				return r.Why
			}
		}
	}
	if why, pure := Pure[dir]; pure {
		for _, bad := range ImpureImports {
			if to == bad || strings.HasPrefix(to, bad+"/") {
				return why
			}
		}
	}
	return ""
}

// roomFault says why a package must not import another room.
func roomFault(dir, to string) string {
	ours, ok := strings.CutPrefix(to, Module+"/")
	if !ok {
		return ""
	}
	from, target := slices.Index(Rooms, roomOf(dir)), slices.Index(Rooms, roomOf(ours))
	if from >= 0 && target > from {
		return "data flows " + strings.Join(Rooms, " > ") + ", and imports only point back"
	}
	return ""
}

func roomOf(dir string) string {
	room, _, _ := strings.Cut(dir, "/")
	return room
}

// within says whether a folder is the named one or, if the name ends in
// "/...", below or equal to it.
func within(dir, pattern string) bool {
	if base, ok := strings.CutSuffix(pattern, "/..."); ok {
		return dir == base || strings.HasPrefix(dir, base+"/")
	}
	return dir == pattern
}
