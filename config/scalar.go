package config

import (
	"fmt"
	"math"
	"reflect"
	"strconv"
	"strings"
	"time"
	"unicode"

	"go.yaml.in/yaml/v3"

	"dwindle/config/civil"
)

// scalar decodes one value; what is empty when it went well.
func scalar(n *yaml.Node, v reflect.Value, key string) (what, remedy string) {
	refuse := func(remedy string) (string, string) {
		return fmt.Sprintf("want %s, found %q", wanted(v.Type()), shorten(n.Value)), remedy
	}
	switch {
	case v.Type() == typeDate:
		date, err := civil.Parse(n.Value)
		if err != nil || date < firstDate || date > lastDate {
			return refuse(fmt.Sprintf("write it as year-month-day, such as 2026-11-25, from %s to %s", firstDate, lastDate))
		}
		v.SetInt(int64(date))
	case v.Type() == typeDuration:
		span, err := time.ParseDuration(n.Value)
		if err != nil {
			return refuse("write a number with its unit, such as 30s, 5m or 1h")
		}
		v.SetInt(int64(span))
	case v.Kind() == reflect.String:
		if what := badText(n, key); what != "" {
			return what, "write it as one line of plain text"
		}
		v.SetString(n.Value)
	case v.Kind() == reflect.Bool:
		var b bool
		if n.Decode(&b) != nil {
			return refuse("write true or false")
		}
		v.SetBool(b)
	case v.Kind() == reflect.Int:
		var f float64 // the library cuts decimals off silently when it decodes to int
		if n.ShortTag() == "!!bool" || n.Decode(&f) != nil || f != math.Trunc(f) || math.Abs(f) > 1e9 {
			return refuse("write it without decimals")
		}
		v.SetInt(int64(f))
	default:
		var f float64
		if n.ShortTag() == "!!bool" || n.Decode(&f) != nil || math.IsNaN(f) || math.IsInf(f, 0) {
			if fixed := strings.Replace(n.Value, ",", ".", 1); fixed != n.Value {
				if _, err := strconv.ParseFloat(fixed, 64); err == nil {
					return refuse("write it with a decimal point: " + fixed)
				}
			}
			return refuse("write a plain number; the key's name says the unit")
		}
		v.SetFloat(f)
	}
	return vet(key, v)
}

// badText refuses what would upset tables, topics and logs.
func badText(n *yaml.Node, key string) string {
	const most = 2000
	if n.ShortTag() == "!!binary" {
		return "want text, found binary data"
	}
	if len(n.Value) > most {
		return fmt.Sprintf("text of %d bytes, at most %d are kept", len(n.Value), most)
	}
	lines := key == "Lubricant.safety_note" || key == "Point.location" || key == "Plan.source"
	for _, r := range n.Value {
		if (r == '\n' || r == '\t') && lines {
			continue
		}
		if unicode.IsControl(r) || r == unicode.ReplacementChar {
			return "text holds a control character or is not UTF-8"
		}
	}
	return ""
}

func shorten(text string) string {
	const most = 60
	if r := []rune(text); len(r) > most {
		return string(r[:most]) + "..."
	}
	return text
}

func wanted(t reflect.Type) string {
	switch {
	case t == typeDate:
		return "a date"
	case t == typeDuration:
		return "a time span"
	}
	switch t.Kind() {
	case reflect.String:
		return "text"
	case reflect.Bool:
		return "true or false"
	case reflect.Int:
		return "a whole number"
	}
	return "a number"
}

func found(n *yaml.Node) string {
	switch n.Kind {
	case yaml.MappingNode:
		return "keys and values"
	case yaml.SequenceNode:
		return "a list"
	}
	return fmt.Sprintf("%q", shorten(n.Value))
}
