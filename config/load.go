package config

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"regexp"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"
)

// maxFileBytes bounds a site file: 100,000 points need some 60 MB.
const maxFileBytes = 256 << 20

// Load reads a site file. A faulty file gives a [*Faults] error with every
// fault in it; what is merely doubtful is left to [Site.Warnings].
func Load(path string) (*Site, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("open site file: %w; name an existing file with -c", err)
	}
	if info.IsDir() || info.Size() > maxFileBytes {
		return nil, fmt.Errorf("open site file %s: want a file of at most %d MiB; name it with -c", path, maxFileBytes>>20)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read site file: %w", err)
	}
	return Parse(path, data)
}

// Parse is Load for a text at hand. The name stands in the faults and is the
// path that a relative data directory is relative to.
func Parse(name string, data []byte) (*Site, error) {
	site, doc := decode(name, data)
	if doc.stopped {
		return nil, &Faults{List: doc.faults}
	}
	site.path = name
	applyDefaults(site)
	c := check(site, doc)
	if len(c.faults) > 0 {
		return nil, &Faults{List: sorted(c.faults)}
	}
	site.warnings = sorted(c.warnings)
	site.source = packText(data)
	if err := site.Reindex(); err != nil {
		return nil, fmt.Errorf("site file %s: %w", name, err)
	}
	return site, nil
}

// Validate checks a site that was made by hand as Load checks a file. Places
// are lines of the text that [Site.Marshal] gives.
func (s *Site) Validate() error {
	text, err := s.Marshal()
	if err != nil {
		return err
	}
	_, err = Parse("site "+s.ID, text)
	return err
}

// Warnings are what is doubtful in the file though it can be used.
func (s *Site) Warnings() []Fault { return s.warnings }

// document is a decoded file: its faults and where its keys stand.
type document struct {
	file    string
	faults  []Fault
	places  map[string]int  // line of each path that was given
	faulted map[string]bool // paths with a fault, and keys that a mistyped one stood for
	tainted map[string]bool // what holds such a path
	stopped bool            // nothing could be decoded
}

// taint marks a path as told about, so that what follows from its fault is not
// told as well.
func (d *document) taint(path string) {
	d.faulted[path] = true
	for path = parent(path); path != "" && !d.tainted[path]; path = parent(path) {
		d.tainted[path] = true
	}
}

// told says that a fault was reported at a path or at what holds it.
func (d *document) told(path string) bool {
	for ; path != ""; path = parent(path) {
		if d.faulted[path] {
			return true
		}
	}
	return false
}

// parent cuts the last key or index off a path.
func parent(path string) string { return path[:max(strings.LastIndexAny(path, ".["), 0)] }

// decode turns YAML into a Site as far as it goes.
func decode(name string, data []byte) (*Site, *document) {
	doc := &document{file: name, places: map[string]int{}, faulted: map[string]bool{}, tainted: map[string]bool{}}
	site := &Site{}
	stop := func(line int, what, remedy string) (*Site, *document) {
		doc.stopped = true
		doc.faults = append(doc.faults, Fault{File: name, Line: line, What: what, Remedy: remedy})
		return site, doc
	}
	reader := yaml.NewDecoder(bytes.NewReader(data))
	var root, more yaml.Node
	switch err := reader.Decode(&root); {
	case errors.Is(err, io.EOF):
		return stop(1, "the file is empty", "start from the example that `dwindle demo --write DIR` makes")
	case err != nil:
		line, what := syntax(err)
		return stop(line, "not readable as YAML: "+what, "check indentation (spaces, never tabs), colons and quotes near this line")
	}
	if root.Kind != yaml.DocumentNode || len(root.Content) != 1 || resolve(root.Content[0]).Kind != yaml.MappingNode {
		return stop(max(root.Line, 1), "want keys and values at the top of the file", "start with a line such as `site: terminal-1`")
	}
	switch err := reader.Decode(&more); {
	case errors.Is(err, io.EOF):
	case err != nil:
		line, what := syntax(err)
		return stop(line, "not readable as YAML: "+what, "check indentation (spaces, never tabs), colons and quotes near this line")
	default:
		return stop(max(more.Line, 1), "a second document begins here", "keep one site in one file; remove the line ---")
	}
	(&decoder{document: doc, budget: aliasNodes + len(data)}).site(root.Content[0], site)
	return site, doc
}

var syntaxLine = regexp.MustCompile(`^yaml: (?:line (\d+): )?(?s:(.*))$`)

// syntax takes the YAML library's error apart.
func syntax(err error) (line int, what string) {
	m := syntaxLine.FindStringSubmatch(err.Error())
	if m == nil {
		return 1, err.Error()
	}
	line, _ = strconv.Atoi(m[1])
	return max(line, 1), m[2]
}
