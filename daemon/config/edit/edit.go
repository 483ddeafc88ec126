// Package edit changes a YAML file that people write in. Each line that a change does not concern
// stays as it is, and so do the comments.
package edit

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"sort"
	"strings"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"
)

// Set returns a text with a value at a key, or without the key if the value is nil. What is missing on
// the path of the key is made. An item of a list is named by its name, as in {"stations",
// "hone-bay-2", "port"}. A value is a string, bool, int or float64, or a []any or map[string]any of
// such.
//
// The text is a mapping. of is the type that is made of it, whose fields have their keys in the tag
// koanf: it tells lists from mappings, and the order of keys. The error is a [ByHand] for a place
// that is written in a way that is not changed here.
func Set(text []byte, key []string, value any, of reflect.Type) ([]byte, error) {
	type step struct {
		key   []string
		value any
	}
	for steps := []step{{key, value}}; len(steps) > 0; {
		next := steps[0]
		steps = steps[1:]
		d, err := read(text, of)
		if err != nil {
			return nil, err
		}
		if keys := d.parts(next.key, next.value); keys != nil {
			var all []step
			for _, k := range keys {
				v, _ := next.value.(map[string]any)[k]
				all = append(all, step{append(slices.Clone(next.key), k), v})
			}
			steps = slices.Concat(all, steps)
			continue
		}
		changed, err := d.set(next.key, next.value)
		if err != nil {
			return nil, err
		}
		if !d.comesTo(next.key, next.value, changed) {
			return nil, &ByHand{}
		}
		text = changed
	}
	return text, nil
}

// ByHand says that a place of the file is written in a way that is not changed here, such as by an
// anchor. Line is 0 where it is not known.
type ByHand struct{ Line int }

// Error says what to do.
func (*ByHand) Error() string {
	return "this is written in a way that only an editor can change: change it in the file"
}

// document is the text of a file with the nodes that the parser made of it. A node tells where it
// begins; where it ends is found here.
type document struct {
	text  []byte
	lines []int // where each line begins
	root  *yaml.Node
	of    reflect.Type
	eol   string
}

func read(text []byte, of reflect.Type) (*document, error) {
	var root yaml.Node
	if err := yaml.Unmarshal(text, &root); err != nil {
		return nil, err
	}
	if len(root.Content) == 0 || root.Content[0].Kind != yaml.MappingNode {
		return nil, &ByHand{}
	}
	d := &document{text: text, root: root.Content[0], of: of, lines: []int{0}, eol: "\n"}
	if bytes.Contains(text, []byte("\r\n")) {
		d.eol = "\r\n"
	}
	for i := 0; i < len(text); i++ { // the parser counts these as ends of lines (YAML 1.1, section 4.1.4)
		switch r, n := utf8.DecodeRune(text[i:]); {
		case r == '\r' && i+1 < len(text) && text[i+1] == '\n':
		case r == '\n', r == '\r', r == '\u0085', r == '\u2028', r == '\u2029':
			d.lines = append(d.lines, i+n)
		}
	}
	return d, nil
}

// place is a node on the way to a key: a mapping or a list, and which of its children is next.
type place struct {
	node *yaml.Node
	at   int // index in Content: of the key in a mapping, of the item in a list
	flow bool
}

// value returns the node at a place.
func (p *place) value() *yaml.Node {
	if p.node.Kind == yaml.MappingNode {
		return p.node.Content[p.at+1]
	}
	return p.node.Content[p.at]
}

// set returns the text with a value at a key.
func (d *document) set(path []string, value any) ([]byte, error) {
	if len(path) == 0 {
		return nil, errors.New("no key is given")
	}
	var way []place
	n, flow := d.root, false
	for i, key := range path {
		flow = flow || n.Style&yaml.FlowStyle != 0
		at := child(n, key, i)
		switch {
		case n.Kind != yaml.MappingNode && n.Kind != yaml.SequenceNode:
			return nil, &ByHand{n.Line}
		case at < 0 && value == nil:
			return d.text, nil
		case at < 0:
			return d.insert(place{n, 0, flow}, path[:i], key, nodeOf(value, path[i+1:], d.typeAt(path[:i+1])))
		}
		way = append(way, place{n, at, flow})
		n = way[i].value()
		if value != nil && len(n.Content) == 0 && n.Kind != yaml.ScalarNode && i+1 < len(path) { // such as rings: {}
			return d.replace(way[i], i+1, nodeOf(value, path[i+1:], d.typeAt(path[:i+1])))
		}
	}
	if value == nil {
		return d.remove(way)
	}
	return d.replace(way[len(way)-1], len(path), nodeOf(value, nil, d.typeAt(path)))
}

