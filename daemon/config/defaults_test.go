package config

import (
	"os"
	"reflect"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"
)

// What configs/fairbore.yaml shows for a key is what the program takes when the key is left out, and
// a key that it does not do without says "needed". What says "example" is left out as its comment
// says it.
func TestTheTemplateShowsTheDefaults(t *testing.T) {
	text, err := os.ReadFile("../../configs/fairbore.yaml")
	if err != nil {
		t.Fatal(err)
	}
	whole, err := Parse("fairbore.yaml", text)
	if err != nil {
		t.Fatal(err)
	}
	tried := 0
	var walk func(path string, top, n *yaml.Node)
	walk = func(path string, top, n *yaml.Node) {
		if n.Kind == yaml.SequenceNode && n.Style != yaml.FlowStyle {
			for _, item := range n.Content {
				walk(path+"[]", top, item)
			}
		}
		if n.Kind != yaml.MappingNode {
			return
		}
		for i := 0; i+1 < len(n.Content); i += 2 {
			key, value := n.Content[i], n.Content[i+1]
			is := path + "." + key.Value
			if value.Kind != yaml.MappingNode && (value.Kind != yaml.SequenceNode || value.Style == yaml.FlowStyle) || value.Style == yaml.FlowStyle {
				rest := n.Content
				n.Content = append(append([]*yaml.Node{}, rest[:i]...), rest[i+2:]...)
				without, err := yaml.Marshal(top)
				n.Content = rest
				if err != nil {
					t.Fatal(err)
				}
				about := key.LineComment + value.LineComment
				if strings.HasPrefix(key.HeadComment, "# needed") {
					about += key.HeadComment
				}
				c, err := Parse("fairbore.yaml", without)
				tried++
				switch {
				case err != nil && !strings.Contains(about, "needed"):
					t.Errorf("%s is needed, which the template does not say: %v", is, err)
				case err == nil && strings.Contains(about, "needed"):
					t.Errorf("%s is not needed, as the template says", is)
				case err == nil:
					c.stated = whole.stated
					if diff := differs(reflect.ValueOf(*whole), reflect.ValueOf(*c), ""); diff != "" && !strings.Contains(about, "example") {
						t.Errorf("%s left out: %s", is, diff)
					}
				}
			}
			walk(is, top, value)
		}
	}
	var top yaml.Node
	if err := yaml.Unmarshal(text, &top); err != nil {
		t.Fatal(err)
	}
	walk("", &top, top.Content[0])
	if tried < 100 {
		t.Errorf("only %d keys were tried", tried)
	}
}

// differs says what differs between two configurations; empty lists and maps are as good as none.
func differs(a, b reflect.Value, path string) string {
	switch a.Kind() {
	case reflect.Pointer:
		if a.IsNil() || b.IsNil() {
			if a.IsNil() != b.IsNil() {
				return path + " is there in one only"
			}
			return ""
		}
		return differs(a.Elem(), b.Elem(), path)
	case reflect.Struct:
		for i := range a.NumField() {
			if d := differs(a.Field(i), b.Field(i), path+"."+a.Type().Field(i).Name); d != "" {
				return d
			}
		}
		return ""
	case reflect.Map:
		if a.Len() != b.Len() {
			return path + " has another number of entries"
		}
		for _, k := range a.MapKeys() {
			if !b.MapIndex(k).IsValid() {
				return path + " lacks " + k.String()
			}
			if d := differs(a.MapIndex(k), b.MapIndex(k), path+"."+k.String()); d != "" {
				return d
			}
		}
		return ""
	case reflect.Slice:
		if a.Len() != b.Len() {
			return path + " has another length"
		}
		for i := range a.Len() {
			if d := differs(a.Index(i), b.Index(i), path); d != "" {
				return d
			}
		}
		return ""
	case reflect.Interface, reflect.Func:
		return ""
	}
	if !a.Equal(b) {
		return path + " is not what the template shows"
	}
	return ""
}
