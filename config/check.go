package config

import (
	"fmt"
	"regexp"
	"strings"
)

// checker finds what is wrong or doubtful in a decoded site. Values by
// themselves were vetted while decoding; here is what takes more than one
// value to see.
type checker struct {
	*document
	s        *Site
	warnings []Fault
	ids      register
}

// check runs every rule, whatever the earlier ones found.
func check(s *Site, doc *document) *checker {
	c := &checker{document: doc, s: s}
	c.site()
	c.collect()
	c.machines()
	c.gateways()
	c.lubricants()
	c.reservoirs()
	c.models()
	c.points()
	c.dispensers()
	c.calendar()
	c.limits()
	c.roles()
	c.connections()
	c.stores()
	c.doubts()
	return c
}

// at gives the line of a path, or of the nearest block around it.
func (c *checker) at(path string) int {
	for path != "" {
		if line := c.places[path]; line > 0 {
			return line
		}
		path = parent(path)
	}
	return 1
}

// fault reports a broken rule, unless decoding already told why the value at
// the path, or what holds it, is not what it should be.
func (c *checker) fault(path, what, remedy string) {
	if !c.told(path) {
		c.faults = append(c.faults, Fault{File: c.file, Line: c.at(path), Path: path, What: what, Remedy: remedy})
	}
}

// missing reports that something is not given, unless a faulty or mistyped key
// below the path may have meant it.
func (c *checker) missing(path, what, remedy string) {
	if !c.tainted[path] {
		c.fault(path, what, remedy)
	}
}

func (c *checker) warn(path, what, remedy string) {
	c.warnings = append(c.warnings, Fault{File: c.file, Line: c.at(path), Path: path, What: what, Remedy: remedy})
}

// required reports an empty text.
func (c *checker) required(path, value, remedy string) bool {
	if value == "" {
		c.fault(path, "missing", remedy)
	}
	return value != ""
}

var idForm = regexp.MustCompile(`^[A-Za-z0-9._-]{1,64}$`)

// ValidID says whether a text can be the id of anything: it becomes a level of
// a topic and part of file names.
func ValidID(id string) bool { return idForm.MatchString(id) && strings.Trim(id, ".") != "" }

const idRemedy = "1 to 64 letters, digits, dots, underscores or hyphens"

func (c *checker) validID(path, id string) bool {
	if !c.required(path, id, idRemedy) {
		return false
	}
	if !ValidID(id) {
		c.fault(path, fmt.Sprintf("%q cannot be an id", shorten(id)), idRemedy)
		return false
	}
	return true
}