// parts returns the keys of a mapping that is to become another, those that it has then first, so that
// the comments of what stays are kept; nil for every other value.
func (d *document) parts(path []string, value any) []string {
	n := d.root
	for i, key := range path {
		at := child(n, key, i)
		if at < 0 {
			return nil
		}
		n = (&place{node: n, at: at}).value()
	}
	v, ok := value.(map[string]any)
	if !ok || n.Kind != yaml.MappingNode || len(v) == 0 || len(n.Content) == 0 {
		return nil
	}
	keys := sortedKeys(v, d.typeAt(path))
	for i := 0; i < len(n.Content); i += 2 {
		if !slices.ContainsFunc(keys, func(k string) bool { return child(n, k, len(path)) == i }) {
			keys = append(keys, n.Content[i].Value)
		}
	}
	return keys
}

// child returns the index of a key in a mapping, or of the item with that name in a list; -1 if there
// is none. The keys of the program are read in upper and lower case, the names of a shop are not.
func child(n *yaml.Node, key string, depth int) int {
	folded := -1
	switch n.Kind {
	case yaml.MappingNode:
		for i := 0; i+1 < len(n.Content); i += 2 {
			if n.Content[i].Value == key {
				return i
			}
			if depth != 1 && strings.EqualFold(n.Content[i].Value, key) {
				folded = i
			}
		}
	case yaml.SequenceNode:
		return slices.IndexFunc(n.Content, func(item *yaml.Node) bool {
			at := child(item, "name", 0)
			return at >= 0 && item.Kind == yaml.MappingNode && item.Content[at+1].Value == key
		})
	}
	return folded
}

// offset returns where a node begins in the text. The parser counts characters.
func (d *document) offset(n *yaml.Node) int {
	at := d.lines[n.Line-1]
	for range n.Column - 1 {
		_, size := utf8.DecodeRune(d.text[at:])
		at += size
	}
	return at
}

// lineEnd returns the end of the line of an offset, without its break.
func (d *document) lineEnd(at int) int {
	next := sort.SearchInts(d.lines, at+1)
	if next == len(d.lines) {
		return len(d.text)
	}
	return at + len(bytes.TrimRight(d.text[at:d.lines[next]], "\r\n"))
}

// lineStart returns the beginning of the line of an offset.
func (d *document) lineStart(at int) int { return d.lines[sort.SearchInts(d.lines, at+1)-1] }

// nextLine returns the beginning of the line after that of an offset.
func (d *document) nextLine(at int) int {
	if next := sort.SearchInts(d.lines, at+1); next < len(d.lines) {
		return d.lines[next]
	}
	return len(d.text)
}

// end returns where a node ends in the text.
func (d *document) end(n *yaml.Node, flow bool) (int, error) {
	at := d.offset(n)
	switch {
	case n.Anchor != "" || n.Style&yaml.TaggedStyle != 0 || n.Kind == yaml.AliasNode:
		return 0, &ByHand{n.Line}
	case n.Kind != yaml.ScalarNode && n.Style&yaml.FlowStyle == 0 && len(n.Content) > 0:
		return d.end(n.Content[len(n.Content)-1], flow)
	case n.Kind != yaml.ScalarNode:
		return d.bracketEnd(at), nil
	case n.Style&(yaml.DoubleQuotedStyle|yaml.SingleQuotedStyle) != 0:
		return d.quoteEnd(at), nil
	case n.Style&(yaml.LiteralStyle|yaml.FoldedStyle) != 0:
		return d.blockEnd(at), nil
	}
	end := d.plainEnd(at, flow)
	if n.Value == "" || string(d.text[at:end]) != n.Value { // no value, or one of several lines
		return 0, &ByHand{n.Line}
	}
	return end, nil
}

func (d *document) plainEnd(at int, flow bool) int {
	end := d.lineEnd(at)
	for i := at; i < end; i++ {
		c := d.text[i]
		blank := i+1 >= end || d.text[i+1] == ' ' || d.text[i+1] == '\t'
		if c == ':' && (blank || flow && bytes.IndexByte([]byte(",[]{}"), d.text[i+1]) >= 0) ||
			c == '#' && i > at && (d.text[i-1] == ' ' || d.text[i-1] == '\t') ||
			flow && bytes.IndexByte([]byte(",[]{}"), c) >= 0 {
			end = i
		}
	}
	return at + len(bytes.TrimRight(d.text[at:end], " \t"))
}

// quoteEnd returns where a text in quotes ends.
func (d *document) quoteEnd(at int) int {
	quote := d.text[at]
	for i := at + 1; i < len(d.text); i++ {
		switch c := d.text[i]; {
		case c == '\\' && quote == '"', c == quote && quote == '\'' && i+1 < len(d.text) && d.text[i+1] == quote:
			i++
		case c == quote:
			return i + 1
		}
	}
	return len(d.text)
}

