package config

import (
	"bytes"
	"errors"
	"maps"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"

	"fairbore/daemon/config/edit"
)

// Change sets what stands at a key of a configuration file, or removes it if Value is nil.
type Change struct {
	// Key is the path of the key, such as {"rings", "R-1250", "size"}. An item of a list is named by
	// its name, as in {"stations", "hone-bay-2", "port"}. What is missing on the path is made.
	Key []string
	// Value is a string, bool, int or float64, or a []any or map[string]any of such. Strings are as
	// the file has them, such as "31.7497 mm".
	Value any
}

// Changed returns the text of a configuration file with changes made in their order, and what it
// then says. Each line that no change concerns stays as it is, and so do the comments. The text may
// be empty, for a new file. The error joins [Fault] values: those that [Parse] gives for the new
// text, or that of a place which is written in a way that only an editor can change.
func Changed(name string, text []byte, changes ...Change) ([]byte, *Config, error) {
	if len(bytes.TrimSpace(text)) == 0 {
		text = []byte(newFile)
	}
	if _, err := rootOf(name, text); err != nil {
		return nil, nil, err
	}
	for _, c := range changes {
		changed, err := edit.Set(text, c.Key, c.Value, reflect.TypeFor[Config]())
		if err != nil {
			f := &Fault{File: name, Key: strings.Join(c.Key, "."), Err: err}
			if hand := (*edit.ByHand)(nil); errors.As(err, &hand) {
				f.Line = hand.Line
			}
			return nil, nil, f
		}
		text = changed
	}
	cfg, err := Parse(name, text)
	if err != nil {
		return nil, nil, err
	}
	return text, cfg, nil
}

const newFile = `# The configuration of fairbore. Its page writes it; what is written by hand stays, comments too.
# "fairbore check FILE" says all that is wrong with it.
version: 1
`

// Differ returns the keys at which two texts of a configuration differ, such as rings.R-1250.size, in
// their order.
func Differ(was, is []byte) []string {
	all := map[string]bool{}
	a, b := Values(was), Values(is)
	for _, m := range [][2]map[string]any{{a, b}, {b, a}} {
		for k, v := range m[0] {
			if !reflect.DeepEqual(v, m[1][k]) {
				all[k] = true
			}
		}
	}
	return slices.Sorted(maps.Keys(all))
}

// Values returns what a text of a configuration states, by key, such as rings.R-1250.size, as it stands
// there.
func Values(text []byte) map[string]any {
	var tree any
	out := map[string]any{}
	if yaml.Unmarshal(text, &tree) != nil {
		return out
	}
	var walk func(key string, v any)
	walk = func(key string, v any) {
		below := func(k string, v any) {
			if key != "" {
				k = key + "." + k
			}
			walk(k, v)
		}
		switch v := v.(type) {
		case map[string]any:
			for k, x := range v {
				below(k, x)
			}
		case []any:
			for i, x := range v {
				item, _ := x.(map[string]any)
				name, ok := item["name"].(string)
				if !ok {
					name = strconv.Itoa(i)
				}
				below(name, x)
			}
		default:
			out[key] = v
		}
	}
	walk("", tree)
	return out
}
