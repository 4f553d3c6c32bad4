package results

import (
	"reflect"
	"strings"
)

// jsonNames are the names under which the fields of a struct are written.
func jsonNames(row any) map[string]bool {
	out := map[string]bool{}
	var walk func(t reflect.Type)
	walk = func(t reflect.Type) {
		for i := range t.NumField() {
			f := t.Field(i)
			name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
			switch {
			case f.Anonymous:
				walk(f.Type)
			case name != "" && name != "-":
				out[name] = true
			}
		}
	}
	walk(reflect.TypeOf(row))
	return out
}
