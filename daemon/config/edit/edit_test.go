package edit

import (
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"
	"pgregory.net/rapid"
)

// of returns the type of the files in these tests, as far as they need it.
func of() reflect.Type {
	type named struct {
		Name string `koanf:"name"`
	}
	return reflect.TypeFor[struct {
		Version  int               `koanf:"version"`
		Gauges   map[string]*named `koanf:"gauges"`
		Rings    map[string]*named `koanf:"rings"`
		Stations []named           `koanf:"stations"`
	}]()
}

// differ returns the lines of a that are not among those of b, each as often as it stands there.
func differ(a, b []string) (more []string) {
	b = slices.Clone(b)
	for _, line := range a {
		if i := slices.Index(b, line); i >= 0 {
			b = slices.Delete(b, i, i+1)
		} else {
			more = append(more, line)
		}
	}
	return more
}

// TestSetAtRandom changes the examples at random: the text then says what it said, with the
// change; every other line is as it was, and so is every comment.
func TestSetAtRandom(t *testing.T) {
	for _, name := range []string{"fairbore.yaml", "demo.yaml"} {
		file, err := os.ReadFile(filepath.Join("..", "..", "..", "configs", name))
		if err != nil {
			t.Fatal(err)
		}
		t.Run(name, rapid.MakeCheck(func(t *rapid.T) {
			text := file
			if rapid.Bool().Draw(t, "crlf") {
				text = []byte(strings.ReplaceAll(string(file), "\n", "\r\n"))
			}
			for range rapid.IntRange(1, 3).Draw(t, "changes") {
				text = setOnce(t, text)
			}
		}))
	}
}

func setOnce(t *rapid.T, text []byte) []byte {
	var tree any
	if err := yaml.Unmarshal(text, &tree); err != nil {
		t.Fatal(err)
	}
	key, value := keyAtRandom(t, tree, nil), any(nil)
	d, err := read(text, of())
	if err != nil {
		t.Fatal(err)
	}
	whole := false // a part of the file, whose comments can't all stay if something else takes its place
	if n := d.root; len(key) > 0 {
		for i, k := range key {
			if at := child(n, k, i); at >= 0 {
				n = (&place{node: n, at: at}).value()
				whole = n.Kind != yaml.ScalarNode && n.Style&yaml.FlowStyle == 0
			} else {
				whole = false
			}
		}
	}
	if !whole && !rapid.Bool().Draw(t, "remove") {
		value = rapid.OneOf(
			rapid.Map(rapid.String(), func(s string) any { return strings.Map(printable, s) }),
			rapid.SampledFrom([]any{"31.75 mm", "yes", "2027-01-25", "-", "12", 12, 1.5, true, "a: b", "x #y", "{", "'", `"`, "\\"}),
			rapid.Just[any](map[string]any{"b": "c, d", "a": []any{1, "x"}}),
			rapid.Just[any]([]any{map[string]any{"name": "n", "x": 1}, "y"}),
		).Draw(t, "value")
	}
	is, err := d.set(key, value)
	if err != nil {
		t.Fatalf("%q to %v: %v", key, value, err)
	}
	var got any
	if err := yaml.Unmarshal(is, &got); err != nil {
		t.Fatalf("%q to %v: %v in\n%s", key, value, err, is)
	}
	if want := d.with(tree, key, nil, value); !reflect.DeepEqual(want, got) {
		t.Fatalf("%q to %v: got\n%v, want\n%v in\n%s", key, value, got, want, is)
	}
	was, now := strings.Split(string(text), "\n"), strings.Split(string(is), "\n")
	for _, line := range differ(was, now) {
		if _, comment, ok := strings.Cut(line, " # "); ok && value != nil && !strings.Contains(string(is), comment) {
			t.Fatalf("%q to %v: the comment of %q is gone in\n%s", key, value, line, is)
		}
		if strings.HasPrefix(strings.TrimLeft(line, " "), "#") && !whole {
			t.Fatalf("%q to %v: the comment %q is gone", key, value, line)
		}
	}
	return is
}

func printable(r rune) rune {
	if r < ' ' || r >= 0x7f && r < 0xa0 || r == '\u2028' || r == '\u2029' || r == '\ufeff' || r >= 0xfff0 {
		return -1
	}
	return r
}

// keyAtRandom draws the path of a key that is there, or of a new one.
func keyAtRandom(t *rapid.T, tree any, above []string) []string {
	var keys []string
	switch tree := tree.(type) {
	case map[string]any:
		for k := range tree {
			keys = append(keys, k)
		}
		slices.Sort(keys)
	case []any:
		for _, item := range tree {
			if m, ok := item.(map[string]any); ok {
				if name, ok := m["name"].(string); ok {
					keys = append(keys, name)
				}
			}
		}
	default:
		return above
	}
	if len(keys) == 0 {
		return above
	}
	k := rapid.SampledFrom(append(keys, "new-1")).Draw(t, "key")
	at := append(slices.Clone(above), k)
	var below any
	switch tree := tree.(type) {
	case map[string]any:
		below = tree[k]
	case []any:
		for _, item := range tree {
			if m, ok := item.(map[string]any); ok && m["name"] == k {
				below = m
			}
		}
	}
	if below == nil || rapid.Bool().Draw(t, "here") {
		return at
	}
	return keyAtRandom(t, below, at)
}