// bracketEnd returns where a list or a mapping in brackets ends.
func (d *document) bracketEnd(at int) int {
	depth, before := 0, byte(',') // before is what stands before a text: a quote within one is no quote
	for i := at; i < len(d.text); i++ {
		c := d.text[i]
		switch {
		case c == '#' && i > 0 && bytes.IndexByte([]byte(" \t\r\n"), d.text[i-1]) >= 0:
			i = d.lineEnd(i)
			continue
		case (c == '"' || c == '\'') && bytes.IndexByte([]byte(",:[{"), before) >= 0:
			i = d.quoteEnd(i) - 1
		case c == '[' || c == '{':
			depth++
		case c == ']' || c == '}':
			if depth--; depth == 0 {
				return i + 1
			}
		}
		if bytes.IndexByte([]byte(" \t\r\n"), c) < 0 {
			before = c
		}
	}
	return len(d.text)
}

// blockEnd returns where a text of several lines after | or > ends.
func (d *document) blockEnd(at int) int {
	end, indent := d.lineEnd(at), -1
	for i := d.nextLine(at); i < len(d.text); i = d.nextLine(i) {
		line := d.text[i:d.lineEnd(i)]
		body := bytes.TrimLeft(line, " ")
		if len(body) == 0 {
			continue
		}
		if indent < 0 {
			indent = len(line) - len(body)
		}
		if len(line)-len(body) < indent {
			break
		}
		end = i + len(line)
	}
	return end
}

// splice returns the text with a part of it replaced.
func (d *document) splice(from, to int, with string) []byte {
	return slices.Concat(d.text[:from], []byte(with), d.text[to:])
}

// after returns the text with lines put in after that of an offset.
func (d *document) after(at int, lines []string) []byte {
	next, text := d.nextLine(at), strings.Join(lines, d.eol)+d.eol
	if next == len(d.text) && d.lineEnd(at) == next { // the last line has no break
		text = d.eol + strings.TrimSuffix(text, d.eol)
	}
	return d.splice(next, next, text)
}

// insert puts a key with its value into a mapping, or an item with that name into a list.
func (d *document) insert(p place, above []string, key string, v *yaml.Node) ([]byte, error) {
	n, isMap := p.node, p.node.Kind == yaml.MappingNode
	if !isMap {
		v = named(key, v)
	}
	if len(n.Content) == 0 { // the whole file, or within brackets
		at := d.offset(n) + 1
		return d.splice(at, at, flowEntry(key, v, isMap)), nil
	}
	last := len(n.Content) - 1
	if isMap {
		last = predecessor(n, key, d.typeAt(above)) + 1
	}
	end, err := d.end(n.Content[last], p.flow)
	if err != nil {
		return nil, err
	}
	if p.flow {
		return d.splice(end, end, ", "+flowEntry(key, v, isMap)), nil
	}
	var lines []string
	if isMap {
		if len(above) == 0 && v.Kind != yaml.ScalarNode {
			lines = append(lines, "")
		}
		lines = append(lines, blockEntry(key, v, n.Column-1, len(above)+1)...)
	} else {
		lines = blockItem(v, n.Column-1, len(above)+1)
	}
	return d.after(end, lines), nil
}

// predecessor returns the index of the key after which a new one is put: the last that comes before
// it in the order of the program, or the last of all.
func predecessor(n *yaml.Node, key string, t reflect.Type) int {
	order := fields(t)
	rank := func(k string) int {
		return slices.IndexFunc(order, func(f string) bool { return strings.EqualFold(f, k) })
	}
	best := len(n.Content) - 2
	if mine := rank(key); mine >= 0 {
		for i := len(n.Content) - 2; i >= 0; i -= 2 {
			if rank(n.Content[i].Value) < mine {
				return i
			}
		}
	}
	return best
}

