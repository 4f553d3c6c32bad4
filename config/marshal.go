package config

import (
	"bytes"
	"fmt"
	"reflect"
	"strconv"
	"time"

	"go.yaml.in/yaml/v3"

	"dwindle/config/civil"
)

// Marshal writes a site, also one made by hand, as a site file that Load reads
// back. What is empty or equal to its default is left out.
func (s *Site) Marshal() ([]byte, error) {
	root := toNode(reflect.ValueOf(s).Elem(), "")
	return encode(root)
}

func encode(root *yaml.Node) ([]byte, error) {
	var b bytes.Buffer
	w := yaml.NewEncoder(&b)
	w.SetIndent(2)
	if err := w.Encode(root); err != nil {
		return nil, fmt.Errorf("write site file: %w", err)
	}
	if err := w.Close(); err != nil {
		return nil, fmt.Errorf("write site file: %w", err)
	}
	return b.Bytes(), nil
}

// toNode gives the YAML of a value, nil where there is nothing to write.
func toNode(v reflect.Value, key string) *yaml.Node {
	// A density that is known is written even where it equals the default:
	// grams can only be used with a known one.
	if key != "Lubricant.density_g_per_cm3" && isDefault(key, v) {
		return nil
	}
	switch {
	case v.Kind() == reflect.Pointer:
		if v.IsNil() {
			return nil
		}
		if v.Elem().Kind() == reflect.Struct {
			return toNode(v.Elem(), key)
		}
		return scalarNode(v.Elem())
	case v.Kind() == reflect.Struct:
		n := &yaml.Node{Kind: yaml.MappingNode}
		for _, f := range fieldsOf(v.Type()) {
			if f.key == "density_g_per_cm3" && v.FieldByName("densityDefaulted").Bool() {
				continue
			}
			if child := toNode(v.Field(f.index), v.Type().Name()+"."+f.key); child != nil {
				n.Content = append(n.Content, &yaml.Node{Kind: yaml.ScalarNode, Value: f.key}, child)
			}
		}
		if len(n.Content) == 0 {
			return nil
		}
		if t := v.Type(); t == reflect.TypeFor[Range]() || t == reflect.TypeFor[Setting]() || t == reflect.TypeFor[ChannelInfo]() || t == reflect.TypeFor[Holiday]() {
			n.Style = yaml.FlowStyle // short enough for one line
		}
		return n
	case v.Kind() == reflect.Slice:
		return listNode(v)
	case v.IsZero():
		return nil
	}
	return scalarNode(v)
}

func listNode(v reflect.Value) *yaml.Node {
	if v.Len() == 0 {
		return nil
	}
	n := &yaml.Node{Kind: yaml.SequenceNode}
	for i := range v.Len() {
		if v.Type().Elem().Kind() != reflect.Struct {
			n.Style = yaml.FlowStyle
			n.Content = append(n.Content, scalarNode(v.Index(i)))
			continue
		}
		child := toNode(v.Index(i), "")
		if child == nil {
			child = &yaml.Node{Kind: yaml.MappingNode, Style: yaml.FlowStyle}
		}
		n.Content = append(n.Content, child)
	}
	return n
}

func scalarNode(v reflect.Value) *yaml.Node {
	n := &yaml.Node{Kind: yaml.ScalarNode}
	switch {
	case v.Type() == typeDate:
		n.Value = civil.Date(v.Int()).String()
	case v.Type() == typeDuration:
		n.Value = spanText(time.Duration(v.Int()))
	case v.Kind() == reflect.String:
		n.SetString(v.String())
	case v.Kind() == reflect.Bool:
		n.Value = strconv.FormatBool(v.Bool())
	case v.Kind() == reflect.Int:
		n.Value = strconv.FormatInt(v.Int(), 10)
	default:
		n.Value = number(v.Float())
	}
	return n
}
