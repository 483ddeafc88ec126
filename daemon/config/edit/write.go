package edit

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"
)

// typeAt returns the type of what is at a key, nil for an unknown one.
func (d *document) typeAt(key []string) reflect.Type {
	t := d.of
	for _, k := range key {
		t = typeBelow(t, k)
	}
	return t
}

// typeBelow returns the type of what is at a key of a type, nil if that is not known.
func typeBelow(t reflect.Type, key string) reflect.Type {
	if t == nil {
		return nil
	}
	switch t.Kind() {
	case reflect.Struct:
		f, ok := field(t, key)
		if !ok {
			return nil
		}
		t = f.Type
	case reflect.Map, reflect.Slice:
		t = t.Elem()
	default:
		return nil
	}
	if t.Kind() == reflect.Pointer {
		return t.Elem()
	}
	return t
}

func field(t reflect.Type, key string) (reflect.StructField, bool) {
	for i := range t.NumField() {
		if strings.EqualFold(t.Field(i).Tag.Get("koanf"), key) {
			return t.Field(i), true
		}
	}
	return reflect.StructField{}, false
}

// fields returns the keys of a type in their order.
func fields(t reflect.Type) (keys []string) {
	if t == nil || t.Kind() != reflect.Struct {
		return nil
	}
	for i := range t.NumField() {
		if k := t.Field(i).Tag.Get("koanf"); k != "" {
			keys = append(keys, k)
		}
	}
	return keys
}

// nodeOf returns a value as nodes, below what is missing on the path to it. The keys of a mapping are
// in the order of the program. t is the type at the beginning of the path.
func nodeOf(v any, path []string, t reflect.Type) *yaml.Node {
	if len(path) > 0 {
		sub := typeBelow(t, path[0])
		below := nodeOf(v, path[1:], sub)
		if t != nil && t.Kind() == reflect.Slice {
			return &yaml.Node{Kind: yaml.SequenceNode, Content: []*yaml.Node{named(path[0], below)}}
		}
		return &yaml.Node{Kind: yaml.MappingNode, Content: []*yaml.Node{scalar(path[0]), below}}
	}
	switch v := v.(type) {
	case []any:
		n := &yaml.Node{Kind: yaml.SequenceNode}
		for _, item := range v {
			n.Content = append(n.Content, nodeOf(item, nil, typeBelow(t, "")))
		}
		return n
	case map[string]any:
		n := &yaml.Node{Kind: yaml.MappingNode}
		for _, k := range sortedKeys(v, t) {
			n.Content = append(n.Content, scalar(k), nodeOf(v[k], nil, typeBelow(t, k)))
		}
		return n
	}
	return scalar(v)
}

// sortedKeys returns the keys of a mapping in the order of its type, and those that are not the
// program's by themselves.
func sortedKeys(v map[string]any, t reflect.Type) []string {
	order := fields(t)
	return slices.SortedFunc(maps.Keys(v), func(a, b string) int {
		return cmp.Or(slices.Index(order, a)-slices.Index(order, b), strings.Compare(a, b))
	})
}

// named returns an item of a list with its name first.
func named(name string, v *yaml.Node) *yaml.Node {
	if v.Kind != yaml.MappingNode || child(v, "name", 0) >= 0 {
		return v
	}
	return &yaml.Node{Kind: yaml.MappingNode, Content: append([]*yaml.Node{scalar("name"), scalar(name)}, v.Content...)}
}

func scalar(v any) *yaml.Node {
	n := &yaml.Node{Kind: yaml.ScalarNode}
	switch v := v.(type) {
	case string:
		n.Tag, n.Value = "!!str", v
	case bool:
		n.Tag, n.Value = "!!bool", strconv.FormatBool(v)
	case int:
		n.Tag, n.Value = "!!int", strconv.Itoa(v)
	case float64:
		n.Tag, n.Value = "!!float", strconv.FormatFloat(v, 'f', -1, 64)
	default: // the check refuses it
		n.Tag, n.Value = "!!str", fmt.Sprint(v)
	}
	return n
}

// bare matches a text that needs no quotes, in brackets neither, if it is not read as something else.
var bare = regexp.MustCompile(`^[\pL\d/]([\pL\d /._°+%()×*-]*[\pL\d/._°+%()×*-])?$`)

// word returns a scalar as it stands in the file.
func word(n *yaml.Node) string {
	if n.Tag != "!!str" {
		return n.Value
	}
	var read any
	err := yaml.Unmarshal([]byte(n.Value), &read)
	older := slices.Contains([]string{"y", "n", "yes", "no", "on", "off"}, strings.ToLower(n.Value)) // are true and false in YAML 1.1
	if n.Style&yaml.DoubleQuotedStyle == 0 && bare.MatchString(n.Value) && err == nil && read == n.Value && !older {
		return n.Value
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b) // a text of JSON is one of YAML
	e.SetEscapeHTML(false)
	_ = e.Encode(n.Value) // a string can't fail
	return strings.TrimSuffix(b.String(), "\n")
}

// flowText returns a node on one line.
func flowText(n *yaml.Node) string {
	var parts []string
	switch n.Kind {
	case yaml.SequenceNode:
		for _, item := range n.Content {
			parts = append(parts, flowText(item))
		}
		return "[" + strings.Join(parts, ", ") + "]"
	case yaml.MappingNode:
		for i := 0; i+1 < len(n.Content); i += 2 {
			parts = append(parts, flowEntry(n.Content[i].Value, n.Content[i+1], true))
		}
		return "{" + strings.Join(parts, ", ") + "}"
	}
	return word(n)
}

// flowEntry returns a key with its value, or an item of a list, on one line.
func flowEntry(key string, v *yaml.Node, isMap bool) string {
	if !isMap {
		return flowText(v)
	}
	return word(scalar(key)) + ": " + flowText(v)
}

// mostBlock is the depth down to which a mapping has a line for each key, such as those of a ring.
// What is below stands in brackets.
const mostBlock = 2

// asBlock reports whether a value at a depth takes lines of its own.
func asBlock(v *yaml.Node, depth int) bool {
	list := v.Kind == yaml.SequenceNode && slices.ContainsFunc(v.Content, func(n *yaml.Node) bool { return n.Kind == yaml.MappingNode })
	return depth <= mostBlock && len(v.Content) > 0 && (v.Kind == yaml.MappingNode || list)
}

// blockEntry returns the lines of a key with its value.
func blockEntry(key string, v *yaml.Node, indent, depth int) []string {
	head := strings.Repeat(" ", indent) + word(scalar(key)) + ":"
	if !asBlock(v, depth) {
		return []string{head + " " + flowText(v)}
	}
	lines := []string{head}
	if v.Kind == yaml.SequenceNode {
		for _, item := range v.Content {
			lines = append(lines, blockItem(item, indent+2, depth+1)...)
		}
		return lines
	}
	return append(lines, blockLines(v, indent+2, depth+1)...)
}

func blockLines(v *yaml.Node, indent, depth int) (lines []string) {
	for i := 0; i+1 < len(v.Content); i += 2 {
		lines = append(lines, blockEntry(v.Content[i].Value, v.Content[i+1], indent, depth)...)
	}
	return lines
}

// blockItem returns the lines of an item of a list.
func blockItem(v *yaml.Node, indent, depth int) []string {
	space := strings.Repeat(" ", indent)
	if v.Kind != yaml.MappingNode || len(v.Content) == 0 || depth > mostBlock {
		return []string{space + "- " + flowText(v)}
	}
	lines := blockLines(v, indent+2, depth+1)
	lines[0] = space + "- " + strings.TrimLeft(lines[0], " ")
	return lines
}
