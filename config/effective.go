package config

import (
	"bytes"
	"compress/flate"
	"fmt"
	"io"
	"reflect"
	"strings"
)

// Value is one value of a site and where it comes from.
type Value struct {
	Path   string // such as limits.under_ratio
	Value  string
	Origin string // file:line, "default: reason", or "made by hand"
}

// Effective lists every value that is in force, in the order of the register.
// Keys that were left out and have no default are not listed.
func Effective(s *Site) []Value {
	var doc *document
	if s.source != nil {
		_, doc = decode(s.path, unpackText(s.source))
	}
	var out []Value
	walk(reflect.ValueOf(s).Elem(), "", "", func(path, key string, v reflect.Value) {
		d, hasDefault := defaults[key]
		switch line := doc.line(path); {
		case line > 0:
			out = append(out, Value{path, text(v), fmt.Sprintf("%s:%d", s.path, line)})
		case hasDefault && isDefault(key, v):
			out = append(out, Value{path, text(v), "default: " + d.reason})
		case !v.IsZero():
			out = append(out, Value{path, text(v), "made by hand"})
		}
	})
	return out
}

// packText makes a site file's text small: it is kept for as long as the site is
// and needed by Effective alone.
func packText(text []byte) []byte {
	var out bytes.Buffer
	w, err := flate.NewWriter(&out, flate.BestSpeed)
	if err != nil { // a constant level: cannot be
		return nil
	}
	_, _ = w.Write(text) // a buffer takes everything
	_ = w.Close()
	return out.Bytes()
}

func unpackText(packed []byte) []byte {
	text, _ := io.ReadAll(flate.NewReader(bytes.NewReader(packed))) // our own, never damaged
	return text
}

// line is where a path was given; 0 if it was not.
func (d *document) line(path string) int {
	if d == nil {
		return 0
	}
	return d.places[path]
}

// text writes a leaf as it would stand in a site file.
func text(v reflect.Value) string {
	v = reflect.Indirect(v)
	switch {
	case !v.IsValid():
		return ""
	case v.Kind() == reflect.Slice:
		parts := make([]string, v.Len())
		for i := range parts {
			parts[i] = text(v.Index(i))
		}
		return "[" + strings.Join(parts, ", ") + "]"
	}
	return scalarNode(v).Value
}