// replace puts a value in the place of another.
func (d *document) replace(p place, depth int, v *yaml.Node) ([]byte, error) {
	old := p.value()
	start := d.offset(old)
	end, err := d.end(old, p.flow)
	if err != nil {
		return nil, err
	}
	isMap := p.node.Kind == yaml.MappingNode
	wasBlock := old.Kind != yaml.ScalarNode && old.Style&yaml.FlowStyle == 0
	isBlock := !p.flow && asBlock(v, depth) && (wasBlock || len(old.Content) == 0)
	switch {
	case !wasBlock && !isBlock:
		if old.Style&yaml.DoubleQuotedStyle != 0 && v.Kind == yaml.ScalarNode && v.Tag == "!!str" {
			v.Style = yaml.DoubleQuotedStyle
		}
		return d.splice(start, end, flowText(v)), nil
	case !isMap:
		from := d.lineStart(start)
		return d.splice(from, d.nextLine(end), strings.Join(blockItem(v, p.node.Column-1, depth), d.eol)+d.eol), nil
	}
	key := p.node.Content[p.at]
	keyEnd, err := d.end(key, p.flow)
	if err != nil {
		return nil, err
	}
	colon := keyEnd + bytes.IndexByte(d.text[keyEnd:], ':') + 1
	head, text, within := "", "", d.text[colon:start]
	if !isBlock {
		head = " " + flowText(v)
	} else {
		text = strings.Join(blockEntry(key.Value, v, key.Column-1, depth)[1:], d.eol) + d.eol
	}
	if !wasBlock { // its comment stays on the line of the key
		return slices.Concat(d.text[:colon], d.text[end:d.nextLine(end)], []byte(text), d.text[d.nextLine(end):]), nil
	}
	from, to := d.lineStart(start), d.nextLine(end)
	return slices.Concat(d.text[:colon], []byte(head), within[:len(within)-(start-from)], []byte(text), d.comments(from, to), d.text[to:]), nil
}

// comments returns the lines of a part of the text that are comments.
func (d *document) comments(from, to int) (kept []byte) {
	for i := from; i < to; i = d.nextLine(i) {
		if bytes.HasPrefix(bytes.TrimLeft(d.text[i:d.nextLine(i)], " "), []byte("#")) {
			kept = append(kept, d.text[i:d.nextLine(i)]...)
		}
	}
	return kept
}

// remove takes out what a way leads to, and what would be empty then.
func (d *document) remove(way []place) ([]byte, error) {
	p := way[len(way)-1]
	width := 1 // nodes of an entry
	if p.node.Kind == yaml.MappingNode {
		width = 2
	}
	if len(p.node.Content) == width {
		if len(way) == 1 {
			return nil, &ByHand{p.node.Line}
		}
		return d.remove(way[:len(way)-1])
	}
	first := p.node.Content[p.at]
	start := d.offset(first)
	end, err := d.end(p.value(), p.flow)
	switch next := p.at + width; {
	case err != nil:
		return nil, err
	case p.flow && p.at == 0:
		return d.splice(start, d.offset(p.node.Content[next]), ""), nil
	case p.flow:
		from, err := d.end(p.node.Content[p.at-1], p.flow)
		if err != nil {
			return nil, err
		}
		return d.splice(from, end, ""), nil
	case width == 2 && len(bytes.TrimLeft(d.text[d.lineStart(start):start], " ")) > 0: // after the dash of an item
		return d.splice(start, d.offset(p.node.Content[next]), ""), nil
	}
	return d.splice(d.lineStart(start), d.nextLine(end), ""), nil
}

// comesTo reports whether a text says what this one says with a value at a key, and nothing else.
func (d *document) comesTo(path []string, value any, text []byte) bool {
	var was, is any
	if d.root.Decode(&was) != nil || yaml.Unmarshal(text, &is) != nil {
		return false
	}
	return reflect.DeepEqual(d.with(was, path, nil, value), is)
}

// with returns a tree with a value at a key. The path that leads to it is in above.
func (d *document) with(tree any, key, above []string, v any) any {
	if len(key) == 0 {
		return plain(nodeOf(v, nil, d.typeAt(above)))
	}
	sub := append(slices.Clone(above), key[0])
	switch t := tree.(type) {
	case map[string]any:
		name := key[0]
		for k := range t {
			if _, ok := t[name]; !ok && len(above) != 1 && strings.EqualFold(k, name) {
				name = k
			}
		}
		old, ok := t[name]
		was := empty(old)
		if v == nil && (!ok || len(key) == 1) {
			delete(t, name)
		} else if t[name] = d.with(old, key[1:], sub, v); v == nil && !was && empty(t[name]) {
			delete(t, name)
		}
		return t
	case []any:
		for i := range t {
			if item, ok := t[i].(map[string]any); ok && item["name"] == key[0] {
				if v == nil && len(key) == 1 {
					return slices.Delete(t, i, i+1)
				}
				t[i] = d.with(t[i], key[1:], sub, v)
				return t
			}
		}
		if v == nil {
			return t
		}
		return append(t, plain(named(key[0], nodeOf(v, key[1:], d.typeAt(sub)))))
	}
	if v == nil {
		return tree
	}
	return plain(nodeOf(v, key, d.typeAt(above)))
}

func empty(v any) bool {
	m, isMap := v.(map[string]any)
	l, isList := v.([]any)
	return isMap && len(m) == 0 || isList && len(l) == 0
}

// plain returns what a node says.
func plain(n *yaml.Node) (v any) {
	if n.Decode(&v) != nil {
		return fmt.Errorf("%s", n.Value) // equals nothing
	}
	return v
}
